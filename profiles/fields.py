"""The part of a byte template that carries a value: a parameter's, or one that was observed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from profiles.coding import MOST_TRIED, NumberCoding
from profiles.errors import BadValue, TemplateError
from profiles.model import FieldItem, Value, ValueType

__all__ = ["FieldPart", "Typed"]


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
        if typed and typed.type is ValueType.BOOLEAN and (item.scale, item.offset) != (1, 0):
            raise TemplateError(
                "is true or false, and has a scale", todo="use a table { true = 1, false = 0 }"
            )
        by_raw: dict[int, Value] | None = None
        if table is not None:
            by_raw = {raw: value for value, raw in table.items()}
            if len(by_raw) != len(table):
                raise TemplateError("has a table that gives two values the same number")
        part = cls(item.field, number, item.scale, item.offset, table, by_raw, typed)
        part._check_ends()
        return part

    def _check_ends(self) -> None:
        """The ends of the range and every value of the table must fit the wire."""
        ends: list[Value] = list(self.by_value or ())
        if self.by_value is None and self.typed and self.typed.range:
            low, high = self.typed.range
            if low > high:
                raise TemplateError(f"has a range from {low:g} down to {high:g}", todo="put the least first")
            ends = [_plain(self.typed, low), _plain(self.typed, high)]
        for value in ends:
            try:
                raw = self.raw(value)
                self.number.write(raw)
            except BadValue as error:
                raise TemplateError(f"can't send {value!r}: {error.what}", todo=error.todo) from error
            if self.by_value is None and self.typed and self.typed.problem(self._scaled(raw)):
                raise TemplateError(
                    f"can't send {value!r}: no number on the wire says it",
                    todo="look at `scale` and `offset`, and at the range",
                )

    @property
    def size(self) -> int:
        """Bytes."""
        return self.number.size

    @property
    def _unscaled(self) -> bool:
        """Whether the number on the wire is the value itself."""
        return self.scale == 1 and self.offset == 0

    def sets(self) -> tuple[frozenset[int], ...]:
        """What its values look like, as narrow as it can be told."""
        if self.by_raw is not None:
            return self.number.places(frozenset(self.by_raw))
        if self.typed and self.typed.type is ValueType.BOOLEAN:
            return self.number.places(frozenset((0, 1)))
        if self.typed and self.typed.range:
            low, high = (self.raw(_plain(self.typed, end)) for end in self.typed.range)
            if high - low < MOST_TRIED:
                return self.number.places(frozenset(range(low, high + 1)))
        return self.number.places()

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
        try:
            # Whole numbers stay whole: as a binary fraction, one past 2^53 would be another one.
            raw = round(value if self._unscaled else (value - self.offset) / self.scale)
        except OverflowError:
            raise BadValue(f"{self.name} can't be so great a number") from None
        # Rounding to the wire's step must not leave the range that the value itself keeps.
        if self.typed and self.typed.range:
            low, high = self.typed.range
            tolerance = self.scale * 1e-9
            if raw * self.scale + self.offset > high + tolerance:
                raw -= 1
            elif raw * self.scale + self.offset < low - tolerance:
                raw += 1
        return raw

    def carried(self, value: Value) -> Value:
        """What is read where ``value`` was written.

        Raises:
            BadValue: it has no number on the wire.
        """
        raw = self.raw(value)
        if self.by_value is not None:
            return value
        carried = self._scaled(raw)
        same = carried == value or bool(self.typed and self.typed.problem(carried))
        return value if same else carried

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
        if self.typed and self.typed.type is ValueType.BOOLEAN:
            return {0: False, 1: True}.get(raw)
        value = self._scaled(raw)
        return None if self.typed and self.typed.problem(value) else value

    def _scaled(self, raw: int) -> Value:
        """The value that a number on the wire says, where no table says it."""
        if self._unscaled:
            value: int | float = raw
        else:
            # Decimal fractions are meant, not their nearest binary ones: 3 and not 3.0000000000000004.
            value = round(raw * self.scale + self.offset, 9)
            whole = self.typed.type is ValueType.INTEGER if self.typed else self.scale.is_integer()
            if whole and value.is_integer():
                value = int(value)
        return float(value) if self.typed and self.typed.type.fractional else value


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
    if not item.table:
        raise TemplateError(
            "has an empty table", todo="add a value, such as { one = 1 }, or leave the table out"
        )
    if isinstance(item.table, list):
        if typed and typed.type is not ValueType.INTEGER:
            raise TemplateError(
                f"has a list of numbers, but is of type {typed.type}",
                todo="use a table such as { one = 1, two = 2 }",
            )
        return dict(enumerate(item.table))
    kind = typed.type if typed else None
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
