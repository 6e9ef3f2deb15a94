"""A template's fields: values to numbers on the wire and back, by scale, by table and by type."""

from __future__ import annotations

import re
from typing import Any

import pytest

from profiles.errors import BadValue, TemplateError
from profiles.model import Address, AddressItem, CounterItem, FieldItem, HexItem, Parameter, Value, ValueType
from profiles.template import ByteTemplate

WHOLE = Parameter(type=ValueType.INTEGER)
REAL = Parameter(type=ValueType.FLOAT)
SWITCH = Parameter(type=ValueType.BOOLEAN)
KINDS = Parameter(type=ValueType.ENUM, values=("a", "b"))


def made(typed: Parameter | None = None, **keys: Any) -> ByteTemplate:
    types = {} if typed is None else {"x": typed}
    return ByteTemplate.compile([FieldItem(field="x", **keys)], types=types)


def said(template: ByteTemplate, data: str) -> Value | None:
    reading = template.read(bytes.fromhex(data))
    return None if reading is None else reading.values["x"]


def check_both_ways(template: ByteTemplate, value: Value, data: str) -> None:
    """The value's bytes, and the value and its type back from them."""
    assert template.build({"x": value}).data == bytes.fromhex(data)
    found = said(template, data)
    assert (found, type(found)) == (value, type(value))


@pytest.mark.parametrize(
    ("typed", "keys", "value", "data"),
    # Worked out by hand: raw number = (value - offset) / scale.
    [
        (None, {}, 7, "07"),
        (None, {"scale": 0.5}, 3.5, "07"),
        (None, {"scale": 0.5}, 3.0, "06"),
        (None, {"scale": 2.0}, 14, "07"),
        (None, {"offset": -10.0}, -3, "07"),
        (WHOLE, {"scale": 0.5}, 3, "06"),
        (WHOLE, {"offset": 5.0}, 12, "07"),
        (REAL, {}, 7.0, "07"),
        (REAL, {"scale": 0.5}, 3.5, "07"),
        (REAL, {"scale": 0.1, "offset": -10.0}, -9.3, "07"),
        (SWITCH, {}, True, "01"),
        (SWITCH, {}, False, "00"),
        (SWITCH, {"table": {"true": 0x55, "false": 0xAA}}, True, "55"),
        (SWITCH, {"table": {"true": 0x55, "false": 0xAA}}, False, "AA"),
        (KINDS, {"table": {"a": 4, "b": 9}}, "b", "09"),
        (WHOLE, {"table": {"1": 0x31, "12": 0x42}}, 12, "42"),
        (WHOLE, {"table": [0x10, 0x20, 0x40]}, 2, "40"),
        (None, {"table": {"7": 1}}, "7", "01"),
        (None, {"table": [5, 6]}, 1, "06"),
        (WHOLE, {"size": 2, "order": "little"}, 0x1234, "34 12"),
        (WHOLE, {"size": 1, "signed": True}, -1, "FF"),
        (WHOLE, {"size": 2, "coding": "bcd"}, 1234, "12 34"),
        # 2^53 + 1, the first whole number that a binary fraction of 53 bits (IEEE 754) can't say.
        (WHOLE, {"size": 8}, 9007199254740993, "00 20 00 00 00 00 00 01"),
        (None, {"size": 8}, 9007199254740993, "00 20 00 00 00 00 00 01"),
        (REAL, {"scale": 1e-9}, 7e-9, "07"),
        # 1/1024 has ten decimals, and nine of them are told.
        (REAL, {"scale": 0.0009765625}, 0.000976562, "01"),
    ],
)
def test_a_value_and_its_bytes(typed: Parameter | None, keys: Any, value: Value, data: str) -> None:
    template = made(typed, **keys)
    assert [field.size for field in template.fields] == [len(bytes.fromhex(data))]
    check_both_ways(template, value, data)


@pytest.mark.parametrize(
    ("typed", "keys", "data"),
    [
        (SWITCH, {}, "02"),
        (SWITCH, {"table": {"true": 0x55, "false": 0xAA}}, "01"),
        (KINDS, {"table": {"a": 4, "b": 9}}, "05"),
        (WHOLE, {"scale": 0.5}, "07"),
        (WHOLE, {"coding": "bcd"}, "1A"),
        (WHOLE, {"coding": "bcd", "scale": 0.5}, "1A"),
        (Parameter(type=ValueType.INTEGER, range=(3, 9)), {}, "0A"),
        (Parameter(type=ValueType.INTEGER, range=(3, 9)), {}, "02"),
    ],
)
def test_bytes_that_say_no_value(typed: Parameter, keys: Any, data: str) -> None:
    assert made(typed, **keys).read(bytes.fromhex(data)) is None


