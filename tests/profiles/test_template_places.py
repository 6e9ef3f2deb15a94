"""A template's places: what a check may cover, how long a message is, and the patterns that find one."""

from __future__ import annotations

import re
from typing import Any

import pytest

from profiles.errors import TemplateError
from profiles.model import (
    AddressItem,
    AnyItem,
    CheckItem,
    CounterItem,
    FieldItem,
    HexItem,
    PauseItem,
    TextItem,
)
from profiles.template import MOST_BYTES, ByteTemplate, Message, Reading


def check(**keys: Any) -> CheckItem:
    return CheckItem.model_validate(
        {"check": "sum-8", **{"from" if key == "from_" else key: value for key, value in keys.items()}}
    )


BYTE = HexItem(hex="A5")


@pytest.mark.parametrize(
    ("items", "index", "words", "todo"),
    [
        (
            [BYTE, BYTE, check(from_=0, to=3)],
            2,
            "covers bytes 0 to 3, but the message has 3",
            "use indices from 0 to 2",
        ),
        (
            [BYTE, BYTE, check(from_=3)],
            2,
            "covers bytes 3 to 1, but the message has 3",
            "use indices from 0 to 2",
        ),
        ([BYTE, BYTE, check(from_=2)], 2, "covers nothing (from 2 to 1)", "put `from` before `to`"),
        ([BYTE, BYTE, check(from_=1, to=0)], 2, "covers nothing (from 1 to 0)", "put `from` before `to`"),
        (
            [BYTE, BYTE, check(from_=0, to=2)],
            2,
            "covers itself: it stands at byte 2 and covers 0 to 2",
            "end it with `to = 1`",
        ),
        (
            [BYTE, check(check="crc-32", from_=0, to=1), BYTE],
            1,
            "covers itself: it stands at byte 1 and covers 0 to 1",
            "end it with `to = 0`",
        ),
        (
            [BYTE, check(check="crc-32", from_=4, to=5), BYTE],
            1,
            "covers itself: it stands at byte 1 and covers 4 to 5",
            "begin it with `from = 5`",
        ),
        (
            [BYTE, check(check="crc-32", from_=1, to=5), BYTE],
            1,
            "covers itself: it stands at byte 1 and covers 1 to 5",
            "begin it with `from = 5`",
        ),
        (
            [check(from_=2, to=3), BYTE, BYTE, check(from_=1, to=2)],
            0,
            "covers a check that comes after it, and so can't be worked out in order",
            "let it end before the other check",
        ),
        (
            [check(from_=3, to=4), BYTE, BYTE, check(from_=1, to=2), BYTE],
            0,
            "covers a check that comes after it, and so can't be worked out in order",
            "let it end before the other check",
        ),
        (
            [check(from_=5, to=6), BYTE, BYTE, check(check="crc-32", from_=1, to=2)],
            0,
            "covers a check that comes after it, and so can't be worked out in order",
            "let it end before the other check",
        ),
        (
            [TextItem(text="12345"), check(from_=1, to=3, over="hex-text")],
            1,
            "covers 3 hexadecimal digits, which are no whole bytes",
            "cover an even number of digits",
        ),
        ([BYTE, object()], 1, "is no item:", ""),
        ([BYTE, AnyItem(any=1)], 1, "`any` can't be sent", "write the bytes, or a field"),
        ([PauseItem(pause_ms=1.0)], None, "has no bytes", "add at least one byte"),
        (
            [HexItem(hex="A5" * MOST_BYTES), BYTE],
            None,
            "is 1025 bytes long",
            "a message has 1024 bytes at most",
        ),
    ],
)
def test_what_can_not_be_built_is_told_with_its_item(
    items: list[Any], index: int | None, words: str, todo: str
) -> None:
    with pytest.raises(TemplateError) as caught:
        ByteTemplate.compile(items, sending=True)
    assert caught.value.what.startswith(words)
    assert (caught.value.index, caught.value.todo) == (index, todo)


