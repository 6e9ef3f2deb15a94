"""The UART decoder at its limits: exact instants, parity of every kind, nine data bits, bursts cut or not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from profiles.bench.edges import Edges
from profiles.bench.following import without_glitches
from profiles.bench.uart import (
    FrameError,
    Frames,
    LineTiming,
    bursts,
    decode_edges,
    first_start,
    frame_blocks,
)
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import line

BIT = 100.0
TIMING = LineTiming(BIT, 1, FrameFormat())


def drawn(cells: str, *, bit: float = BIT, lead: float = 20.0, kind: type[Any] = np.float64) -> Edges:
    """A line drawn as its levels, one character a bit time, idle being 1; idle for 20 bit times behind it."""
    levels = [1, *(int(cell) for cell in cells), 1]
    ticks = [(lead + place) * bit for place in range(len(levels) - 1) if levels[place] != levels[place + 1]]
    return Edges(np.array(ticks, kind), 1, 1e-6, (lead + len(cells) + 20) * bit)


def read(cells: str, frame: str = "8N1") -> Frames:
    return decode_edges(drawn(cells), LineTiming(BIT, 1, FrameFormat.parse(frame)))


def faults(frames: Frames) -> list[FrameError]:
    return [FrameError(error) for error in frames.errors]


@pytest.mark.parametrize(
    ("frame", "body"), [("8N1", 9), ("8E1", 10), ("8N2", 9), ("5N1", 6), ("9M2", 11), ("7S1", 9)]
)
def test_the_cells_before_the_stop_bit(frame: str, body: int) -> None:
    assert LineTiming(BIT, 1, FrameFormat.parse(frame)).body == body


# Start, the data bits of 0x41 lowest first, parity, stop: worked by hand from what each parity means.
@pytest.mark.parametrize(
    ("frame", "cells", "fault"),
    [
        ("8E1", "0 10000010 0 1", FrameError.NONE),
        ("8E1", "0 10000010 1 1", FrameError.PARITY),
        ("8O1", "0 10000010 1 1", FrameError.NONE),
        ("8O1", "0 10000010 0 1", FrameError.PARITY),
        ("8M1", "0 10000010 1 1", FrameError.NONE),
        ("8M1", "0 10000010 0 1", FrameError.PARITY),
        ("8S1", "0 10000010 0 1", FrameError.NONE),
        ("8S1", "0 10000010 1 1", FrameError.PARITY),
        ("7E1", "0 1000001 0 1", FrameError.NONE),
        ("7E1", "0 1000001 1 1", FrameError.PARITY),
        ("8N1", "0 10000010 1", FrameError.NONE),
        ("8N1", "0 10000010 0", FrameError.FRAMING),
        ("8E1", "0 10000010 1 0", FrameError.FRAMING),
        ("8E1", "0 10000010 0 0", FrameError.FRAMING),
        ("8N1", "0 00000000 0", FrameError.BREAK),
        ("8N1", "0 00000000 1", FrameError.NONE),
        ("8E1", "0 00000000 0 0", FrameError.BREAK),
        ("8E1", "0 00000000 1 0", FrameError.FRAMING),
    ],
)
def test_what_is_wrong_with_a_frame(frame: str, cells: str, fault: FrameError) -> None:
    frames = read(cells.replace(" ", ""), frame)
    assert faults(frames) == [fault]
    assert frames.data == (bytes([frames.values[0]]) if fault is FrameError.NONE else b"")
    assert frames.values.tolist() == [0 if "00000000" in cells else 0x41]
    assert frames.starts.tolist() == [pytest.approx(2000e-6)]
    assert len(frames) == 1


@pytest.mark.parametrize(("frame", "bit"), [("8E1", "1"), ("8O1", "0"), ("8M1", "1"), ("8S1", "0")])
def test_the_parity_of_a_word_with_one_bit(frame: str, bit: str) -> None:
    """Space is neither the even nor the odd one, which differ from word to word: 0x01, and 0x41 above."""
    other = "0" if bit == "1" else "1"
    assert faults(read("010000000" + bit + "1", frame)) == [FrameError.NONE]
    assert faults(read("010000000" + other + "1", frame)) == [FrameError.PARITY]


def test_a_line_is_read_from_the_start_that_is_told() -> None:
    """The second frame of two, each of two edges."""
    edges = drawn("0000000001" + "0111111111")
    assert decode_edges(edges, TIMING, start=2).data == b"\xff"
    assert decode_edges(edges, TIMING, start=0).data == b"\x00\xff"


def test_the_numbers_of_faults_stay() -> None:
    """They stand in arrays of small numbers, where NONE is what a new array holds."""
    assert [(error.name, error.value) for error in FrameError] == [
        ("NONE", 0),
        ("FRAMING", 1),
        ("PARITY", 2),
        ("BREAK", 3),
    ]


def test_of_nine_data_bits_the_lowest_eight_are_the_bytes() -> None:
    frames = decode_edges(line([0x1A5, 0x05A], "9N1", 1 / BIT), LineTiming(BIT, 1, FrameFormat(9)))
    assert frames.values.tolist() == [0x1A5, 0x05A]
    assert frames.data == b"\xa5\x5a"


def test_a_frame_ends_after_all_of_its_bits() -> None:
    for form, bits in (("8N1", 10.0), ("8N2", 11.0), ("7E1", 10.0), ("5N1.5", 7.5)):
        frames = decode_edges(line([1], form, 1 / BIT), LineTiming(BIT, 1, FrameFormat.parse(form)))
        assert frames.ends[0] - frames.starts[0] == pytest.approx(bits * BIT)


def test_frames_of_a_fast_sender_have_no_dead_time_and_never_less() -> None:
    frames = decode_edges(line([0x55] * 4, "8N1", 1.03 / BIT), TIMING)
    assert len(frames) == 4
    assert np.isnan(frames.dead_times[0])
    assert frames.dead_times[1:].tolist() == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("gap", "found"), [(0.5, [(0, 1), (1, 2), (2, 4)]), (2.0, [(0, 1), (1, 4)]), (3.0, [(0, 4)])]
)
def test_a_burst_ends_with_more_than_the_gap(gap: float, found: list[tuple[int, int]]) -> None:
    starts = np.array([0.0, 13.0, 25.0, 35.25])
    frames = Frames(starts, np.zeros(4, np.uint16), np.zeros(4, np.uint8), starts + 10.0)
    assert frames.dead_times[1:].tolist() == [3.0, 2.0, 0.25]
    assert bursts(frames, gap) == found
    counted = (frames.glitches, frames.false_starts, frames.lost_in_gaps, frames.break_lengths)
    assert counted == (0, 0, 0, {})


@pytest.mark.parametrize("kind", [np.float64, np.int32])
@pytest.mark.parametrize(("after", "count"), [(99, 1), (100, 2)])
def test_the_next_frame_may_start_half_a_bit_before_the_stop_bit_is_over(
    kind: type[Any], after: int, count: int
) -> None:
    """A bit of 10.5 ticks: the middle of the stop bit of 8N1 is 9.5 bits, 99.75 ticks, behind the start."""
    ticks = np.array([1000, 1094, 1000 + after, 1000 + after + 11], kind)
    edges = Edges(ticks, 1, 1e-6, 3000.0)
    frames = decode_edges(edges, LineTiming(10.5, 1, FrameFormat()), start=0)
    assert len(frames) == count


def test_runs_of_a_quarter_of_a_bit_are_no_glitches() -> None:
    for run, glitches in ((24.0, 1), (25.0, 0)):
        frames = decode_edges(Edges(np.array([1000.0, 1000 + run]), 1, 1e-6, 9000.0), TIMING)
        assert (frames.glitches, frames.false_starts) == (glitches, 1 - glitches)


def test_of_an_edge_that_bounces_twice_the_middle_one_stays() -> None:
    """Five edges close together: the third. Its cluster begins with the first, for what is met again."""
    ticks = np.array([0.0, 100.0, 103.0, 104.0, 106.0, 110.0, 200.0])
    times, begins = without_glitches(ticks, 5.0)
    assert (times.tolist(), begins.tolist()) == ([0.0, 104.0, 200.0], [0, 1, 6])


@pytest.mark.parametrize(("end", "count"), [(949.0, 0), (950.0, 1), (951.0, 1)])
def test_a_frame_is_whole_with_the_middle_of_its_stop_bit(end: float, count: int) -> None:
    """At 9.5 bit times of 8N1, where a receiver looks last (ATmega328P data sheet 7810C, section 19.7)."""
    edges = Edges(np.array([2000.0, 2100.0]), 1, 1e-6, 2000.0 + end)
    assert len(decode_edges(edges, TIMING, start=0)) == count
    # There is no block where there is nothing to tell.
    assert len(list(frame_blocks(edges, TIMING, start=0))) == count


def test_a_break_that_is_followed_at_once_by_a_frame_has_its_own_length() -> None:
    frames = read("0" * 14 + "1" + "0101010101" + "1" * 5 + "0" * 30)
    assert faults(frames) == [FrameError.BREAK, FrameError.NONE, FrameError.BREAK]
    assert frames.break_lengths == {0: pytest.approx(1400e-6), 2: pytest.approx(3000e-6)}
    assert frames.ends[0] == pytest.approx(3400e-6)
    assert frames.dead_times[1] == pytest.approx(100e-6)


def test_breaks_keep_their_frames_over_blocks() -> None:
    cells = ("0101010101" + "1" * 10) * 30 + "0" * 20 + "1" * 10 + ("0101010101" + "1" * 10) * 30
    edges = drawn(cells)
    lengths = [decode_edges(edges, TIMING).break_lengths]
    sizes = [64, 200]
    for size in sizes:
        found, count = {}, 0
        for block in frame_blocks(edges, TIMING, block=size):
            for index in np.flatnonzero(block.words == 0).tolist():
                found[count + index] = float(block.starts[index])
            count += len(block.words)
        assert found == {30: 62000.0}
        assert count == 61
    assert lengths == [{30: pytest.approx(2000e-6)}]


def test_a_break_behind_the_first_block_keeps_its_frame() -> None:
    """0x55 without rests is a square wave of a bit time a level: 70,000 edges are two blocks."""
    wave = 2000.0 + BIT * np.arange(70_000)
    ticks = np.concatenate([wave, wave[-1] + np.array([500.0, 2000.0])])
    frames = decode_edges(Edges(ticks, 1, 1e-6, float(ticks[-1]) + 3000.0), TIMING)
    assert frames.data == b"\x55" * 7000
    assert frames.break_lengths == {7000: pytest.approx(1500e-6)}
    assert frames.lost_in_gaps == 0


@pytest.mark.parametrize("cells", [63, 64, 65, 100, 127, 128, 200, 300])
def test_a_break_of_any_length(cells: int) -> None:
    frames = read("0" * cells + "1" * 3 + "0100000101")
    assert faults(frames) == [FrameError.BREAK, FrameError.NONE]
    assert frames.break_lengths == {0: pytest.approx(cells * 100e-6)}
    assert frames.data == b"A"


def test_edges_that_come_back_late_are_taken_back() -> None:
    """Edges back to idle 60 ticks late: a lone 1 bit of 100 ticks is seen with 40."""
    edges = line([0x55, 0x0F], "8N1", 1 / BIT, shift=0.6)
    frames = decode_edges(edges, LineTiming(BIT, 1, FrameFormat(), shift=60.0))
    assert frames.data == b"\x55\x0f"
    assert not frames.errors.any()
    wrong = decode_edges(edges, TIMING)
    assert wrong.data != b"\x55\x0f"


def test_a_line_that_idles_low_is_read_the_other_way_round() -> None:
    low = line([0x41, 0x42], "8N1", 1 / BIT, idle=0)
    assert low.first_level == 0
    assert decode_edges(low, LineTiming(BIT, 0, FrameFormat())).data == b"AB"
    assert first_start(low, LineTiming(BIT, 0, FrameFormat())) == 0
    assert first_start(low, TIMING) == 1


# Where a capture begins


def cut(words: list[int], form: str, at: int, *, dead: float | list[float] = 0.0) -> Edges:
    """A line whose capture begins shortly before its edge ``at``, an edge away from idle or back."""
    whole = line(words, form, 1 / BIT, dead=dead)
    moved = whole.ticks[at:] - whole.ticks[at] + 10.0
    return Edges(moved, 1 ^ (at & 1), 1e-6, float(moved[-1]) + 3000.0)


def test_a_capture_that_begins_at_rest_is_read_from_its_first_edge() -> None:
    """Nine bit times are a frame before its stop bit: a rest as long can be no part of one."""
    for lead, found in ((900.0, 0), (899.0, 2)):
        # A start that leads to a fault, and one edge pair on to none.
        ticks = np.array(
            [
                lead,
                lead + 300.0,
                lead + 700.0,
                lead + 1600.0,
                lead + 2700.0,
                lead + 3000.0,
                lead + 5000.0,
                lead + 5100.0,
            ]
        )
        edges = Edges(ticks, 1, 1e-6, lead + 20_000.0)
        assert first_start(edges, TIMING) == found, lead
        # It is the same where the capture begins away from idle, as in a break.
        behind = Edges(np.concatenate([[50.0], ticks]), 0, 1e-6, lead + 20_000.0)
        assert first_start(behind, TIMING) == 1 + found, lead


@pytest.mark.parametrize("form", ["8N1", "8E1", "7O1", "8N2", "9N1"])
def test_a_capture_that_begins_inside_a_frame_finds_the_next(form: str) -> None:
    frame = FrameFormat.parse(form)
    words = np.random.default_rng(5).integers(0, 1 << frame.data_bits, 40).tolist()
    for at in range(1, 8):
        frames = decode_edges(cut(words, form, at), LineTiming(BIT, 1, frame))
        assert frames.values.tolist()[-36:] == words[-36:], at
        assert not frames.errors[-36:].any()


@pytest.mark.parametrize(
    ("form", "words", "dead", "at", "found"),
    # Chosen among many for what is found nowhere else when one fault, or one edge, weighs more or less.
    [
        ("8N1", [67, 70, 63], 0.0, 1875.0, 3),
        ("8S1", [48, 48, 48], 3.0, 2975.0, 0),
        ("8S1", [71, 38], 0.5, 525.0, 4),
        ("7E1", [42, 64, 44, 49, 35, 85, 49, 46], 0.0, 375.0, 7),
        ("8N2", [60, 86, 67, 38], 0.0, 1675.0, 6),
        ("8N2", [127, 220, 127], 3.0, 2875.0, 0),
        ("7E1", [9, 32], 0.0, 675.0, 2),
        # Bits that alternate: as many edges as a frame can have are passed.
        ("7E1", [85, 85, 85], 3.0, 1675.0, 8),
        ("9E1", [0x155, 0x155, 0x155], 3.0, 250.0, 9),
    ],
)
def test_the_first_whole_frame_is_where_it_was_sent(
    form: str, words: list[int], dead: float, at: float, found: int
) -> None:
    """A capture that begins at an instant of a line; the frame is where the line's own maker puts it."""
    frame = FrameFormat.parse(form)
    whole = line(words, form, 1 / BIT, dead=dead, lead=2.0)
    passed = int(np.searchsorted(whole.ticks, at))
    begun = Edges(whole.ticks[passed:] - at, 1 ^ (passed & 1), 1e-6, whole.end - at)
    sent = [(2.0 + (frame.bits + dead) * index) * BIT - at for index in range(len(words))]
    first = next(start for start in sent if start >= 0)
    assert begun.ticks[found] == pytest.approx(first)
    assert first_start(begun, LineTiming(BIT, 1, frame)) == found
