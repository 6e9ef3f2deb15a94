"""Frames against published lengths and line bits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.errors import BadValue
from profiles.frames import BitOrder, FrameFormat, Parity, reverse_bits

# Bits in a frame = start + data + parity + stop. Source: Analog Devices/Maxim tutorial 2141, "UART Timing".
LENGTHS = {
    "5N1": 7, "5N1.5": 7.5, "5N2": 8, "6N1": 8, "7N1": 9, "7N2": 10, "7E1": 10, "7O1": 10, "7E2": 11,
    "8N1": 10, "8N1.5": 10.5, "8N2": 11, "8E1": 11, "8O1": 11, "8M1": 11, "8S1": 11, "8E2": 12,
    "9N1": 11, "9E1": 12,
}  # fmt: skip

# Start, data, parity, stop in the order of time, idle being 1. Source: the frame order of tutorial 2141,
# figure 1; 31 hex at 7E1 is also drawn in a published SDI-12 integrator guide.
LINE_BITS = [
    (0x55, "8N1", "0101010101"), (0xAA, "8N1", "0010101011"), (0x00, "8N1", "0000000001"),
    (0xFF, "8N1", "0111111111"), (0x41, "8N1", "0100000101"), (0x41, "7E1", "0100000101"),
    (0x41, "7O1", "0100000111"), (0x41, "8E1", "01000001001"), (0x41, "8O1", "01000001011"),
    (0x43, "7E1", "0110000111"), (0x31, "7E1", "0100011011"), (0x90, "8N1", "0000010011"),
    (0x3C, "8N1", "0001111001"), (0x40, "8N1", "0000000101"), (0x7F, "8N2", "01111111011"),
    (0xE5, "8E1", "01010011111"),
]  # fmt: skip

# Microseconds of a frame: 1e6 / baud x bits.
TIMES_US = [
    (300, "8N1", 33333.333), (1200, "7N1", 7500.0), (4800, "8N1", 2083.333), (9600, "8E1", 1145.833),
    (19200, "8E1", 572.917), (31250, "8N1", 320.0), (57600, "8E2", 208.333), (250000, "8N2", 44.0),
]  # fmt: skip


@pytest.mark.parametrize(("text", "bits"), LENGTHS.items())
def test_length_of_a_frame(text: str, bits: float) -> None:
    assert FrameFormat.parse(text).bits == bits


@pytest.mark.parametrize(("value", "text", "bits"), LINE_BITS)
def test_bits_on_the_line(value: int, text: str, bits: str) -> None:
    cells = FrameFormat.parse(text).cells(value)
    drawn = "".join(str(level) * int(length) for level, length in cells)
    assert drawn == bits


def test_bits_on_the_line_with_the_highest_bit_first() -> None:
    # Source: as LINE_BITS, the data bits of 41 hex turned round.
    cells = FrameFormat.parse("8N1").cells(0x41, BitOrder.MSB)
    assert [level for level, _ in cells] == [0, 0, 1, 0, 0, 0, 0, 0, 1, 1]


@pytest.mark.parametrize(("baud", "text", "microseconds"), TIMES_US)
def test_time_of_a_frame(baud: float, text: str, microseconds: float) -> None:
    assert FrameFormat.parse(text).time(baud) * 1e6 == pytest.approx(microseconds, rel=1e-5)


def test_7e1_read_as_8n1_shows_the_parity_as_the_highest_bit() -> None:
    # Source: a constant in a public meter firmware: /?! CR LF at 7E1 reads AF 3F 21 8D 0A (IEC 62056-21).
    even = FrameFormat.parse("7E1")
    read = bytes(byte | (even.parity_bit(byte) or 0) << 7 for byte in b"/?!\r\n")
    assert read.hex(" ").upper() == "AF 3F 21 8D 0A"


@pytest.mark.parametrize("text", ["", "8", "8N", "4N1", "10N1", "8X1", "8N3", "8N1.2", "8N1 8N1", "N81"])
def test_what_is_no_format(text: str) -> None:
    with pytest.raises(BadValue, match="no frame format"):
        FrameFormat.parse(text)


@pytest.mark.parametrize("text", ["8n1", " 8N1 "])
def test_a_format_as_people_write_it(text: str) -> None:
    assert str(FrameFormat.parse(text)) == "8N1"


def test_a_value_of_too_many_bits() -> None:
    with pytest.raises(BadValue, match="7 data bits"):
        FrameFormat.parse("7E1").cells(0x80)


@given(
    st.integers(0, 511), st.sampled_from(Parity), st.sampled_from([1.0, 1.5, 2.0]), st.sampled_from(BitOrder)
)
def test_cells_hold_the_value_and_the_length(
    value: int, parity: Parity, stop: float, order: BitOrder
) -> None:
    form = FrameFormat(9, parity, stop)
    cells = form.cells(value, order)
    bits = [level for level, _ in cells[1:10]]
    if order is BitOrder.MSB:
        bits.reverse()
    assert sum(bit << index for index, bit in enumerate(bits)) == value
    assert sum(length for _, length in cells) == form.bits
    if parity in (Parity.EVEN, Parity.ODD):
        assert (sum(bits) + cells[10][0]) % 2 == (parity is Parity.ODD)


@given(st.binary(), st.integers(5, 8))
def test_bits_turned_round_twice(data: bytes, bits: int) -> None:
    kept = bytes(byte & ((1 << bits) - 1) for byte in data)
    assert reverse_bits(reverse_bits(data, bits), bits) == kept
    assert all(
        f"{a:0{bits}b}" == f"{b:0{bits}b}"[::-1] for a, b in zip(kept, reverse_bits(data, bits), strict=True)
    )
