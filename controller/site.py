"""A site's file: read, checked together with its profiles, and ready for the controller.

The keys are in controller/site_model.py. Every fault of the site and of its profiles is told at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.site_model import (
    AnnounceSpec,
    BusSpec,
    JournalSpec,
    MqttSpec,
    Role,
    Site,
    SiteSpec,
    TlsSpec,
    Topology,
    UnitSpec,
)
from controller.site_rules import LookedSite, look_at_site
from profiles.checking import check_text
from profiles.compiled import CompiledProfile
from profiles.errors import Fault, FileFaults, FileUnreadable, NotKnown
from profiles.library import find
from profiles.locating import Lines
from profiles.shape import Shown, fit, in_order, sound_rest
from profiles.storage import parse_toml, read_text

__all__ = [
    "AnnounceSpec",
    "BusSpec",
    "JournalSpec",
    "LoadedSite",
    "MqttSpec",
    "Role",
    "Site",
    "SiteSpec",
    "TlsSpec",
    "Topology",
    "UnitSpec",
    "check_site",
    "load_site",
]


@dataclass(slots=True)
class LoadedSite:
    """A site without faults."""

    path: Path
    """Its file; the paths in it are relative to this one's folder."""
    site: Site
    profiles: dict[str, CompiledProfile]
    """Each bus's profile, by the bus's name."""
    warnings: tuple[Fault, ...] = ()
    """What is worth knowing, and no reason to refuse it."""


@dataclass(slots=True)
class _Checked:
    site: Site | None
    profiles: dict[str, CompiledProfile] = field(default_factory=dict)
    faults: tuple[Fault, ...] = ()


def load_site(path: Path, *, own: Path | None = None) -> LoadedSite:
    """Read a site and the profiles of its buses.

    Args:
        path: the site's file.
        own: the folder of a person's own profiles; by default the user configuration folder's.

    Raises:
        FileUnreadable: the site's file can't be read, or is no TOML.
        FileFaults: it or one of its profiles has faults; all of them are told.
    """
    checked = _check(path, own)
    wrong = [fault for fault in checked.faults if not fault.warning]
    if wrong or checked.site is None:
        raise FileFaults(wrong)
    return LoadedSite(path, checked.site, checked.profiles, checked.faults)


def check_site(path: Path, *, own: Path | None = None) -> list[Fault]:
    """Every fault of a site and of its profiles, the site's warnings included.

    Raises:
        FileUnreadable: the site's file can't be read, or is no TOML.
    """
    return list(_check(path, own).faults)


def _check(path: Path, own: Path | None) -> _Checked:
    text = read_text(path)
    shown = Shown(str(path), Lines(text))
    data = parse_toml(text, str(path))
    shape = fit(Site, data, shown)
    site, broken = shape.model, frozenset[Any]()
    if site is None:
        rest = sound_rest(data, shape.paths, ("buses", "units", "sequences", "triggers"))
        site, broken = Site.model_validate({"site": {"id": "x"}, **rest.data}), rest.dropped
    profiles, faults = _profiles(site.buses, path, own, shown)
    looked = LookedSite(site, profiles, shown, broken)
    look_at_site(looked)
    own_faults = in_order([*shape.faults, *looked.faults, *(f for f in faults if f.file == shown.file)])
    others = [fault for fault in faults if fault.file != shown.file]
    return _Checked(shape.model, profiles, (*own_faults, *others))


def _profiles(
    buses: Mapping[str, BusSpec], path: Path, own: Path | None, shown: Shown
) -> tuple[dict[str, CompiledProfile], list[Fault]]:
    """Each bus's profile, and what is wrong with those that could not be had."""
    found: dict[str, CompiledProfile] = {}
    by_name: dict[str, CompiledProfile | None] = {}
    faults: list[Fault] = []
    for bus, spec in buses.items():
        if spec.profile not in by_name:
            by_name[spec.profile] = None
            try:
                source = find(spec.profile, path, own=own)
                checked = check_text(source.text(), source.where)
            except (NotKnown, FileUnreadable) as error:
                faults.append(shown.fault(("buses", bus, "profile"), error.what, error.todo))
            else:
                by_name[spec.profile] = checked.profile
                faults += checked.errors
        profile = by_name[spec.profile]
        if profile is not None:
            found[bus] = profile
    return found, faults