def test_an_address_needs_a_table_in_the_profile() -> None:
    with pytest.raises(TemplateError) as caught:
        ByteTemplate.compile([AddressItem(address=1)])
    assert caught.value.what == "is an address, but the profile has none"
    assert caught.value.todo == "add `[address]` with `range = [1, 15]`"


def test_a_pause_is_not_matched() -> None:
    with pytest.raises(TemplateError) as caught:
        ByteTemplate.compile([BYTE, PauseItem(pause_ms=1.0)])
    assert (caught.value.what, caught.value.todo, caught.value.index) == (
        "a pause can only be sent, not matched",
        "leave it out here",
        1,
    )


@pytest.mark.parametrize(
    ("items", "data"),
    # sum-8: the sum of the covered bytes modulo 256.
    [
        ([HexItem(hex="01 02 04"), check(from_=0, to=2)], "01 02 04 07"),
        ([HexItem(hex="01 02 04"), check(from_=1, to=1)], "01 02 04 02"),
        ([HexItem(hex="01 02 04"), check(from_=2)], "01 02 04 04"),
        ([HexItem(hex="01"), check(from_=2, to=3), HexItem(hex="02 04")], "01 06 02 04"),
        ([HexItem(hex="01"), check(from_=3, to=3), HexItem(hex="02 04")], "01 04 02 04"),
        # The one in front is not covered by the one behind, nor the other way round.
        ([check(from_=1, to=1), HexItem(hex="01 02"), check(from_=2, to=2)], "01 01 02 02"),
        ([check(from_=1, to=1), HexItem(hex="01 02"), check(from_=0, to=2)], "01 01 02 04"),
        ([check(from_=4, to=4), BYTE, BYTE, check(from_=1, to=2), HexItem(hex="09")], "09 A5 A5 4A 09"),
        ([check(from_=2, to=2), check(from_=2, to=2), HexItem(hex="09")], "09 09 09"),
        ([TextItem(text="1234"), check(from_=0, to=3, over="hex-text")], "31 32 33 34 46"),
        ([HexItem(hex="A5"), check(from_=0, coding="hex-text")], "A5 41 35"),
    ],
)
def test_a_check_and_what_it_covers(items: list[Any], data: str) -> None:
    template = ByteTemplate.compile(items, sending=True)
    message = bytes.fromhex(data)
    assert template.build() == Message(message)
    assert template.read(message) == Reading()
    assert template.checked
    for index in range(len(message)):
        wrong = bytearray(message)
        wrong[index] ^= 0x10
        assert template.read(bytes(wrong)) is None, index
    assert not ByteTemplate.compile([BYTE]).checked


def test_what_can_be_anything_is_read_whatever_it_is() -> None:
    template = ByteTemplate.compile([AnyItem(any=2), BYTE])
    assert template.size == 3
    assert template.read(b"\x00\xff\xa5") == Reading()
    assert template.read(b"\x00\xff\xa6") is None
    assert template.read(b"\x00\xa5") is None
    assert template.read(b"\x00\xff\xa5\x00") is None
    assert template.sets == (frozenset(range(256)),) * 2 + (frozenset((0xA5,)),)


def test_the_longest_message() -> None:
    template = ByteTemplate.compile([HexItem(hex="A5" * 1024)])
    assert template.build().data == b"\xa5" * 1024
    assert re.fullmatch(template.pattern, b"\xa5" * 1024)
    assert re.match(template.prefix_pattern, b"\xa5" * 1023)


