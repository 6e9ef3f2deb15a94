"""What the box says: an action's bytes, what each of them is, and where the profile has them from."""

from __future__ import annotations

import re
from dataclasses import dataclass

from profiles.compiled import CompiledAction, CompiledProfile
from profiles.errors import BadValue
from profiles.firmware.request import Telling
from profiles.locating import Lines
from profiles.model import Method, Value
from profiles.parts import AddressPart, CheckPart, FieldPart
from profiles.template import Pause
from profiles.wording import value_text

__all__ = ["Said", "said"]


@dataclass(frozen=True, slots=True)
class Said:
    """A message as the box has it."""

    action: str
    title: str
    parameters: dict[str, Value]
    data: bytes
    notes: tuple[str, ...]
    """What each byte is."""
    pauses: tuple[Pause, ...]
    hold_off: float
    """Seconds after it in which nothing else is said."""
    evidence: bytes | None
    """The bytes that were seen at the bench for exactly this, where the profile has them."""
    excerpt: tuple[str, ...]
    """The profile's own lines."""


def said(profile: CompiledProfile, telling: Telling, address: int | None, text: str) -> Said:
    """The message for an action.

    Args:
        profile: the profile.
        telling: the action and its parameters.
        address: the unit's address, where the profile has addresses.
        text: the profile's TOML text, or an empty one.

    Raises:
        NotKnown: there is no such action.
        BadValue: a parameter is missing or wrong, an address is missing or too much, or the action is none
            that a box without a computer can tell.
    """
    action = profile.action(telling.action)
    _must_be_tellable(profile, action)
    values = action.parameters(telling.parameters)
    message = action.message(values, address=_address(profile, action, address))
    most = (1 << profile.line.format.data_bits) - 1
    too_large = next((byte for byte in message.data if byte > most), None)
    if too_large is not None:
        raise BadValue(
            f"{action.name} has a byte {too_large:02X} hex, which does not fit {profile.line.frame}",
            todo="correct the profile's frame or the action",
        )
    return Said(
        action.name,
        action.title,
        values,
        message.data,
        _notes(action, values, address),
        message.pauses,
        action.spec.hold_off_ms / 1000,
        _evidence(profile, action, values, address, message.data),
        _excerpt(text, action.name),
    )


def _must_be_tellable(profile: CompiledProfile, action: CompiledAction) -> None:
    name = action.name
    if action.replies or profile.confirm.method is Method.REPLY:
        raise BadValue(
            f"{name} waits for an answer, and the box can't judge one",
            todo="choose an action without answers, or let a computer drive this bus",
        )
    if action.send.counters:
        counters = ", ".join(part.name for part in action.send.counters)
        raise BadValue(
            f"{name} has a counter ({counters}) that goes up with each message, over losses of power, and "
            "the box says the same bytes each time",
            todo="choose an action without a counter",
        )
    if action.spec.only_if:
        states = ", ".join(action.spec.only_if)
        raise BadValue(
            f"{name} may be told only while {states} is known to be right, and the box knows no states",
            todo="choose an action that says what is wanted, and no toggle",
        )


def _address(profile: CompiledProfile, action: CompiledAction, address: int | None) -> int | None:
    known = profile.profile.address
    if address is None:
        if action.send.addressed and known is not None:
            for_all = ", or all" if known.all is not None else ""
            raise BadValue(
                f"{action.name} goes to an address, and none is given",
                todo=f"give --address {known.range[0]} to {known.range[1]}{for_all}",
            )
    elif known is None:
        raise BadValue(f"units of {profile.profile.name} have no addresses", todo="leave --address out")
    return address


def _notes(action: CompiledAction, values: dict[str, Value], address: int | None) -> tuple[str, ...]:
    notes: list[str] = []
    for part in action.send.parts:
        if isinstance(part, AddressPart):
            note = f"address {address}"
        elif isinstance(part, FieldPart):
            note = f"{part.name} = {value_text(values[part.name])}"
        elif isinstance(part, CheckPart):
            note = f"{part.check.name} of bytes {part.covered.start} to {part.covered.stop - 1}"
        else:
            note = ""
        notes += [note] + [""] * (part.size - 1)
    return tuple(notes) * action.spec.repeat


def _evidence(
    profile: CompiledProfile,
    action: CompiledAction,
    values: dict[str, Value],
    address: int | None,
    data: bytes,
) -> bytes | None:
    """What was seen for this action at these values and this address; one message of those that repeat."""
    for piece in profile.profile.evidence:
        if piece.action != action.name or dict(piece.parameters) != values:
            continue
        if action.send.addressed and piece.address != address:
            continue
        seen = bytes.fromhex(piece.bytes)
        return seen * (len(data) // len(seen)) if len(data) % len(seen) == 0 else seen
    return None


def _excerpt(text: str, action: str) -> tuple[str, ...]:
    """The action's lines in the profile, with the comment above them."""
    number = Lines(text).line(("actions", action)) if text else None
    lines = text.splitlines()
    if number is None or not re.match(r"\s*\[\s*actions\b", lines[number - 1]):
        return ()
    first = last = number - 1
    while first and lines[first - 1].lstrip().startswith("#"):
        first -= 1
    inside = re.compile(r"\s*\[\s*actions\s*\.\s*[\"']?" + re.escape(action) + r"[\"']?\s*[\].]")
    table = re.compile(r"\s*\[\S*\w")
    for number, line in enumerate(lines[first:], first):
        if number > last and table.match(line) and not inside.match(line):
            break
        last = max(last, number)
    while last > first and (not lines[last].strip() or lines[last].lstrip().startswith("#")):
        last -= 1
    return tuple(lines[first : last + 1])