@pytest.mark.parametrize(
    ("typed", "keys", "value", "words", "todo"),
    [
        (None, {}, "loud", "x can't be 'loud'", "write a number"),
        (None, {}, float("inf"), "x can't be so great a number", ""),
        (None, {"table": {"a": 4, "b": 9}}, "c", "x can't be 'c'", "use one of a, b"),
        # 1 is no truth value, though it is the same to Python; nor is true a number.
        (None, {"table": [4, 9]}, True, "x can't be True", "use one of 0, 1"),
        (SWITCH, {"table": {"true": 4, "false": 9}}, 1, "x must be true or false, not 1", ""),
        (None, {"signed": True}, 128, "128 does not fit 1 byte of binary", "the wire takes -128 to 127"),
    ],
)
def test_a_value_that_can_not_be_sent(
    typed: Parameter | None, keys: Any, value: Value, words: str, todo: str
) -> None:
    with pytest.raises(BadValue) as caught:
        made(typed, **keys).build({"x": value})
    assert (caught.value.what, caught.value.todo) == (words, todo)


def test_a_value_that_is_missing_is_told_how_to_give_it() -> None:
    with pytest.raises(BadValue) as caught:
        made().build()
    assert (caught.value.what, caught.value.todo) == ("x is missing", "give it as x=...")
    with pytest.raises(BadValue, match=r"^no field is called y, z$"):
        made().build({"x": 1, "z": 2, "y": 3})


@pytest.mark.parametrize(
    ("span", "scale", "offset", "value", "data"),
    [
        # Rounding to the nearest step would leave the range; the value is one step inside it then.
        ((0, 101), 3.0, 0.0, 101, "21"),
        ((10, 111), 3.0, 10.0, 111, "21"),
        ((1, 100), 3.0, 0.0, 1, "01"),
        ((-9, 100), 3.0, -10.0, -9, "01"),
        ((2, 100), 3.0, 0.0, 4, "01"),
        ((0, 25), 0.1, 0.0, 25, "FA"),
        ((0.1, 0.3), 0.1, 0.0, 0.3, "03"),
    ],
)
def test_a_value_is_rounded_into_the_range(
    span: tuple[float, float], scale: float, offset: float, value: float, data: str
) -> None:
    template = made(Parameter(type=ValueType.FLOAT, range=span), scale=scale, offset=offset)
    assert template.build({"x": value}).data == bytes.fromhex(data)


@pytest.mark.parametrize(
    ("typed", "keys", "places"),
    [
        (WHOLE, {}, [range(256)]),
        (SWITCH, {}, [(0, 1)]),
        (KINDS, {"table": {"a": 4, "b": 9}}, [(4, 9)]),
        (Parameter(type=ValueType.INTEGER, range=(3, 9)), {}, [range(3, 10)]),
        (Parameter(type=ValueType.INTEGER, range=(0, 4)), {"scale": 0.5}, [range(9)]),
        (Parameter(type=ValueType.INTEGER, range=(0, 4095)), {"size": 2}, [range(16), range(256)]),
        (Parameter(type=ValueType.INTEGER, range=(0, 4096)), {"size": 2}, [range(256), range(256)]),
        (Parameter(type=ValueType.INTEGER, range=(0, 2**32 - 1)), {"size": 4}, [range(256)] * 4),
        (Parameter(type=ValueType.INTEGER, range=(7, 7)), {}, [(7,)]),
        (Parameter(type=ValueType.INTEGER, range=(4000, 4003)), {"size": 2}, [(0x0F,), range(0xA0, 0xA4)]),
        (Parameter(type=ValueType.FLOAT, range=(0.5, 2.5)), {"scale": 0.5}, [range(1, 6)]),
    ],
)
def test_what_can_stand_in_a_fields_places(typed: Parameter, keys: Any, places: list[Any]) -> None:
    assert made(typed, **keys).sets == tuple(frozenset(place) for place in places)


