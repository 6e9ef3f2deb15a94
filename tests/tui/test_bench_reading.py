"""A decoded line as a text: which byte stands where, on frames whose bytes and times are known."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.bench.decoding import DecodeOptions, decode, decode_capture
from profiles.bench.edges import Edges
from profiles.bench.uart import FrameError
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import line
from tests.profiles.bench.test_report import WORDS, captured
from tests.tui.bench_lines import BIT, POWER_ON, STANDBY, compared, damaged, read_logic
from tui.bench_reading import Reading, Rows, Slots


def test_bytes_bursts_and_times_are_those_of_the_capture(tmp_path: Path) -> None:
    reading = read_logic(tmp_path / "two.csv", [POWER_ON, STANDBY], inside=3.0)
    assert [reading.value(byte) for byte in range(len(reading))] == list(POWER_ON + STANDBY)
    assert reading.burst_starts == [0, 4]
    assert reading.burst(5) == (1, 4, 8)
    assert reading.whole(4, 8) == STANDBY
    begin, end = reading.span(1)
    # Ten cells a frame at 8N1, and the dead time that was put in.
    assert end - begin == pytest.approx(10 * BIT, rel=1e-4)
    assert reading.span(1)[0] - reading.span(0)[0] == pytest.approx(13 * BIT, rel=1e-4)
    assert reading.dead_time(1) == pytest.approx(3 * BIT, rel=1e-3)
    assert reading.dead_time(0) is None


def test_cells_are_named_and_read_as_a_receiver_reads_them(tmp_path: Path) -> None:
    reading = read_logic(tmp_path / "one.csv", [POWER_ON])
    cells = reading.cells(0)
    assert [cell.name for cell in cells] == ["start", "1", "2", "3", "4", "5", "6", "7", "8", "stop"]
    # A5 hex, the least significant bit first (any UART data sheet).
    assert [cell.level for cell in cells] == [0, 1, 0, 1, 0, 0, 1, 0, 1, 1]
    assert all(a.end == pytest.approx(b.begin) for a, b in itertools.pairwise(cells))


def test_the_byte_at_an_instant(tmp_path: Path) -> None:
    reading = read_logic(tmp_path / "one.csv", [POWER_ON, STANDBY], inside=5.0)
    for byte in range(len(reading)):
        begin, end = reading.span(byte)
        assert reading.at(begin + BIT) == reading.at((begin + end) / 2) == byte
    assert reading.at(0.0) == 0


def test_a_frame_without_its_stop_bit_is_no_byte_to_send(tmp_path: Path) -> None:
    path = damaged(tmp_path / "bad.csv", POWER_ON, 2)
    options = DecodeOptions(baud=4800, frame=FrameFormat(), idle_high=True)
    reading = Reading(decode_capture(path, options).channels[0])
    assert reading.error(2) is FrameError.FRAMING
    assert reading.cells(2)[-1].level == 0
    assert reading.whole(*reading.burst(0)[1:]) is None
    slots = Slots(reading)
    assert slots.next_odd(0) == 2
    assert slots.next_odd(2) == 2, "it goes round"


def test_nothing_odd_is_said_to_be_so(tmp_path: Path) -> None:
    assert Slots(read_logic(tmp_path / "one.csv", [POWER_ON])).next_odd(0) is None


def test_text_is_told_from_binary(tmp_path: Path) -> None:
    # The example sentence of NMEA 0183's checksum is printable text; a power-on message is not.
    text = b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n"
    assert read_logic(tmp_path / "text.csv", [text]).readable
    assert not read_logic(tmp_path / "bin.csv", [POWER_ON]).readable


def test_two_rates_in_one_capture_are_one_text() -> None:
    slow, fast = line(WORDS, "8N1", 4800), line(WORDS, "8N1", 19200)
    ticks = np.concatenate([slow.ticks, fast.ticks + slow.end])
    both = Edges(ticks, 1, 1.0, slow.end + fast.end, slow.resolution)
    reading = Reading(decode(captured(both)).channels[0])
    assert len(reading.parts) == 2
    assert [reading.value(byte) for byte in range(len(reading))] == [*WORDS, *WORDS]
    assert reading.bit(0) == pytest.approx(1 / 4800, rel=1e-3)
    assert reading.bit(len(reading) - 1) == pytest.approx(1 / 19200, rel=1e-3)
    for byte in (0, len(WORDS) - 1, len(WORDS), 2 * len(WORDS) - 1):
        assert reading.at(reading.span(byte)[0]) == byte
        assert reading.index(*reading.place(byte)) == byte


def test_laid_over_each_other_byte_by_byte(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON, POWER_ON], [POWER_ON, bytes.fromhex("A5 01 07 09")])
    assert len(slots) == 8
    assert [n for n in range(8) if slots.odd(n)] == [6, 7]
    assert slots.starts == [0, 4]
    assert slots.next_odd(0) == 6
    assert slots.of_byte(5) == 5


def test_a_missing_byte_leaves_its_place_empty(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON], [POWER_ON[:2] + POWER_ON[3:]])
    gone = [n for n in range(len(slots)) if slots[n].other is None]
    assert len(gone) == 1
    assert slots[gone[0]].differs
    assert slots.reading.value(slots[gone[0]].byte or 0) == 1


class _Lengths(Slots):
    """Places alone, for how rows are broken."""

    def __init__(self, lengths: list[int]) -> None:
        self.starts = [sum(lengths[:n]) for n in range(len(lengths))]
        self._total = sum(lengths)

    def __len__(self) -> int:
        return self._total


@given(st.lists(st.integers(1, 40), min_size=1, max_size=20), st.integers(1, 90), st.integers(3, 5))
def test_every_place_is_in_one_row_and_rows_are_in_order(lengths: list[int], width: int, pitch: int) -> None:
    slots = _Lengths(lengths)
    rows = Rows(slots, width, pitch)
    seen = []
    for number in range(len(rows)):
        places, burst = rows.row(number)
        assert 1 <= len(places) <= rows.per_row
        assert (burst is not None) == (places[0] in slots.starts)
        for column, place in enumerate(places):
            assert rows.of(place) == (number, column)
        seen += list(places)
    assert seen == list(range(len(slots)))


@given(st.lists(st.integers(1, 40), min_size=1, max_size=10), st.data())
def test_a_row_down_and_up_stays_in_the_text(lengths: list[int], data: st.DataObject) -> None:
    slots = _Lengths(lengths)
    rows = Rows(slots, 30, 3)
    place = data.draw(st.integers(0, len(slots) - 1))
    by = data.draw(st.integers(-5, 5))
    row = max(0, min(rows.of(place)[0] + by, len(rows) - 1))
    assert rows.of(rows.moved(place, by))[0] == row


def test_an_empty_strip_has_no_rows(tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    path.write_text("Time [s],CH1\n0.0,1\n1.0,1\n")
    reading = Reading(decode_capture(path).channels[0])
    assert len(Rows(Slots(reading), 60, 3)) == 0
    assert not reading.told