@pytest.mark.parametrize(
    ("items", "pattern", "prefix"),
    [
        ([BYTE], rb"\xa5", rb"\xa5\Z"),
        ([TextItem(text=".")], rb"\.", rb"\.\Z"),
        ([BYTE, AnyItem(any=1)], rb"\xa5[\x00-\xff]", rb"\xa5\Z"),
        ([BYTE, FieldItem(field="x", table=[1, 2]), BYTE], rb"\xa5[\x01\x02]\xa5", rb"\xa5(?:[\x01\x02])?\Z"),
        ([TextItem(text="abcd")], rb"abcd", rb"a(?:b(?:c)?)?\Z"),
    ],
)
def test_the_patterns_of_whole_and_half_messages(items: list[Any], pattern: bytes, prefix: bytes) -> None:
    template = ByteTemplate.compile(items)
    found = (template.pattern, template.prefix_pattern)
    # Bytes that are no letters may be written as themselves or with their number.
    assert [text.replace(b"\xa5", rb"\xa5") for text in found] == [pattern, prefix]


def half_matches(template: ByteTemplate, data: bytes) -> bool:
    return re.match(template.prefix_pattern, data, re.DOTALL) is not None


@pytest.mark.parametrize("size", [100, 101, 102, 103, 300])
def test_half_a_long_message_is_looked_at_byte_by_byte_up_to_the_hundredth(size: int) -> None:
    """Behind that it is taken for half a message whatever it says, and for no more bytes than are due."""
    template = ByteTemplate.compile([HexItem(hex="A5" * size)])
    for length in range(1, size):
        assert half_matches(template, b"\xa5" * length), length
    assert not half_matches(template, b"\xa5" * size)
    for wrong in (0, 1, 50, 99):
        if wrong < size - 1:
            assert not half_matches(template, b"\xa5" * wrong + b"\x00")
            assert not half_matches(template, b"\xa5" * wrong + b"\x00" + b"\xa5" * (size - wrong - 2))
    if size > 101:
        assert half_matches(template, b"\xa5" * 100 + b"\x00" * (size - 101))
        assert not half_matches(template, b"\xa5" * 100 + b"\x00" * (size - 100))


def test_templates_with_several_checks_are_told_apart_by_their_kind_and_place() -> None:
    def made(*items: Any) -> ByteTemplate:
        return ByteTemplate.compile([AnyItem(any=2), *items])

    two = made(check(from_=0, to=1), check(from_=0, to=1))
    assert two.overlaps(made(check(from_=0, to=1), check(from_=0, to=1)))
    assert not two.overlaps(made(check(from_=0, to=1), check(from_=1, to=1)))
    assert not two.overlaps(made(AnyItem(any=1), check(from_=0, to=1)))
    # With a check on one side alone nothing can be told from it.
    assert two.overlaps(made(AnyItem(any=2)))
    assert made(AnyItem(any=2)).overlaps(two)
    assert made(AnyItem(any=2)).overlaps(made(AnyItem(any=2)))
    for keys in ({"from_": 1}, {"check": "xor-8"}, {"coding": "hex-text"}):
        one, other = made(check(from_=0, to=1, coding="binary")), made(check(**{"from_": 0, "to": 1, **keys}))
        assert one.overlaps(other) is False
        assert one.overlaps(one)


def test_narrower_is_what_has_less_in_some_place_and_more_in_none() -> None:
    def made(*tables: list[int]) -> ByteTemplate:
        return ByteTemplate.compile([FieldItem(field=f"x{i}", table=table) for i, table in enumerate(tables)])

    wide = made([1, 2], [3, 4])
    assert made([1], [3, 4]).narrower_than(wide)
    assert made([1], [3]).narrower_than(wide)
    assert not made([1, 2], [3, 4]).narrower_than(wide)
    assert not made([1], [3, 5]).narrower_than(wide)
    assert not made([1]).narrower_than(wide)
    assert not wide.narrower_than(made([1], [3, 4]))


def test_what_is_in_a_template() -> None:
    items = [FieldItem(field="a"), BYTE, CounterItem(counter="n"), FieldItem(field="b", size=2)]
    template = ByteTemplate.compile(items)
    assert [field.name for field in template.fields] == ["a", "b"]
    assert [counter.name for counter in template.counters] == ["n"]
    assert not template.addressed
    assert template.read(b"\x01\xa5\x02\x03\x04") == Reading({"a": 1, "b": 0x0304}, None, {"n": 2})
