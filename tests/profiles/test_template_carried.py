"""What a value is once it was written and read again: the nearest that the wire has a number for."""

from __future__ import annotations

from typing import Any

import pytest

from profiles.errors import BadValue
from profiles.model import FieldItem, HexItem, Parameter, Value, ValueType
from profiles.template import ByteTemplate

WHOLE = Parameter(type=ValueType.INTEGER)
REAL = Parameter(type=ValueType.FLOAT)
SWITCH = Parameter(type=ValueType.BOOLEAN)
KINDS = Parameter(type=ValueType.ENUM, values=("a", "b"))


def made(typed: Parameter | None, *, times: int = 1, **keys: Any) -> ByteTemplate:
    types = {} if typed is None else {"x": typed}
    return ByteTemplate.compile([HexItem(hex="A5"), *[FieldItem(field="x", **keys)] * times], types=types)


@pytest.mark.parametrize(
    ("typed", "keys", "value", "carried"),
    # Worked out by hand: the raw number is (value - offset) / scale, rounded, and back.
    [
        (REAL, {"size": 2, "scale": 0.001}, 12.3456, 12.346),
        (None, {"scale": 0.5}, 3.3, 3.5),
        (None, {}, 2.75, 3),
        (REAL, {"offset": 0.25}, 3.0, 3.25),
        # What is the same stays what it was: no 7.0 for a 7.
        (REAL, {}, 7, 7),
        (REAL, {"scale": 0.5}, 3.5, 3.5),
        # 2.5 is no whole number, so nothing better than what was given can be said.
        (WHOLE, {"scale": 2.5}, 3, 3),
        (SWITCH, {}, True, True),
        (SWITCH, {"table": {"true": 4, "false": 9}}, True, True),
        (KINDS, {"table": {"a": 4, "b": 9}}, "b", "b"),
        (None, {"table": [4, 9]}, 1, 1),
    ],
)
def test_a_value_as_the_wire_carries_it(
    typed: Parameter | None, keys: Any, value: Value, carried: Value
) -> None:
    found = made(typed, **keys).carried("x", value)
    assert (found, type(found)) == (carried, type(carried))


def test_a_field_that_has_no_place_or_two_keeps_its_value() -> None:
    assert made(None, scale=0.5).carried("y", 3.3) == 3.3
    assert made(None, times=2, scale=0.5).carried("x", 3.3) == 3.3


@pytest.mark.parametrize(
    ("typed", "keys", "value"), [(None, {}, "loud"), (KINDS, {"table": {"a": 4, "b": 9}}, "c")]
)
def test_a_value_that_has_no_number_is_told(typed: Parameter | None, keys: Any, value: Value) -> None:
    with pytest.raises(BadValue, match=f"^x can't be '{value}'; "):
        made(typed, **keys).carried("x", value)