@pytest.mark.parametrize(
    ("item", "typed", "words", "todo"),
    [
        ({"scale": 2.0}, SWITCH, "is true or false, and has a scale", "use a table { true = 1, false = 0 }"),
        ({"offset": 1.0}, SWITCH, "is true or false, and has a scale", "use a table { true = 1, false = 0 }"),
        ({"table": {"a": 1, "b": 1}}, None, "has a table that gives two values the same number", ""),
        (
            {},
            Parameter(type=ValueType.INTEGER, range=(5, 1)),
            "has a range from 5 down to 1",
            "put the least first",
        ),
        (
            {"scale": 10.0},
            Parameter(type=ValueType.INTEGER, range=(1, 2)),
            "can't send 1: no number on the wire says it",
            "look at `scale` and `offset`, and at the range",
        ),
        (
            {},
            Parameter(type=ValueType.INTEGER, range=(-1, 5)),
            "can't send -1: -1 does not fit 1 byte of binary",
            "the wire takes 0 to 255",
        ),
        (
            {},
            Parameter(type=ValueType.INTEGER, range=(0, 256)),
            "can't send 256: 256 does not fit 1 byte of binary",
            "the wire takes 0 to 255",
        ),
        (
            {"table": [0, 300]},
            WHOLE,
            "can't send 1: 300 does not fit 1 byte of binary",
            "the wire takes 0 to 255",
        ),
        (
            {},
            KINDS,
            "is of type enum, but says nowhere which number each value is",
            "add a `table` such as { one = 1, two = 2 }",
        ),
        (
            {},
            Parameter(type=ValueType.TEXT),
            "is of type text, but says nowhere which number each value is",
            "add a `table` such as { one = 1, two = 2 }",
        ),
        (
            {"table": []},
            None,
            "has an empty table",
            "add a value, such as { one = 1 }, or leave the table out",
        ),
        (
            {"table": [1, 2]},
            SWITCH,
            "has a list of numbers, but is of type boolean",
            "use a table such as { one = 1, two = 2 }",
        ),
        (
            {"table": {"yes": 1}},
            SWITCH,
            "has 'yes' in the table of a boolean",
            "use `true` and `false`",
        ),
        ({"table": {"one": 1}}, WHOLE, "has 'one' in the table of an integer", "use numbers"),
        ({"table": {"c": 1}}, KINDS, "has 'c' in its table, which must be one of a, b", ""),
    ],
)
def test_a_field_that_can_not_be(item: Any, typed: Parameter | None, words: str, todo: str) -> None:
    types = {} if typed is None else {"x": typed}
    items = [HexItem(hex="A5"), FieldItem(field="x", **item)]
    with pytest.raises(TemplateError) as caught:
        ByteTemplate.compile(items, types=types)
    assert (caught.value.what, caught.value.todo, caught.value.index) == (words, todo, 1)


# Addresses and counters


@pytest.mark.parametrize(
    ("keys", "span", "to_all", "places"),
    [
        ({"address": 1}, (1, 4), None, [range(1, 5)]),
        ({"address": 1}, (1, 4), 0, [range(5)]),
        ({"address": 1}, (1, 2), 255, [(1, 2, 255)]),
        ({"address": 1, "offset": 0x30}, (1, 4), None, [range(0x31, 0x35)]),
        ({"address": 2}, (255, 256), None, [(0, 1), (255, 0)]),
        ({"address": 1, "offset": -1}, (1, 256), None, [range(256)]),
        ({"address": 2}, (0, 4095), None, [range(16), range(256)]),
    ],
)
def test_an_address_and_its_places(
    keys: Any, span: tuple[int, int], to_all: int | None, places: list[Any]
) -> None:
    template = ByteTemplate.compile([AddressItem(**keys)], address=Address(range=span, all=to_all))
    assert template.sets == tuple(frozenset(place) for place in places)
    for address in (*span, *(() if to_all is None else (to_all,))):
        data = template.build(address=address).data
        assert int.from_bytes(data, "big") == address + keys.get("offset", 0)
        reading = template.read(data)
        assert reading is not None
        assert (reading.address, reading.values, reading.counters) == (address, {}, {})
    for stranger in (span[0] - 1, span[1] + 1):
        if stranger != to_all:
            with pytest.raises(BadValue, match=f"^{stranger} is no address of this profile$"):
                template.build(address=stranger)


