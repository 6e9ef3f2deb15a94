"""A profile's text checked: every fault at once, and what can be made of it.

Faults of shape (an unknown key, a wrong type) come from the model; what needs more than one key to be judged
comes from the rules in rules_bytes.py and rules_meaning.py. Where a file has faults of shape, its sound rest
is put under the rules in the same go.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from profiles.compiled import CompiledProfile
from profiles.errors import Fault, FileFaults, FileUnreadable
from profiles.locating import Lines
from profiles.model import SCHEMA, Profile
from profiles.rules import Looked
from profiles.rules_bytes import look_at_bytes
from profiles.rules_meaning import look_at_meaning
from profiles.shape import Rest, Shown, fit, in_order, sound_rest
from profiles.storage import parse_toml, read_text

__all__ = ["Checked", "check_profile", "check_text", "load_profile"]

_LISTS = ("reply", "observations", "evidence")
_ENTRIES = ("actions", "states", *_LISTS)
_STAND_INS: dict[str, Any] = {
    "schema": SCHEMA,
    "name": "x",
    "line": {"baud": 9600},
    "confirm": {"method": "none"},
}
"""What the rules may see in the place of a key that could not be read; they know not to judge it."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of a profile's text."""

    profile: CompiledProfile | None
    """The profile, ready for work; None where it has faults that are no mere warnings."""
    faults: tuple[Fault, ...]
    """Everything found, warnings included, in the order of the lines."""

    @property
    def errors(self) -> tuple[Fault, ...]:
        """The faults that are no mere warnings."""
        return tuple(fault for fault in self.faults if not fault.warning)


def check_text(text: str, file: str) -> Checked:
    """Check a profile's text, whatever is in it.

    Args:
        text: TOML, or what should be.
        file: its name, for the faults.
    """
    try:
        data = parse_toml(text, file)
    except FileUnreadable as error:
        return Checked(None, (error.fault(),))
    shown = Shown(file, Lines(text))
    if too_new := newer_schema(data, shown, SCHEMA):
        return Checked(None, (too_new,))
    shape = fit(Profile, data, shown)
    if shape.model is not None:
        looked = Looked(shape.model, shown)
    else:
        looked = _remains(data, sound_rest(data, shape.paths, _ENTRIES), shown)
        looked.faults[:0] = shape.faults
    look_at_meaning(looked)
    look_at_bytes(looked)
    faults = in_order(looked.faults)
    sound = shape.model is not None and all(fault.warning for fault in faults)
    return Checked(CompiledProfile(looked.profile) if sound else None, faults)


def check_profile(path: Path) -> list[Fault]:
    """Every fault of a profile's file, warnings included; captures of its evidence are decoded again.

    Raises:
        FileUnreadable: it can't be read, or is no TOML.
    """
    text = read_text(path)
    parse_toml(text, str(path))
    checked = check_text(text, str(path))
    if checked.profile is None:
        return list(checked.faults)
    return list(in_order((*checked.faults, *_captures_again(checked.profile.profile, text, path))))


def _captures_again(profile: Profile, text: str, path: Path) -> list[Fault]:
    """The captures of the evidence, decoded again: what no longer says the evidence's bytes."""
    with_capture = [(n, each) for n, each in enumerate(profile.evidence) if each.capture]
    if not with_capture:
        return []
    # Decoding needs numpy, which takes longer to load than everything else here.
    from profiles.bench.evidence import evidence_problem

    shown = Shown(str(path), Lines(text))
    faults = []
    for index, evidence in with_capture:
        problem = evidence_problem(evidence, profile.line, path.parent)
        if problem is not None:
            key, what = problem
            faults.append(shown.fault(("evidence", index, key), what, "capture it again, or correct it"))
    return faults


def load_profile(text: str, file: str) -> CompiledProfile:
    """A profile, ready for work.

    Args:
        text: its file's text.
        file: the file's name, for errors.

    Raises:
        FileUnreadable: it is no TOML.
        FileFaults: it has faults; all of them are told.
    """
    checked = check_text(text, file)
    if checked.profile is None:
        parse_toml(text, file)
        raise FileFaults(checked.errors)
    return checked.profile


def newer_schema(data: Mapping[str, Any], shown: Shown, ours: int) -> Fault | None:
    """The one fault of a file that a newer program wrote: nothing else in it can be judged."""
    schema = data.get("schema")
    if isinstance(schema, bool) or not isinstance(schema, int) or schema <= ours:
        return None
    return shown.fault(
        ("schema",),
        f"is {min(schema, 10**9)}, and this program knows {ours}",
        "use a newer Linewarden; nothing was changed",
    )


def _remains(data: Mapping[str, Any], rest: Rest, shown: Shown) -> Looked:
    """What the rules can look at in a file with faults of shape."""

    def kept(key: str) -> list[int]:
        value = data.get(key)
        count = len(value) if isinstance(value, list) else 0
        return [index for index in range(count) if (key, index) not in rest.dropped]

    profile = Profile.model_validate({**_STAND_INS, **rest.data})
    broken = rest.dropped | {(key,) for key in _STAND_INS if key not in rest.data}
    return Looked(profile, shown, broken, {key: kept(key) for key in _LISTS})
