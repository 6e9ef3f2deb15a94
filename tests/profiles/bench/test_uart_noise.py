"""What is on a line beside frames: nothing, noise, pulses that are no start bit, stretches not recorded."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from profiles.bench import uart
from profiles.bench.edges import Edges
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
"""Ticks."""
TIMING = LineTiming(BIT, 1, FrameFormat())


def read(ticks: list[float], *, end: float = 100_000.0, first_level: int = 1) -> Frames:
    return decode_edges(Edges(np.array(ticks), first_level, 1e-6, end), TIMING)


def check_empty(frames: Frames) -> None:
    """Arrays without an element, each of the type that it has with some."""
    assert len(frames) == 0
    assert [len(array) for array in (frames.starts, frames.values, frames.errors, frames.ends)] == [0] * 4
    assert [array.dtype for array in (frames.starts, frames.values, frames.errors, frames.ends)] == [
        np.float64,
        np.uint16,
        np.uint8,
        np.float64,
    ]
    assert frames.data == b""
    assert len(frames.dead_times) == 0
    assert bursts(frames, 0.001) == []


@pytest.mark.parametrize(("ticks", "first_level"), [([], 1), ([], 0), ([5000.0], 0)])
def test_a_line_that_never_leaves_idle_has_no_frames(ticks: list[float], first_level: int) -> None:
    frames = read(ticks, first_level=first_level)
    check_empty(frames)
    assert (frames.glitches, frames.false_starts) == (0, 0)


@pytest.mark.parametrize("count", [2, 65535, 65536, 65537, 65538, 200_000, 200_001])
def test_noise_of_any_length_has_no_frames(count: int) -> None:
    """Edges a tick apart are glitches, two edges each; more of them than are decoded in one go."""
    frames = read((5000.0 + np.arange(count)).tolist(), end=count + 100_000.0)
    if count % 2:
        # One edge is left, and the line stays low to the end of the capture.
        assert [FrameError(error) for error in frames.errors] == [FrameError.BREAK]
    else:
        check_empty(frames)
    assert frames.glitches == count // 2


def test_frames_behind_much_noise_are_read() -> None:
    noise = 5000.0 + np.arange(150_000)
    frame = line([0x5A, 0xC3], "8N1", 1 / BIT, lead=20)
    ticks = np.concatenate([noise, frame.ticks + noise[-1]])
    frames = decode_edges(Edges(ticks, 1, 1e-6, float(ticks[-1]) + 3000), TIMING)
    assert frames.data == b"\x5a\xc3"
    assert frames.glitches == 75_000


def test_pulses_that_are_no_start_bit_are_counted_with_and_without_frames() -> None:
    """Back at idle before the middle of a start bit, where a receiver looks again (any UART data sheet)."""
    pulses = [1000.0, 1040.0, 3000.0, 3049.0]
    alone = read(pulses)
    check_empty(alone)
    assert (alone.glitches, alone.false_starts) == (0, 2)
    before = read([*pulses, 5000.0, 5100.0])
    assert before.data == b"\xff"
    assert before.false_starts == 2
    assert before.starts.tolist() == [pytest.approx(5000e-6)]
    start_bit = read([1000.0, 1050.0])
    assert (start_bit.data, start_bit.false_starts) == (b"\xff", 0)


def test_blocks_of_any_size_count_the_same() -> None:
    """In the rest before each of 400 frames a glitch and a pulse that is no start bit."""
    words = np.random.default_rng(3).integers(0, 256, 400).tolist()
    clean = line(words, "8N1", 1 / BIT, lead=20, dead=8)
    begins = 20 * BIT + 18 * BIT * np.arange(400)
    added = np.concatenate([begins - 500, begins - 490, begins - 300, begins - 260])
    edges = Edges(np.sort(np.concatenate([clean.ticks, added])), 1, 1e-6, clean.end)
    for size in (16, 64, 301, 1 << 16):
        blocks = list(frame_blocks(edges, TIMING, block=size))
        found = [(len(block.words), block.glitches, block.false_starts) for block in blocks]
        assert np.sum(found, axis=0).tolist() == [400, 400, 400], size
        # A block is made longer only where it holds no frame.
        assert (len(blocks) > 1) is (size < len(edges.ticks)), size


def test_an_edge_before_noise_without_end_is_not_read_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    """The longest block then holds one start and no frame that is known to be whole."""
    monkeypatch.setattr(uart, "_LONGEST_BLOCK", 64)
    noise = 5000.0 + 2 * np.arange(1000)
    edges = Edges(np.concatenate([[1000.0], noise]), 1, 1e-6, 20_000.0)
    blocks = list(itertools.islice(frame_blocks(edges, TIMING, start=0, block=16), 100))
    assert len(blocks) < 100
    assert 490 < sum(block.glitches for block in blocks) <= 500


def test_noise_without_end_is_given_up_before_the_memory_is_full(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uart, "_LONGEST_BLOCK", 64)
    noise = 5000.0 + np.arange(1000)
    edges = Edges(np.concatenate([noise, noise[-1] + np.array([500.0, 600.0])]), 1, 1e-6, 20_000.0)
    blocks = list(frame_blocks(edges, TIMING, start=0, block=16))
    assert [len(block.words) for block in blocks] == [0] * (len(blocks) - 1) + [1]
    assert sum(block.glitches for block in blocks) == 500
    assert max(block.glitches for block in blocks) == 32


def test_a_pulse_close_to_a_frame_does_not_swallow_its_start() -> None:
    frames = read([1000.0, 1040.0, 1200.0, 1300.0, 1400.0, 1500.0])
    assert frames.starts.tolist() == [pytest.approx(1200e-6)]
    assert frames.data == b"\xfd"
    assert frames.false_starts == 1


def test_an_edge_back_that_comes_late_makes_a_start_bit_no_longer() -> None:
    """With edges back to idle 20 ticks late, 60 ticks of the line seen are 40 of it."""
    late = LineTiming(BIT, 1, FrameFormat(), shift=20.0)
    edges = Edges(np.array([1000.0, 1060.0, 3000.0, 3080.0]), 1, 1e-6, 100_000.0)
    frames = decode_edges(edges, late)
    assert (frames.starts.tolist(), frames.false_starts) == ([pytest.approx(3000e-6)], 1)


def test_a_first_start_is_never_where_no_frame_is_read() -> None:
    """A frame without its stop bit, and behind it pulses that are none: skipping it would read nothing."""
    ticks = [100.0, 400.0, 700.0, 1900.0, 2500.0, 2540.0, 2700.0, 2740.0]
    edges = Edges(np.array(ticks), 1, 1e-6, 100_000.0)
    assert first_start(edges, TIMING) == 0
    frames = decode_edges(edges, TIMING)
    assert [FrameError(error) for error in frames.errors] == [FrameError.FRAMING]
    assert frames.false_starts == 2


def test_a_capture_that_begins_right_before_a_frame_and_a_rest() -> None:
    """A reading with no fault, with a rest after its first frame, is not looked past."""
    whole = line([0x41, 0x42, 0x43, 0x44], "8N1", 1 / BIT, lead=2, dead=[0, 40, 0, 0])
    assert first_start(whole, TIMING) == 0
    assert decode_edges(whole, TIMING).data == b"ABCD"


def test_a_last_frame_that_the_end_cuts_off_is_left_out() -> None:
    whole = line([0x41, 0x42], "8N1", 1 / BIT)
    begin = 20 * BIT + 10 * BIT
    for end, count in ((begin + 9.4 * BIT, 1), (begin + 9.6 * BIT, 2)):
        cut = Edges(whole.ticks[whole.ticks <= end], 1, 1e-6, end)
        assert len(decode_edges(cut, TIMING)) == count
    alone = decode_edges(Edges(np.array([1000.0, 1300.0, 1310.0]), 1, 1e-6, 1500.0), TIMING)
    assert (len(alone), alone.glitches) == (0, 0), "nor is the glitch in it counted"


def test_frames_in_which_something_was_not_recorded_are_dropped() -> None:
    cells = line([0x41, 0x42, 0x43], "8N1", 1 / BIT, lead=10, dead=[0, 20, 20])
    low = float(cells.ticks[-1]) + 3000.0
    ticks = np.concatenate([cells.ticks, [low, low + 1500.0]])
    # Frames of a thousand ticks at 1000, 4000 and 7000; then a break.
    gaps = ((1500.0, 2600.0), (5000.0, 5300.0), (6900.0, 7000.0))
    frames = decode_edges(Edges(ticks, 1, 1e-6, low + 9000.0, gaps=gaps), TIMING)
    assert frames.starts.tolist() == pytest.approx([4000e-6, 7000e-6, low * 1e-6])
    assert frames.values.tolist() == [0x42, 0x43, 0]
    assert frames.ends.tolist() == pytest.approx([5000e-6, 8000e-6, (low + 1500.0) * 1e-6])
    assert [FrameError(error) for error in frames.errors][-1] is FrameError.BREAK
    assert frames.lost_in_gaps == 1
    assert frames.break_lengths == {2: pytest.approx(1500e-6)}
    assert frames.data == b"BC"
    cut_off = decode_edges(Edges(ticks, 1, 1e-6, low + 9000.0, gaps=((low + 10.0, low + 20.0),)), TIMING)
    assert (cut_off.lost_in_gaps, cut_off.break_lengths, len(cut_off)) == (1, {}, 3)


def test_the_words_of_faults() -> None:
    """As docs/bench.md and ``decode --json`` have them."""
    assert [error.word for error in FrameError] == [None, "framing", "parity", "break"]


def test_a_break_that_lasts_to_the_end_of_the_capture() -> None:
    frames = read([1000.0], end=6000.0)
    assert frames.break_lengths == {0: pytest.approx(5000e-6)}
    assert frames.ends.tolist() == pytest.approx([6000e-6])
    assert frames.errors.tolist() == [FrameError.BREAK]
    behind_a_pulse = read([400.0, 440.0, 1000.0], end=6000.0)
    assert behind_a_pulse.errors.tolist() == [FrameError.BREAK]
    assert behind_a_pulse.false_starts == 1


def test_blocks_tell_of_glitches_where_they_have_no_frames() -> None:
    edges = Edges(np.array([1000.0, 1010.0]), 1, 1e-6, 9000.0)
    (block,) = frame_blocks(edges, TIMING)
    assert (len(block.starts), len(block.words), len(block.firsts), len(block.cells)) == (0, 0, 0, 0)
    assert (block.glitches, block.false_starts) == (1, 0)
    (block,) = frame_blocks(Edges(np.array([1000.0, 1040.0]), 1, 1e-6, 9000.0), TIMING)
    assert (len(block.edges), len(block.cells)) == (0, 0)
    assert (block.glitches, block.false_starts) == (0, 1)
