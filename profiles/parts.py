"""The parts of a byte template: each knows its bytes, its reading, and what can stand in its places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

from profiles.checksums import Check, find_check
from profiles.coding import NumberCoding
from profiles.errors import BadValue, TemplateError
from profiles.model import Address, AddressItem, CheckItem, CounterItem, FieldItem, Value, ValueType

__all__ = [
    "AddressPart",
    "AnyPart",
    "CheckPart",
    "ConstantPart",
    "CounterPart",
    "FieldPart",
    "Given",
    "Part",
    "Typed",
]

_ANY = frozenset(range(256))


class Typed(Protocol):
    """What a field needs to know of the parameter or state behind it."""

    @property
    def type(self) -> ValueType:
        """The kind of value."""

    @property
    def range(self) -> tuple[float, float] | None:
        """Least and greatest value."""

    def problem(self, value: Value) -> str | None:
        """Why a value can't be one of these, or None."""


@dataclass(frozen=True, slots=True)
class Given:
    """What a message is built from."""

    values: Mapping[str, Value]
    """A value for each field."""
    address: int | None
    """The unit's address, where there is one."""
    counters: Mapping[str, int]
    """The next number for each counter."""


class Part(Protocol):
    """One stretch of a message."""

    @property
    def size(self) -> int:
        """Bytes."""

    def sets(self) -> tuple[frozenset[int], ...]:
        """For each place the bytes that can stand there."""


@dataclass(frozen=True, slots=True)
class ConstantPart:
    """Bytes that are always the same."""

    data: bytes

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.data)

    def sets(self) -> tuple[frozenset[int], ...]:
        """One byte a place."""
        return tuple(frozenset((byte,)) for byte in self.data)

    def build(self, _given: Given) -> bytes:
        """The bytes."""
        return self.data


@dataclass(frozen=True, slots=True)
class AnyPart:
    """Bytes that can be anything; never sent."""

    size: int

    def sets(self) -> tuple[frozenset[int], ...]:
        """All bytes."""
        return (_ANY,) * self.size


def _number_sets(number: NumberCoding, raws: frozenset[int] | None) -> tuple[frozenset[int], ...]:
    """For each place what can stand there: worked out exactly where the raw numbers are few."""
    if raws is None or len(raws) > 4096:
        return (number.alphabet,) * number.size
    written = [number.write(raw) for raw in raws]
    if number.coding == "hex-text":  # read in either case
        written += [data.lower() for data in written]
    return tuple(frozenset(data[place] for data in written) for place in range(number.size))


@dataclass(frozen=True, slots=True)
class AddressPart:
    """A unit's address."""

    number: NumberCoding
    offset: int
    addresses: frozenset[int]

    @classmethod
    def compile(cls, item: AddressItem, address: Address) -> AddressPart:
        """From a profile's item.

        Raises:
            TemplateError: an address of the profile does not fit.
        """
        low, high = address.range
        known = set(range(low, min(high, low + 4095) + 1))
        if address.all is not None:
            known.add(address.all)
        number = NumberCoding(item.address, item.coding, item.order)
        for value in (min(known), max(known)):
            if not number.least <= value + item.offset <= number.greatest:
                raise TemplateError(
                    f"address {value} does not fit {item.address} byte(s) of {item.coding}",
                    todo="give it more bytes, or the profile a smaller range",
                )
        return cls(number, item.offset, frozenset(known))

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    def sets(self) -> tuple[frozenset[int], ...]:
        """What the profile's addresses look like."""
        return _number_sets(self.number, frozenset(a + self.offset for a in self.addresses))

    def build(self, given: Given) -> bytes:
        """The address's bytes."""
        address = given.address
        if address is None:
            raise BadValue("needs a unit's address", todo="give the unit an `address` in the site file")
        if address not in self.addresses:
            raise BadValue(f"{address} is no address of this profile")
        return self.number.write(address + self.offset)

    def read(self, data: bytes) -> int | None:
        """The address, or None where it is none of the profile's."""
        raw = self.number.read(data)
        return raw - self.offset if raw is not None and raw - self.offset in self.addresses else None


