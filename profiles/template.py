"""ByteTemplate: parameters -> bytes and bytes -> parameters, from one description.

A template is compiled once from a profile's items. It has a fixed length, so that it can be found in a
stream of frames without knowing where messages begin (profiles/stream.py).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from profiles.errors import BadValue, NotKnown, TemplateError
from profiles.model import (
    Address,
    AddressItem,
    AnyItem,
    CheckItem,
    CounterItem,
    FieldItem,
    HexItem,
    PauseItem,
    TextItem,
    Value,
)
from profiles.parts import (
    AddressPart,
    AnyPart,
    CheckPart,
    ConstantPart,
    CounterPart,
    FieldPart,
    Given,
    Part,
    Typed,
)

__all__ = ["MOST_BYTES", "ByteTemplate", "Message", "Pause", "Reading"]

MOST_BYTES = 1024
"""The greatest length of a message."""

_DEPTH = 100
"""How many bytes of a half message are looked at one by one; see ``prefix_pattern``."""


@dataclass(frozen=True, slots=True)
class Pause:
    """Idle line inside a message."""

    before: int
    """Index of the byte that it stands before; the message's length for a pause at its end."""
    seconds: float


@dataclass(frozen=True, slots=True)
class Message:
    """What is to be sent."""

    data: bytes
    pauses: tuple[Pause, ...] = ()


@dataclass(frozen=True, slots=True)
class Reading:
    """What bytes said."""

    values: dict[str, Value] = field(default_factory=dict)
    """Each field's value, by name."""
    address: int | None = None
    """The address in the bytes; None where the template has none."""
    counters: dict[str, int] = field(default_factory=dict)


