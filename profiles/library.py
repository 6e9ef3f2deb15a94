"""Where profiles are found: shipped ones, a person's own, and files that a site names by their path.

A person's own lie in the user configuration folder, as ``NAME.toml``, or as ``NAME/NAME.toml`` with the
captures of their evidence beside it. One of a shipped profile's name takes that one's place.
"""

from __future__ import annotations

import enum
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from profiles import builtin
from profiles.checking import load_profile
from profiles.errors import FileUnreadable, InputError, NotKnown
from profiles.storage import decode_text, parse_toml, read_bytes
from profiles.wording import near

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

    from profiles.compiled import CompiledProfile

__all__ = ["Listed", "Origin", "Source", "find", "is_path", "list_profiles", "own_file", "own_folder"]

_NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?")
_SUFFIX = ".toml"


class Origin(enum.StrEnum):
    """Where a profile comes from."""

    SHIPPED = "shipped"
    """It came with Linewarden, and is never changed."""
    OWN = "own"
    """It is in the person's configuration folder."""
    FILE = "file"
    """It is a file that was named by its path."""


@dataclass(frozen=True, slots=True)
class Source:
    """A profile's file, not read yet."""

    name: str
    """The name it was found by: a name, or a file's name without its suffix."""
    origin: Origin
    file: Traversable
    folder: Traversable
    """What the captures of its evidence are named relative to."""

    @property
    def where(self) -> str:
        """The file's name, as it is shown."""
        return str(self.file)

    @property
    def path(self) -> Path | None:
        """The file's path; None where it is inside a packed program."""
        return self.file if isinstance(self.file, Path) else None

    @property
    def writable(self) -> bool:
        """Whether it can be saved where it is. Saving a shipped one makes a person's own."""
        return self.origin is not Origin.SHIPPED

    def text(self) -> str:
        """The file's text.

        Raises:
            FileUnreadable: it can't be read.
        """
        data = read_bytes(self.file) if isinstance(self.file, Path) else self.file.read_bytes()
        return decode_text(data, self.where)

    def load(self) -> CompiledProfile:
        """The profile, ready for work.

        Raises:
            FileUnreadable: it can't be read, or is no TOML.
            FileFaults: it has faults; all of them are told.
        """
        return load_profile(self.text(), self.where)


@dataclass(frozen=True, slots=True)
class Listed:
    """A profile in the list."""

    source: Source
    title: str
    replaces_shipped: bool = False
    """Whether a shipped one of the same name is hidden by it."""
    problem: str = ""
    """Why its title could not be read."""


def own_folder() -> Path:
    """The folder of a person's own profiles; it need not be there."""
    import platformdirs

    return Path(platformdirs.user_config_dir("linewarden", appauthor=False)) / "profiles"


def own_file(name: str, own: Path) -> Path:
    """The file of one's own profile of that name: where it is, or where it would be made."""
    flat = own / f"{name}{_SUFFIX}"
    return flat if flat.exists() else own / name / f"{name}{_SUFFIX}"


def is_path(name: str) -> bool:
    """Whether a profile is named by its file: with a slash in it, or ``.toml`` at its end."""
    return "/" in name or os.sep in name or name.endswith(_SUFFIX)


def find(name: str, relative_to: Path | None = None, *, own: Path | None = None) -> Source:
    """The profile of that name, or at that path.

    Args:
        name: a name; or a path, which has a slash in it or ends in ``.toml``.
        relative_to: the file that names it, such as a site's; a path is relative to this file's folder, and
            to the working folder without one.
        own: the folder of a person's own profiles; by default the user configuration folder's.

    Raises:
        NotKnown: there is none; the message offers the nearest name.
    """
    if is_path(name):
        return _at_path(name, relative_to)
    own = own_folder() if own is None else own
    if _NAME.fullmatch(name):
        path = own_file(name, own)
        if path.is_file():
            return Source(name, Origin.OWN, path, path.parent)
        shipped = _shipped().joinpath(f"{name}{_SUFFIX}")
        if shipped.is_file():
            return Source(name, Origin.SHIPPED, shipped, _shipped())
    known = sorted({source.name for source in _sources(own)})
    raise NotKnown(f"no profile is called {name!r}", todo=near(name, known) or "see `linewarden profiles`")


def list_profiles(own: Path | None = None) -> list[Listed]:
    """All profiles that can be found by name, sorted by it; a hidden shipped one is not among them."""
    own = own_folder() if own is None else own
    found: dict[str, list[Source]] = {}
    for source in _sources(own):
        found.setdefault(source.name, []).append(source)
    return [_listed(first, hides=bool(others)) for _, (first, *others) in sorted(found.items())]


def _listed(source: Source, *, hides: bool) -> Listed:
    try:
        title = parse_toml(source.text(), source.where).get("title", "")
    except InputError as error:
        return Listed(source, "", hides, str(error))
    return Listed(source, title if isinstance(title, str) else "", hides)


def _at_path(name: str, relative_to: Path | None) -> Source:
    folder = relative_to.parent if relative_to is not None else Path()
    path = folder / name
    try:
        there = path.is_file()
    except (OSError, ValueError) as error:
        raise FileUnreadable(f"can't be read ({error})", where=repr(name)) from error
    if not there:
        beside = sorted(file.name for file in _entries(path.parent) if file.suffix == _SUFFIX)
        raise NotKnown(
            f"there is no profile at {path}",
            todo=near(path.name, beside) or "a path is relative to the file that names it",
        )
    return Source(path.stem, Origin.FILE, path, path.parent)


def _shipped() -> Traversable:
    folder = Path(builtin.__file__).parent
    if folder.is_dir():
        return folder
    # A packed program; the import is dear, and seldom needed.
    from importlib import resources

    return resources.files(builtin)


def _sources(own: Path) -> Iterator[Source]:
    """Every profile that has a name, a person's own first."""
    for name in sorted({entry.name.removesuffix(_SUFFIX) for entry in _entries(own)}):
        path = own_file(name, own)
        if _NAME.fullmatch(name) and path.is_file():
            yield Source(name, Origin.OWN, path, path.parent)
    shipped = _shipped()
    for file in shipped.iterdir():
        if file.name.endswith(_SUFFIX) and file.is_file():
            yield Source(file.name.removesuffix(_SUFFIX), Origin.SHIPPED, file, shipped)


def _entries(folder: Path) -> list[Path]:
    """What is in a folder; nothing where there is none, or none that may be read."""
    try:
        return list(folder.iterdir())
    except OSError:
        return []