@dataclass(frozen=True, slots=True)
class FieldPart:
    """A value that changes from message to message."""

    name: str
    number: NumberCoding
    scale: float
    offset: float
    by_value: dict[Value, int] | None
    """The table, from value to raw number."""
    by_raw: dict[int, Value] | None
    typed: Typed | None

    @classmethod
    def compile(cls, item: FieldItem, typed: Typed | None) -> FieldPart:
        """From a profile's item and what its parameter or state says of it.

        Raises:
            TemplateError: its values can't all be written as it says.
        """
        number = NumberCoding(item.size, item.coding, item.order, item.signed)
        table = _table(item, typed)
        part = cls(
            item.field,
            number,
            item.scale,
            item.offset,
            table,
            {raw: value for value, raw in table.items()} if table is not None else None,
            typed,
        )
        if table is not None and part.by_raw is not None and len(part.by_raw) != len(table):
            raise TemplateError("has a table that gives two values the same number")
        part._check_ends()
        return part

    def _check_ends(self) -> None:
        """The ends of the range and every value of the table must fit the wire."""
        ends: list[Value] = list(self.by_value or ())
        if self.by_value is None and self.typed and self.typed.range:
            ends = [_plain(self.typed, end) for end in self.typed.range]
        for value in ends:
            try:
                self.number.write(self.raw(value))
            except BadValue as error:
                raise TemplateError(f"can't send {value!r}: {error.what}", todo=error.todo) from error

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    def sets(self) -> tuple[frozenset[int], ...]:
        """What its values look like, as narrow as it can be told."""
        if self.by_raw is not None:
            return _number_sets(self.number, frozenset(self.by_raw))
        if self.typed and self.typed.type is ValueType.BOOLEAN:
            return _number_sets(self.number, frozenset((0, 1)))
        if self.typed and self.typed.range:
            low, high = (self.raw(_plain(self.typed, end)) for end in self.typed.range)
            if high - low <= 4096:
                return _number_sets(self.number, frozenset(range(low, high + 1)))
        return _number_sets(self.number, None)

    def raw(self, value: Value) -> int:
        """The number on the wire for ``value``.

        Raises:
            BadValue: it has none.
        """
        if self.by_value is not None:
            if value not in self.by_value or isinstance(value, bool) != any(
                isinstance(known, bool) for known in self.by_value
            ):
                raise BadValue(
                    f"{self.name} can't be {value!r}",
                    todo=f"use one of {', '.join(str(known) for known in self.by_value)}",
                )
            return self.by_value[value]
        if isinstance(value, str):
            raise BadValue(f"{self.name} can't be {value!r}", todo="write a number")
        raw = round((value - self.offset) / self.scale)
        # Rounding to the wire's step must not leave the range that the value itself keeps.
        if self.typed and self.typed.range:
            low, high = self.typed.range
            tolerance = self.scale * 1e-9
            if raw * self.scale + self.offset > high + tolerance:
                raw -= 1
            elif raw * self.scale + self.offset < low - tolerance:
                raw += 1
        return raw

    def build(self, given: Given) -> bytes:
        """The value's bytes."""
        if self.name not in given.values:
            raise BadValue(f"{self.name} is missing", todo=f"give it as {self.name}=...")
        value = given.values[self.name]
        problem = self.typed.problem(value) if self.typed else None
        if problem:
            raise BadValue(f"{self.name} {problem}, not {value!r}")
        return self.number.write(self.raw(value))

    def read(self, data: bytes) -> Value | None:
        """The value, or None where the bytes are none that it can have."""
        raw = self.number.read(data)
        if raw is None:
            return None
        if self.by_raw is not None:
            return self.by_raw.get(raw)
        value: Value = raw * self.scale + self.offset if self.scale != 1 or self.offset else raw
        if self.typed:
            if self.typed.type is ValueType.BOOLEAN:
                return {0: False, 1: True}.get(raw)
            if self.typed.type is ValueType.INTEGER and isinstance(value, float):
                if not value.is_integer():
                    return None
                value = int(value)
            elif self.typed.type is ValueType.FLOAT:
                value = round(float(value), 12)
            if self.typed.problem(value):
                return None
        return value


def _plain(typed: Typed, end: float) -> Value:
    return int(end) if typed.type is ValueType.INTEGER else end


