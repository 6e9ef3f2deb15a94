"""Where captures are kept as evidence: beside the profile, below its folder, under names that stay."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path

from profiles.bench.drafting import Kept
from profiles.bench.readers.packed import name_unpacked
from profiles.bench.samples import Sample
from profiles.errors import BadValue, FileUnreadable, FileUnwritable
from profiles.rules_bytes import stays_below
from profiles.storage import save_bytes

__all__ = ["action_of", "copy_capture", "day_of", "place_of", "places", "profile_id", "unit_of"]

_FOLDER = "captures"
_TAKE = re.compile(r"(_\d+| ?\(\d+\)|\.\d+)$")
"""What counts the takes of one button at a file name's end; a number behind a hyphen is part of a name."""


def profile_id(text: str, what: str) -> str:
    """A name for a profile or an action: a-z, 0-9 and hyphens.

    Args:
        text: what the name is to come from.
        what: that text, as an error names it.

    Raises:
        BadValue: nothing of it can stand in a name.
    """
    made = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:64].strip("-")
    if not made:
        raise BadValue(f"{what} gives no name", todo="name it with a-z, 0-9 and hyphens, such as power-on")
    return made


def action_of(path: Path) -> str:
    """The action that a capture shows, by its file's name.

    Raises:
        BadValue: nothing of that can stand in a name.
    """
    name, _, _ = _TAKE.sub("", name_unpacked(path).stem).partition("@")
    return profile_id(name, f"the file name {path.name!r}")


def unit_of(path: Path) -> str:
    """The unit that was told, where a capture's name says it behind an @; else empty."""
    return _TAKE.sub("", name_unpacked(path).stem).partition("@")[2].strip()


def places(folder: Path, samples: Sequence[Sample]) -> tuple[dict[str, Kept], list[tuple[Path, Path]]]:
    """Where each capture is kept for the evidence, and which are to be copied there.

    Args:
        folder: the profile's.
        samples: of the captures.

    Returns:
        By each capture's path where it is kept; and pairs of a file and where it is to be copied.
    """
    kept: dict[str, Kept] = {}
    copies: list[tuple[Path, Path]] = []
    taken: set[str] = set()
    for sample in samples:
        path = sample.source.path
        below, target = place_of(folder, path, sample.source.action, taken)
        if target is not None:
            copies.append((path, target))
        taken.add(below)
        kept[str(path)] = Kept(below, day_of(path, sample.started))
    return kept, copies


def place_of(folder: Path, path: Path, action: str, taken: set[str]) -> tuple[str, Path | None]:
    """Where a capture is kept below a profile's folder, and where it is to be copied; None if it is there.

    Args:
        folder: the profile's.
        path: the capture.
        action: what it shows; a copy is named after it.
        taken: names that other captures have.
    """
    base = folder.resolve()
    file = path.resolve()
    below = file.relative_to(base).as_posix() if file.is_relative_to(base) else ""
    if below and stays_below(below):
        return below, None
    below = _free_name(base, path, action, taken)
    return below, base / below


def _free_name(base: Path, path: Path, action: str, taken: set[str]) -> str:
    """A name in the folder of captures that no other capture has; the same content may stand there."""
    ending = path.name.removeprefix(name_unpacked(path).stem)
    suffix = re.sub(r"[^.a-z0-9]", "", ending.lower())
    number = 1
    while True:
        name = f"{_FOLDER}/{action}_{number}{suffix}"
        target = base / name
        if name not in taken and (not target.exists() or _same(target, path)):
            return name
        number += 1


def _same(one: Path, other: Path) -> bool:
    return one.stat().st_size == other.stat().st_size and one.read_bytes() == other.read_bytes()


def copy_capture(source: Path, target: Path) -> None:
    """Copy a capture beside a profile.

    Raises:
        FileUnwritable: that can't be done.
    """
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        data = source.read_bytes()
    except OSError as error:
        raise FileUnwritable(f"can't be copied to {target} ({error.strerror})", where=str(source)) from error
    save_bytes(target, data)


def day_of(path: Path, started: str) -> dt.date | None:
    """When a capture was taken: as it says, or else when its file was last changed.

    Raises:
        FileUnreadable: it is not there.
    """
    try:
        return dt.date.fromisoformat(started[:10])
    except ValueError:
        pass
    try:
        changed = path.stat().st_mtime
    except OSError as error:
        raise FileUnreadable(f"can't be read ({error.strerror})", where=str(path)) from error
    return dt.datetime.fromtimestamp(changed, dt.UTC).date()