@pytest.mark.parametrize(
    ("keys", "span", "to_all", "words", "todo"),
    [
        (
            {"address": 1},
            (1, 256),
            None,
            "address 256 does not fit 1 byte(s) of binary",
            "give it more bytes, or the profile a smaller range",
        ),
        (
            {"address": 1, "offset": -2},
            (1, 3),
            None,
            "address 1 does not fit 1 byte(s) of binary",
            "give it more bytes, or the profile a smaller range",
        ),
        (
            {"address": 1},
            (1, 3),
            300,
            "address 300 does not fit 1 byte(s) of binary",
            "give it more bytes, or the profile a smaller range",
        ),
        (
            {"address": 2},
            (0, 4096),
            None,
            "has no addresses to choose from: the profile's range is 0 to 4096",
            "give `address.range` its least first, and 4096 addresses at most",
        ),
        (
            {"address": 1},
            (2, 1),
            None,
            "has no addresses to choose from: the profile's range is 2 to 1",
            "give `address.range` its least first, and 4096 addresses at most",
        ),
    ],
)
def test_an_address_that_can_not_be(
    keys: Any, span: tuple[int, int], to_all: int | None, words: str, todo: str
) -> None:
    with pytest.raises(TemplateError, match=re.escape(words)) as caught:
        ByteTemplate.compile([AddressItem(**keys)], address=Address(range=span, all=to_all))
    assert (caught.value.what, caught.value.todo) == (words, todo)


@pytest.mark.parametrize(
    ("keys", "data", "address"),
    [
        ({"coding": "bcd"}, "12", 12),
        ({"coding": "bcd"}, "1A", None),
        ({"coding": "bcd"}, "13", None),
        ({"offset": 48}, "3C", 12),
        ({"offset": 48}, "0C", None),
        ({"offset": 48}, "3D", None),
        ({"offset": 48}, "30", None),
    ],
)
def test_bytes_that_say_an_address_or_none(keys: Any, data: str, address: int | None) -> None:
    template = ByteTemplate.compile([AddressItem(address=1, **keys)], address=Address(range=(1, 12)))
    reading = template.read(bytes.fromhex(data))
    assert (reading is None) is (address is None)
    assert reading is None or reading.address == address


def test_an_address_that_is_not_given_is_told_where_to_put_it() -> None:
    template = ByteTemplate.compile([AddressItem(address=1)], address=Address(range=(1, 1)))
    with pytest.raises(BadValue) as caught:
        template.build()
    assert caught.value.what == "needs a unit's address"
    assert caught.value.todo == "give the unit an `address` in the site file"
    assert template.build(address=1).data == b"\x01"


def test_counters_are_told_with_how_they_count() -> None:
    items = [
        CounterItem(counter="n", size=2, start=1, wrap=300, per="unit", order="little"),
        CounterItem(counter="m"),
    ]
    template = ByteTemplate.compile(items)
    first, second = template.counters
    assert (first.name, first.start, first.wrap, first.per, first.size) == ("n", 1, 300, "unit", 2)
    assert (second.name, second.start, second.wrap, second.per, second.size) == ("m", 0, 256, "bus", 1)
    assert template.build(counters={"n": 299, "m": 256}).data == b"\x2b\x01\x00"
    reading = template.read(b"\x2b\x01\x07")
    assert reading is not None
    assert reading.counters == {"n": 299, "m": 7}
    assert template.read(b"\x2c\x01\x07") is None
    assert template.sets == (frozenset(range(256)), frozenset((0, 1)), frozenset(range(256)))


@pytest.mark.parametrize(
    ("keys", "words", "todo"),
    [
        ({"wrap": 257}, "counts to 256, which 1 byte(s) can't say", "use `wrap` of at most 256"),
        ({"start": 5, "wrap": 5}, "starts at 5, past its wrap at 5", ""),
        ({"start": 256}, "starts at 256, past its wrap at 256", ""),
    ],
)
def test_a_counter_that_can_not_be(keys: Any, words: str, todo: str) -> None:
    with pytest.raises(TemplateError) as caught:
        ByteTemplate.compile([CounterItem(counter="n", **keys)])
    assert (caught.value.what, caught.value.todo) == (words, todo)
    assert ByteTemplate.compile([CounterItem(counter="n", wrap=256, start=255)]).counters[0].wrap == 256


def test_a_counter_of_many_numbers_can_be_anything_in_its_places() -> None:
    for wrap, first in ((4096, 16), (4097, 256)):
        (high, low) = ByteTemplate.compile([CounterItem(counter="n", size=2, wrap=wrap)]).sets
        assert (len(high), len(low)) == (first, 256)
    assert ByteTemplate.compile([CounterItem(counter="n", size=4)]).sets == (frozenset(range(256)),) * 4