def _table(item: FieldItem, typed: Typed | None) -> dict[Value, int] | None:
    """The item's table with its values in the type that the parameter has.

    Raises:
        TemplateError: the table and the parameter's type don't go together.
    """
    if item.table is None:
        if typed and typed.type in (ValueType.ENUM, ValueType.TEXT):
            raise TemplateError(
                f"is of type {typed.type}, but says nowhere which number each value is",
                todo="add a `table` such as { one = 1, two = 2 }",
            )
        return None
    if isinstance(item.table, list):
        return dict(enumerate(item.table))
    kind = typed.type if typed else ValueType.ENUM
    table: dict[Value, int] = {}
    for name, raw in item.table.items():
        key: Value = name
        if kind is ValueType.BOOLEAN:
            if name not in ("true", "false"):
                raise TemplateError(f"has {name!r} in the table of a boolean", todo="use `true` and `false`")
            key = name == "true"
        elif kind is ValueType.INTEGER:
            try:
                key = int(name)
            except ValueError:
                raise TemplateError(f"has {name!r} in the table of an integer", todo="use numbers") from None
        if typed and (problem := typed.problem(key)):
            raise TemplateError(f"has {name!r} in its table, which {problem}")
        table[key] = raw
    return table


@dataclass(frozen=True, slots=True)
class CounterPart:
    """A number that goes up by one with each message."""

    name: str
    number: NumberCoding
    start: int
    wrap: int
    per: Literal["bus", "unit"]

    @classmethod
    def compile(cls, item: CounterItem) -> CounterPart:
        """From a profile's item.

        Raises:
            TemplateError: it counts further than its bytes can say.
        """
        number = NumberCoding(item.size, order=item.order)
        wrap = number.greatest + 1 if item.wrap is None else item.wrap
        if wrap > number.greatest + 1:
            raise TemplateError(
                f"counts to {wrap - 1}, which {item.size} byte(s) can't say",
                todo=f"use `wrap` of at most {number.greatest + 1}",
            )
        if item.start >= wrap:
            raise TemplateError(f"starts at {item.start}, past its wrap at {wrap}")
        return cls(item.counter, number, item.start, wrap, item.per)

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    def sets(self) -> tuple[frozenset[int], ...]:
        """What its numbers look like."""
        return _number_sets(self.number, frozenset(range(self.wrap)) if self.wrap <= 4096 else None)

    def build(self, given: Given) -> bytes:
        """The number's bytes."""
        return self.number.write(given.counters.get(self.name, self.start) % self.wrap)

    def read(self, data: bytes) -> int | None:
        """The number, or None where it is past the wrap."""
        number = self.number.read(data)
        return number if number is not None and number < self.wrap else None


@dataclass(slots=True)
class CheckPart:
    """A check over other bytes of the message."""

    check: Check
    first: int
    last: int | None
    order: Literal["big", "little"]
    coding: Literal["binary", "hex-text"]
    over: Literal["bytes", "hex-text"]
    covered: slice = field(default_factory=lambda: slice(0, 0))
    """Set once all places are known."""

    @classmethod
    def compile(cls, item: CheckItem) -> CheckPart:
        """From a profile's item.

        Raises:
            NotKnown: there is no such check.
        """
        return cls(find_check(item.check), item.from_, item.to, item.order, item.coding, item.over)

    @property
    def size(self) -> int:
        """Bytes."""
        return self.check.size * (2 if self.coding == "hex-text" else 1)

    @property
    def identity(self) -> tuple[object, ...]:
        """What two checks must share to be the same."""
        return self.check.name, self.covered.start, self.covered.stop, self.order, self.coding, self.over

    def sets(self) -> tuple[frozenset[int], ...]:
        """Any byte, or any hexadecimal digit."""
        number = NumberCoding(self.size, "hex-text" if self.coding == "hex-text" else "binary")
        return (number.alphabet,) * self.size

    def check_bytes(self, data: bytes | bytearray) -> bytes:
        """The check's bytes for a message whose other bytes stand.

        Raises:
            BadValue: the covered bytes should be hexadecimal digits and are not.
        """
        covered = bytes(data[self.covered])
        if self.over == "hex-text":
            try:
                covered = bytes.fromhex(covered.decode("latin-1"))
            except ValueError:
                raise BadValue(f"the bytes that {self.check.name} covers are no hexadecimal digits") from None
        result = self.check.compute(covered).to_bytes(self.check.size, self.order)
        return result.hex().upper().encode("ascii") if self.coding == "hex-text" else result

    def holds(self, data: bytes, found: bytes) -> bool:
        """Whether ``found`` is the right check of ``data``."""
        try:
            return self.check_bytes(data) == (found.upper() if self.coding == "hex-text" else found)
        except BadValue:
            return False