class ByteTemplate:
    """One message's description, for building, reading and finding it."""

    __slots__ = ("_checks", "_others", "parts", "pauses", "sets", "size")

    def __init__(self, parts: Sequence[Part], pauses: Sequence[Pause] = ()) -> None:
        self.parts = tuple(parts)
        self.pauses = tuple(pauses)
        checks: list[tuple[CheckPart, int, int]] = []
        others: list[tuple[ConstantPart | AddressPart | FieldPart | CounterPart, int, int]] = []
        start = 0
        for part in self.parts:
            stop = start + part.size
            if isinstance(part, CheckPart):
                checks.append((part, start, stop))
            elif isinstance(part, ConstantPart | AddressPart | FieldPart | CounterPart):
                others.append((part, start, stop))
            start = stop
        self.size = start
        """Bytes of every message of this template."""
        self._checks = tuple(checks)
        self._others = tuple(others)
        self.sets = tuple(s for part in self.parts for s in part.sets())
        """For each place the bytes that can stand there."""

    @classmethod
    def compile(
        cls,
        items: Sequence[Any],
        *,
        types: Mapping[str, Typed] | None = None,
        address: Address | None = None,
        sending: bool = False,
    ) -> ByteTemplate:
        """Build a template from a profile's items.

        Args:
            items: the items, as in profiles/model.py.
            types: what the fields are, by name; a field without one is a plain number (or its table's name).
            address: which addresses the profile has; needed where an item is an address.
            sending: whether it is to be sent: then ``any`` is refused, else ``pause_ms`` is.

        Raises:
            TemplateError: it can't be built; ``index`` is the item at fault.
        """
        parts: list[Part] = []
        pauses: list[Pause] = []
        size = 0
        for index, item in enumerate(items):
            try:
                if isinstance(item, PauseItem):
                    if not sending:
                        raise TemplateError("a pause can only be sent, not matched", todo="leave it out here")
                    pauses.append(Pause(size, item.pause_ms / 1000))
                    continue
                part = _part(item, types or {}, address, sending)
            except (TemplateError, NotKnown) as error:
                raise TemplateError(error.what, index=index, todo=error.todo) from error
            parts.append(part)
            size += part.size
        if not parts:
            raise TemplateError("has no bytes", todo="add at least one byte")
        if size > MOST_BYTES:
            raise TemplateError(f"is {size} bytes long", todo=f"a message has {MOST_BYTES} bytes at most")
        template = cls(parts, pauses)
        template._place_checks(items)
        return template

    def carried(self, field: str, value: Value) -> Value:
        """What a field's value is on the wire: where that has no number for it, the nearest that has.

        A field that has no place here, or more than one, keeps it as it is.

        Raises:
            BadValue: it can't be written.
        """
        places = [part for part in self.parts if isinstance(part, FieldPart) and part.name == field]
        return places[0].carried(value) if len(places) == 1 else value

    def _place_checks(self, items: Sequence[Any]) -> None:
        """Give every check the bytes that it covers, once all places are known."""
        indices = [index for index, item in enumerate(items) if isinstance(item, CheckItem)]
        for index, (part, start, stop) in zip(indices, self._checks, strict=True):
            first = part.first
            last = start - 1 if part.last is None else part.last
            if last >= self.size or first >= self.size:
                raise TemplateError(
                    f"covers bytes {first} to {last}, but the message has {self.size}",
                    index=index,
                    todo=f"use indices from 0 to {self.size - 1}",
                )
            if first > last:
                raise TemplateError(
                    f"covers nothing (from {first} to {last})", index=index, todo="put `from` before `to`"
                )
            if first < stop and last >= start:
                raise TemplateError(
                    f"covers itself: it stands at byte {start} and covers {first} to {last}",
                    index=index,
                    todo=f"end it with `to = {start - 1}`"
                    if start > first
                    else f"begin it with `from = {stop}`",
                )
            if any(first < end and last >= begin for _, begin, end in self._checks if begin > start):
                raise TemplateError(
                    "covers a check that comes after it, and so can't be worked out in order",
                    index=index,
                    todo="let it end before the other check",
                )
            if part.over == "hex-text" and (last + 1 - first) % 2:
                raise TemplateError(
                    f"covers {last + 1 - first} hexadecimal digits, which are no whole bytes",
                    index=index,
                    todo="cover an even number of digits",
                )
            part.covered = slice(first, last + 1)

    @property
    def fields(self) -> tuple[FieldPart, ...]:
        """The fields, in their order."""
        return tuple(part for part in self.parts if isinstance(part, FieldPart))

    @property
    def addressed(self) -> bool:
        """Whether a unit's address is in it."""
        return any(isinstance(part, AddressPart) for part in self.parts)

    @property
    def checked(self) -> bool:
        """Whether a check guards it."""
        return bool(self._checks)

    @property
    def counters(self) -> tuple[CounterPart, ...]:
        """The counters, in their order."""
        return tuple(part for part in self.parts if isinstance(part, CounterPart))

    def build(
        self,
        values: Mapping[str, Value] | None = None,
        *,
        address: int | None = None,
        counters: Mapping[str, int] | None = None,
    ) -> Message:
        """The message's bytes.

        Args:
            values: a value for each field.
            address: the unit's address, where the template has one.
            counters: a number for each counter; a counter without one takes its start.

        Raises:
            BadValue: a value is missing, unknown, or can't be written.
        """
        given = Given(values or {}, address, counters or {})
        unknown = given.values.keys() - {part.name for part in self.fields}
        if unknown:
            raise BadValue(f"no field is called {', '.join(sorted(unknown))}")
        data = bytearray(self.size)
        for part, start, stop in self._others:
            data[start:stop] = part.build(given)
        for check, start, stop in self._checks:
            data[start:stop] = check.check_bytes(data)
        return Message(bytes(data), self.pauses)

    def read(self, data: bytes) -> Reading | None:
        """What ``data`` says, or None where it is no message of this template.

        What stands twice (a field, a counter, the address) must say the same twice.
        """
        if len(data) != self.size:
            return None
        reading = Reading()
        address: int | None = None
        for part, start, stop in self._others:
            piece = data[start:stop]
            if isinstance(part, ConstantPart):
                if piece != part.data:
                    return None
            elif isinstance(part, AddressPart):
                found = part.read(piece)
                if found is None or (address is not None and address != found):
                    return None
                address = found
            elif isinstance(part, FieldPart):
                value = part.read(piece)
                if value is None or reading.values.setdefault(part.name, value) != value:
                    return None
            else:
                number = part.read(piece)
                if number is None or reading.counters.setdefault(part.name, number) != number:
                    return None
        for check, start, stop in self._checks:
            if not check.holds(data, data[start:stop]):
                return None
        return reading if address is None else Reading(reading.values, address, reading.counters)

    @property
    def pattern(self) -> bytes:
        """A regular expression that every message of this template matches (checks are not in it)."""
        return b"".join(_byte_class(s) for s in self.sets)

    @property
    def prefix_pattern(self) -> bytes:
        """A regular expression for the beginning of such a message, one byte at least, at the end of data."""
        classes = [_byte_class(s) for s in self.sets[:_DEPTH]]
        # Expressions can't be nested for ever: what is past the depth is taken for a half message whatever
        # it says, until the bytes are there to tell.
        unseen = max(0, self.size - 1 - _DEPTH)
        nested = rb"[\x00-\xff]{0,%d}" % unseen if unseen else b""
        for byte_class in reversed(classes[1 : self.size - 1]):
            nested = b"(?:" + byte_class + nested + b")?"
        return classes[0] + nested + rb"\Z"

    def narrower_than(self, other: ByteTemplate) -> bool:
        """Whether it matches less than ``other`` of the same length, going by the bytes alone."""
        if self.size != other.size or self.sets == other.sets:
            return False
        return all(mine <= theirs for mine, theirs in zip(self.sets, other.sets, strict=True))

    def overlaps(self, other: ByteTemplate) -> bool:
        """Whether some bytes could be a message of both, as far as that can be told from each place."""
        if self.size != other.size:
            return False
        if any(not mine & theirs for mine, theirs in zip(self.sets, other.sets, strict=True)):
            return False
        mine_checks = [(start, part.identity) for part, start, _ in self._checks]
        theirs_checks = [(start, part.identity) for part, start, _ in other._checks]
        return mine_checks == theirs_checks or not (mine_checks and theirs_checks)


def _part(item: Any, types: Mapping[str, Typed], address: Address | None, sending: bool) -> Part:
    match item:
        case HexItem():
            return ConstantPart(bytes.fromhex(item.hex))
        case TextItem():
            return ConstantPart(item.text.encode("latin-1"))
        case AddressItem():
            if address is None:
                raise TemplateError(
                    "is an address, but the profile has none", todo="add `[address]` with `range = [1, 15]`"
                )
            return AddressPart.compile(item, address)
        case FieldItem():
            return FieldPart.compile(item, types.get(item.field))
        case CounterItem():
            return CounterPart.compile(item)
        case CheckItem():
            return CheckPart.compile(item)
        case AnyItem():
            if sending:
                raise TemplateError("`any` can't be sent", todo="write the bytes, or a field")
            return AnyPart(item.any)
        case _:
            raise TemplateError(f"is no item: {item!r}")


def _byte_class(allowed: frozenset[int]) -> bytes:
    """The regular expression for one byte out of a set."""
    if len(allowed) == 256:
        return rb"[\x00-\xff]"
    if len(allowed) == 1:
        return re.escape(bytes(allowed))
    return b"[" + b"".join(rb"\x%02x" % byte for byte in sorted(allowed)) + b"]"
