"""Numbers as bytes and back."""

from __future__ import annotations

from typing import Literal, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.coding import MOST_TRIED, Coding, NumberCoding
from profiles.errors import BadValue

ORDERS: list[Literal["big", "little"]] = ["big", "little"]


@st.composite
def codings(draw: st.DrawFn) -> NumberCoding:
    coding = draw(st.sampled_from(get_args(Coding)))
    signed = coding == "binary" and draw(st.booleans())
    return NumberCoding(draw(st.integers(1, 16)), coding, draw(st.sampled_from(ORDERS)), signed)


@pytest.mark.parametrize(
    ("coding", "number", "written"),
    # Definitions of two's complement, packed BCD, and digits in ASCII.
    [
        (NumberCoding(2), 0x1234, "12 34"),
        (NumberCoding(2, order="little"), 0x1234, "34 12"),
        (NumberCoding(1, signed=True), -1, "FF"),
        (NumberCoding(2, signed=True), -2, "FF FE"),
        (NumberCoding(2, "bcd"), 1234, "12 34"),
        (NumberCoding(2, "bcd", "little"), 1234, "34 12"),
        (NumberCoding(3, "decimal-text"), 45, "30 34 35"),
        (NumberCoding(3, "decimal-text", "little"), 45, "35 34 30"),
        (NumberCoding(2, "hex-text"), 0xAF, "41 46"),
        (NumberCoding(3, "hex-text", "little"), 0x0AF, "46 41 30"),
    ],
)
def test_a_number_written(coding: NumberCoding, number: int, written: str) -> None:
    assert coding.write(number) == bytes.fromhex(written)
    assert coding.read(bytes.fromhex(written)) == number


@pytest.mark.parametrize(
    ("coding", "least", "greatest"),
    # Definitions of two's complement, packed BCD, and digits in ASCII.
    [
        (NumberCoding(1), 0, 255),
        (NumberCoding(2), 0, 65535),
        (NumberCoding(1, signed=True), -128, 127),
        (NumberCoding(2, signed=True), -32768, 32767),
        (NumberCoding(1, "bcd"), 0, 99),
        (NumberCoding(2, "bcd"), 0, 9999),
        (NumberCoding(1, "bcd", signed=True), 0, 99),
        (NumberCoding(1, "decimal-text"), 0, 9),
        (NumberCoding(3, "decimal-text"), 0, 999),
        (NumberCoding(1, "hex-text"), 0, 15),
        (NumberCoding(2, "hex-text"), 0, 255),
    ],
)
def test_the_least_and_the_greatest_number(coding: NumberCoding, least: int, greatest: int) -> None:
    assert (coding.least, coding.greatest) == (least, greatest)
    for end, past in ((least, least - 1), (greatest, greatest + 1)):
        assert coding.read(coding.write(end)) == end
        with pytest.raises(BadValue, match=f"{past} does not fit") as caught:
            coding.write(past)
        assert caught.value.todo == f"the wire takes {least} to {greatest}"


def test_what_does_not_fit_is_told_with_its_bytes() -> None:
    for size, words in ((1, "1 byte of binary"), (2, "2 bytes of binary")):
        with pytest.raises(BadValue, match=f"does not fit {words};"):
            NumberCoding(size).write(-1)


@pytest.mark.parametrize(
    ("coding", "alphabet"),
    [
        ("binary", bytes(range(256))),
        ("bcd", bytes(int(f"{number:02d}", 16) for number in range(100))),
        ("decimal-text", b"0123456789"),
        ("hex-text", b"0123456789ABCDEFabcdef"),
    ],
)
def test_the_bytes_that_can_stand_in_a_place(coding: Coding, alphabet: bytes) -> None:
    assert NumberCoding(2, coding).alphabet == frozenset(alphabet)
    assert NumberCoding(2, coding).places() == (frozenset(alphabet),) * 2


def test_places_are_worked_out_for_as_many_numbers_as_are_tried() -> None:
    coding = NumberCoding(2)
    tried = coding.places(frozenset(range(MOST_TRIED)))
    assert tried == (frozenset(range(16)), frozenset(range(256)))
    assert MOST_TRIED == 4096
    assert coding.places(frozenset(range(MOST_TRIED + 1))) == (coding.alphabet,) * 2


def test_the_places_of_digits_hold_both_cases() -> None:
    assert NumberCoding(2, "hex-text").places(frozenset((0x0A, 0x1B))) == (
        frozenset(b"01"),
        frozenset(b"AaBb"),
    )
    assert NumberCoding(1, "decimal-text").places(frozenset((1, 7))) == (frozenset(b"17"),)
    assert NumberCoding(1).places(frozenset(b"AB")) == (frozenset(b"AB"),)


def test_hexadecimal_digits_are_read_in_either_case() -> None:
    assert NumberCoding(2, "hex-text").read(b"aF") == 0xAF


@pytest.mark.parametrize(
    ("coding", "data"),
    [
        (NumberCoding(1, "bcd"), b"\x1a"),
        (NumberCoding(2, "decimal-text"), b" 1"),
        (NumberCoding(2, "hex-text"), b"0x"),
    ],
)
def test_bytes_that_are_no_number(coding: NumberCoding, data: bytes) -> None:
    assert coding.read(data) is None


@given(codings(), st.data())
def test_written_and_read_again(coding: NumberCoding, data: st.DataObject) -> None:
    number = data.draw(st.integers(coding.least, coding.greatest))
    written = coding.write(number)
    assert len(written) == coding.size
    assert coding.read(written) == number
    assert coding.alphabet.issuperset(written)


@given(codings(), st.integers())
def test_a_number_that_does_not_fit(coding: NumberCoding, number: int) -> None:
    if coding.least <= number <= coding.greatest:
        assert coding.read(coding.write(number)) == number
    else:
        with pytest.raises(BadValue, match="does not fit"):
            coding.write(number)


@given(codings(), st.binary(min_size=16, max_size=16))
def test_any_bytes_are_a_number_or_none(coding: NumberCoding, data: bytes) -> None:
    number = coding.read(data[: coding.size])
    assert number is None or coding.least <= number <= coding.greatest


@given(codings(), st.data())
def test_places_hold_what_is_written(coding: NumberCoding, data: st.DataObject) -> None:
    numbers = data.draw(st.frozensets(st.integers(coding.least, coding.greatest), min_size=1, max_size=20))
    exact, any_number = coding.places(numbers), coding.places()
    for number in numbers:
        written = coding.write(number)
        assert all(byte in place for byte, place in zip(written, exact, strict=True))
    assert all(narrow <= wide for narrow, wide in zip(exact, any_number, strict=True))
    assert all(len(place) <= 2 * len(numbers) for place in exact)
