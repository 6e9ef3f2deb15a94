"""The profiles that a running site uses: shown, and saved when nothing about the site speaks against it.

Everything here reads and writes files: it is for a thread of its own, not for the event loop.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import PurePath

from controller.api import ProfileText
from controller.site import LoadedSite
from controller.site_rules import LookedSite, look_at_site
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import FileFaults, FileUnreadable, NotKnown
from profiles.exchange import save_profile
from profiles.library import Source, find, is_path
from profiles.locating import Lines
from profiles.shape import Shown
from profiles.storage import read_text
from profiles.storage import revision as revision_of

__all__ = ["Saved", "profile_text", "save"]


@dataclass(frozen=True, slots=True)
class Saved:
    """A profile that was saved."""

    text: ProfileText
    compiled: CompiledProfile
    buses: tuple[str, ...]
    """The site's buses that use it."""


def profile_text(name: str, loaded: LoadedSite) -> ProfileText:
    """A profile's file, by a shipped or own profile's name, or as a bus of the site names it.

    Raises:
        NotKnown: there is none.
        FileUnreadable: it can't be read.
    """
    return _shown(_named(name, loaded))


def save(name: str, text: str, revision: str, loaded: LoadedSite) -> Saved:
    """Save a profile's new text.

    Raises:
        NotKnown: there is none of that name.
        FileFaults: it has faults, or the site would have some with it; nothing is saved.
        RevisionMoved: it was saved by somebody else since it was read; nothing is saved.
    """
    source = _named(name, loaded)
    compiled = load_profile(text, source.where)
    buses = tuple(bus for bus, spec in loaded.site.buses.items() if _is(spec.profile, source, loaded))
    _check_site(loaded, dict.fromkeys(buses, compiled))
    return Saved(_shown(save_profile(source, text, revision)), compiled, buses)


def _named(name: str, loaded: LoadedSite) -> Source:
    """The profile of that name; a file only where the site itself names it, or one beside the site's file.

    What a front end says must not lead to other files of this machine.

    Raises:
        NotKnown: there is none.
    """
    beside = PurePath(name).name == name and "/" not in name and "\\" not in name
    if is_path(name) and not beside and all(spec.profile != name for spec in loaded.site.buses.values()):
        raise NotKnown(
            f"no bus of this site uses a profile {name!r}",
            todo="name it as the site file does, or take it in with `linewarden profiles import`",
        )
    return find(name, loaded.path)


def _shown(source: Source) -> ProfileText:
    text = source.text()
    return ProfileText(source.name, text, revision_of(text), source.where, source.writable)


def _is(name: str, source: Source, loaded: LoadedSite) -> bool:
    with contextlib.suppress(NotKnown, FileUnreadable):  # one that has gone meanwhile is another one
        return find(name, loaded.path).where == source.where
    return False


def _check_site(loaded: LoadedSite, changed: dict[str, CompiledProfile]) -> None:
    """See that the site has no faults with these profiles: it could not be started with them again."""
    if not changed:
        return
    lines = Lines("")
    with contextlib.suppress(FileUnreadable):
        lines = Lines(read_text(loaded.path))
    looked = LookedSite(loaded.site, {**loaded.profiles, **changed}, Shown(str(loaded.path), lines))
    look_at_site(looked)
    faults = [fault for fault in looked.faults if not fault.warning]
    if faults:
        raise FileFaults(faults)
