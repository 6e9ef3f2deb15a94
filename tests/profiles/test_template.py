"""Byte templates: built, read, refused."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from profiles.errors import BadValue, TemplateError
from profiles.model import (
    Address,
    AddressItem,
    AnyItem,
    CheckItem,
    CounterItem,
    FieldItem,
    HexItem,
    Parameter,
    PauseItem,
    TextItem,
    ValueType,
)
from profiles.template import MOST_BYTES, ByteTemplate, Pause
from tests.profiles.cases import Case, cases

ADDRESS = Address(range=(1, 15), all=0)
LEVEL = {"level": Parameter(type=ValueType.INTEGER, range=(0, 63))}


def check_item(**keys: Any) -> CheckItem:
    return CheckItem.model_validate({"from" if key == "from_" else key: value for key, value in keys.items()})


@given(cases())
def test_what_is_built_reads_back(case: Case) -> None:
    message = case.message()
    assert len(message.data) == case.template.size
    reading = case.template.read(message.data)
    assert reading is not None
    assert reading.values == case.values
    assert {name: type(value) for name, value in reading.values.items()} == {
        name: type(value) for name, value in case.values.items()
    }
    assert reading.address == case.address
    assert reading.counters == case.counters


@given(cases())
def test_what_is_read_builds_the_same_bytes(case: Case) -> None:
    data = case.message().data
    reading = case.template.read(data)
    assert reading is not None
    again = case.template.build(reading.values, address=reading.address, counters=reading.counters)
    assert again.data == data


@given(cases(), st.data())
def test_patterns_match_whole_and_half_messages(case: Case, data: st.DataObject) -> None:
    template, message = case.template, case.message().data
    assert re.fullmatch(template.pattern, message, re.DOTALL)
    if len(message) > 1:
        cut = data.draw(st.integers(1, len(message) - 1))
        assert re.compile(template.prefix_pattern, re.DOTALL).match(message[:cut])


@given(cases(), st.binary(max_size=40))
def test_any_bytes_are_read_or_not(case: Case, garbage: bytes) -> None:
    for data in (garbage, garbage[: case.template.size].ljust(case.template.size, b"\x41")):
        reading = case.template.read(data)
        if reading is None:
            continue
        again = case.template.build(reading.values, address=reading.address, counters=reading.counters).data
        # Hexadecimal digits are read in either case and written in one.
        assert again.upper() == data.upper()


@given(cases(), st.integers(0, 2000), st.integers(0, 7))
def test_a_turned_bit_under_a_crc_is_seen(case: Case, place: int, bit: int) -> None:
    size = case.template.size
    case.items.append(check_item(check="CRC-16/MODBUS", from_=0, to=size - 1))
    data = bytearray(case.message().data)
    data[place % size] ^= 1 << bit
    assert case.template.read(bytes(data)) is None


def test_the_example_of_the_contract() -> None:
    items = [HexItem(hex="A5"), AddressItem(address=1), HexItem(hex="01"), check_item(check="sum-8", from_=1)]
    template = ByteTemplate.compile(items, address=ADDRESS, sending=True)
    assert template.build(address=1).data == bytes.fromhex("A5010102")
    assert template.build(address=0).data == bytes.fromhex("A5000101")
    assert template.addressed


def test_pauses_stand_before_their_byte() -> None:
    items = [
        PauseItem(pause_ms=2),
        HexItem(hex="A5 01"),
        PauseItem(pause_ms=3.5),
        HexItem(hex="02"),
        PauseItem(pause_ms=1),
    ]
    message = ByteTemplate.compile(items, sending=True).build()
    assert message.data == bytes.fromhex("A50102")
    assert message.pauses == (Pause(0, 0.002), Pause(2, 0.0035), Pause(3, 0.001))


def test_a_check_in_the_middle_and_one_over_it() -> None:
    items = [
        HexItem(hex="01 02"),
        check_item(check="xor-8", from_=0, to=1),
        HexItem(hex="04"),
        check_item(check="sum-8", from_=0),
    ]
    assert ByteTemplate.compile(items, sending=True).build().data == bytes.fromhex("010203040A")


def test_a_check_over_what_hexadecimal_digits_say() -> None:
    items = [
        TextItem(text=":"),
        TextItem(text="0102"),
        check_item(check="sum-8", from_=1, over="hex-text", coding="hex-text"),
    ]
    template = ByteTemplate.compile(items, sending=True)
    assert template.build().data == b":010203"


def test_a_check_in_binary_is_no_letter_in_either_case() -> None:
    """The sum of one byte is that byte: A is no a, and a is no A."""
    template = ByteTemplate.compile([FieldItem(field="x"), check_item(check="sum-8", from_=0)])
    assert [template.read(data) is not None for data in (b"AA", b"aa", b"Aa", b"aA")] == [
        True,
        True,
        False,
        False,
    ]


def test_what_is_covered_must_be_digits() -> None:
    items = [FieldItem(field="a", size=2), check_item(check="sum-8", over="hex-text", coding="hex-text")]
    template = ByteTemplate.compile(items)
    assert template.read(b"0A0A") is not None
    assert template.read(b" A0A") is None
    with pytest.raises(BadValue, match="no hexadecimal digits"):
        template.build({"a": 0x2041})


@pytest.mark.parametrize("low_case", [b"41ab", b"41aB", b"41AB"])
def test_a_check_in_hexadecimal_digits_is_read_in_either_case(low_case: bytes) -> None:
    items = [HexItem(hex="34 31"), check_item(check="sum-8-twos", coding="hex-text", from_=0, to=1)]
    template = ByteTemplate.compile(items)
    digits = template.build().data[2:]
    assert template.read(b"41" + digits.lower()) is not None
    assert template.read(low_case) is None or low_case[2:].upper() == digits


@pytest.mark.parametrize(
    ("items", "index", "words"),
    [
        ([HexItem(hex="A5"), check_item(check="sum-8", from_=0, to=1)], 1, "covers itself"),
        ([check_item(check="sum-8", from_=0, to=1), HexItem(hex="A5")], 0, "covers itself"),
        ([HexItem(hex="A5"), check_item(check="sum-8", from_=1)], 1, "covers nothing"),
        ([check_item(check="sum-8"), HexItem(hex="A5")], 0, "covers nothing"),
        (
            [HexItem(hex="A5"), check_item(check="sum-8", to=7)],
            1,
            "covers bytes 0 to 7, but the message has 2",
        ),
        ([HexItem(hex="A5"), check_item(check="no-such")], 1, "no check is called"),
        (
            [
                check_item(check="sum-8", from_=1, to=2),
                HexItem(hex="A5"),
                check_item(check="sum-8", from_=1, to=1),
            ],
            0,
            "comes after it",
        ),
        ([TextItem(text="abc"), check_item(check="sum-8", over="hex-text")], 1, "no whole bytes"),
        ([AnyItem(any=2)], 0, "can't be sent"),
        ([HexItem(hex="A5"), FieldItem(field="level", coding="bcd", offset=100)], 1, "can't send"),
        ([FieldItem(field="level", table={})], 0, "empty table"),
        ([FieldItem(field="level", table={"1": 5, "2": 5})], 0, "the same number"),
        ([FieldItem(field="level", table={"one": 1})], 0, "table of an integer"),
        ([FieldItem(field="level", table={"99": 1})], 0, "from 0 to 63"),
        ([FieldItem(field="level", table={"1": 300})], 0, "does not fit"),
        ([FieldItem(field="kind")], 0, "which number each value is"),
        ([FieldItem(field="kind", table=[1, 2])], 0, "list of numbers"),
        ([FieldItem(field="on", table={"yes": 1})], 0, "table of a boolean"),
        ([FieldItem(field="on", scale=2)], 0, "has a scale"),
        ([FieldItem(field="narrow", scale=10)], 0, "no number on the wire"),
        ([FieldItem(field="reversed")], 0, "down to"),
        ([CounterItem(counter="n", wrap=300)], 0, "can't say"),
        ([CounterItem(counter="n", wrap=5, start=5)], 0, "past its wrap"),
        ([HexItem(hex="A5"), AddressItem(address=1, offset=250)], 1, "does not fit"),
        ([PauseItem(pause_ms=1)], None, "no bytes"),
        ([HexItem(hex="00" * MOST_BYTES), HexItem(hex="00")], None, "bytes long"),
    ],
)
def test_a_template_that_cannot_be_built(items: list[Any], index: int | None, words: str) -> None:
    types = {
        **LEVEL,
        "kind": Parameter(type=ValueType.ENUM, values=("a", "b")),
        "on": Parameter(type=ValueType.BOOLEAN),
        "narrow": Parameter(type=ValueType.INTEGER, range=(1, 2)),
        "reversed": Parameter(type=ValueType.INTEGER, range=(5, 1)),
    }
    with pytest.raises(TemplateError, match=re.escape(words)) as caught:
        ByteTemplate.compile(items, types=types, address=ADDRESS, sending=True)
    assert caught.value.index == index


@pytest.mark.parametrize(
    ("items", "address", "words"),
    [
        ([AddressItem(address=1)], None, "the profile has none"),
        ([AddressItem(address=1)], Address(range=(9, 1)), "no addresses to choose from"),
        ([AddressItem(address=2)], Address(range=(0, 9000)), "no addresses to choose from"),
        ([PauseItem(pause_ms=1), HexItem(hex="A5")], None, "can only be sent"),
    ],
)
def test_a_match_that_cannot_be_built(items: list[Any], address: Address | None, words: str) -> None:
    with pytest.raises(TemplateError, match=words):
        ByteTemplate.compile(items, address=address)


@pytest.mark.parametrize(
    ("values", "address", "words"),
    [
        ({}, 1, "level is missing"),
        ({"level": 64}, 1, "from 0 to 63"),
        ({"level": -1}, 1, "from 0 to 63"),
        ({"level": 1.5}, 1, "whole number"),
        ({"level": True}, 1, "whole number"),
        ({"level": "7"}, 1, "whole number"),
        ({"level": 7, "loud": 1}, 1, "no field is called loud"),
        ({"level": 7}, None, "needs a unit's address"),
        ({"level": 7}, 16, "no address of this profile"),
    ],
)
def test_values_that_cannot_be_sent(values: dict[str, Any], address: int | None, words: str) -> None:
    template = ByteTemplate.compile(
        [AddressItem(address=1), FieldItem(field="level")], types=LEVEL, address=ADDRESS
    )
    with pytest.raises(BadValue, match=words):
        template.build(values, address=address)


@given(st.one_of(st.integers(), st.floats(), st.text(max_size=5), st.booleans()))
@example(10**400)
@example(float("nan"))
@example(float("inf"))
def test_any_value_is_sent_or_refused(value: Any) -> None:
    for kind in ValueType:
        typed = Parameter(type=kind, values=("a",))
        scale = 0.5 if kind in ("integer", "float") else 1
        table = {"a": 1} if kind in ("enum", "text") else None
        items = [FieldItem(field="x", size=2, scale=scale, table=table)]
        template = ByteTemplate.compile(items, types={"x": typed})
        try:
            data = template.build({"x": value}).data
        except BadValue:
            continue
        assert template.read(data) is not None


def test_decimal_fractions_are_meant() -> None:
    # 30 x 0.1 is 3.0000000000000004 in binary fractions.
    whole = ByteTemplate.compile(
        [FieldItem(field="db", scale=0.1)], types={"db": Parameter(type=ValueType.INTEGER, range=(0, 25))}
    )
    reading = whole.read(bytes([30]))
    assert reading is not None
    assert reading.values == {"db": 3}
    assert whole.read(bytes([31])) is None


def test_rounding_to_the_wire_stays_in_the_range() -> None:
    template = ByteTemplate.compile(
        [FieldItem(field="db", scale=3)], types={"db": Parameter(type=ValueType.INTEGER, range=(0, 100))}
    )
    assert template.build({"db": 100}).data == bytes([33])
    assert template.build({"db": 1}).data == bytes([0])


def test_what_stands_twice_must_say_the_same() -> None:
    items = [AddressItem(address=1), FieldItem(field="a"), CounterItem(counter="n")]
    template = ByteTemplate.compile([*items, *items], address=ADDRESS)
    assert template.read(bytes([1, 7, 3, 1, 7, 3])) is not None
    assert template.read(bytes([1, 7, 3, 2, 7, 3])) is None
    assert template.read(bytes([1, 7, 3, 1, 8, 3])) is None
    assert template.read(bytes([1, 7, 3, 1, 7, 4])) is None


def test_a_counter_starts_and_wraps() -> None:
    template = ByteTemplate.compile([CounterItem(counter="n", start=3, wrap=5)], sending=True)
    assert template.build().data == bytes([3])
    assert template.build(counters={"n": 7}).data == bytes([2])
    assert template.read(bytes([5])) is None


@pytest.mark.parametrize(
    ("one", "other", "overlap", "narrower"),
    [
        ("A5 01", "A5 02", False, False),
        ("A5 01", "A5 01", True, False),
        ("A5 01", "A5 ?", True, True),
        ("A5 ?", "A5 01", True, False),
        ("A5 01", "A5 01 02", False, False),
        ("A5 ? 01", "A5 02 ?", True, False),
    ],
)
def test_templates_told_apart(one: str, other: str, overlap: bool, narrower: bool) -> None:
    def made(text: str) -> ByteTemplate:
        return ByteTemplate.compile([AnyItem(any=1) if b == "?" else HexItem(hex=b) for b in text.split()])

    assert made(one).overlaps(made(other)) is overlap
    assert made(other).overlaps(made(one)) is overlap
    assert made(one).narrower_than(made(other)) is narrower


def test_two_checks_of_another_kind_are_told_apart() -> None:
    def made(check: str) -> ByteTemplate:
        return ByteTemplate.compile([AnyItem(any=2), check_item(check=check)])

    assert made("sum-8").overlaps(made("sum-8"))
    assert not made("sum-8").overlaps(made("CRC-8/SMBUS"))
    assert made("sum-8").checked
