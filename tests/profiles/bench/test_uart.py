"""Edges to frames: held against the bits of published tables and a hardware receiver's tolerance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.bench.edges import Edges, logic_edges
from profiles.bench.uart import FrameError, LineTiming, bursts, decode_edges, frame_blocks
from profiles.errors import BadValue
from profiles.frames import FrameFormat, Parity
from tests.profiles.bench.lines import line

# Line bits in the order of time, idle being 1: from the definition of a frame in Analog Devices/Maxim
# tutorial
# 2141 "UART Timing", worked out by hand.
WORKED = {
    (0x55, "8N1"): "0101010101",
    (0xAA, "8N1"): "0010101011",
    (0x00, "8N1"): "0000000001",
    (0xFF, "8N1"): "0111111111",
    (0x41, "8N1"): "0100000101",
    (0x41, "8E1"): "01000001001",
    (0x41, "8O1"): "01000001011",
    (0x41, "7E1"): "0100000101",
    (0x41, "7O1"): "0100000111",
    (0x43, "7E1"): "0110000111",
    (0x31, "7E1"): "0100011011",
    (0x7F, "8N2"): "01111111011",
    (0xE5, "8E1"): "01010011111",
}


def sampled(bits: str, per_bit: int = 16, lead: int = 3) -> Edges:
    cells = [1] * lead + [int(bit) for bit in bits] + [1] * 12
    return logic_edges(np.repeat(np.array(cells, np.uint8), per_bit), 1e-6)


@pytest.mark.parametrize(("case", "bits"), WORKED.items())
def test_frames_worked_by_hand(case: tuple[int, str], bits: str) -> None:
    value, frame = case
    frames = decode_edges(sampled(bits), LineTiming(16.0, 1, FrameFormat.parse(frame)))
    assert frames.values.tolist() == [value]
    assert frames.errors.tolist() == [FrameError.NONE]
    assert frames.starts[0] == pytest.approx(3 * 16e-6)


def test_seven_bits_with_parity_read_as_eight_carry_the_parity_on_top() -> None:
    # "/?!" CR LF at 7E1 reads AF 3F 21 8D 0A at 8N1: from the firmware of a published meter reader.
    edges = line(b"/?!\r\n", "7E1", 300)
    frames = decode_edges(edges, LineTiming(1 / 300, 1, FrameFormat()))
    assert frames.data.hex(" ").upper() == "AF 3F 21 8D 0A"


# ATmega328P data sheet 7810C, table 19-2, normal speed: (data and parity bits, R_slow, R_fast in per cent).
ATMEGA = [
    (5, 93.20, 106.67),
    (6, 94.12, 105.79),
    (7, 94.81, 105.11),
    (8, 95.36, 104.58),
    (9, 95.81, 104.14),
    (10, 96.17, 103.78),
]


def atmega(bits: int) -> tuple[float, float]:
    """The data sheet's formula with 16 samples a bit: the slowest and fastest rate against the receiver's."""
    s, first, middle = 16, 8, 9
    slow = (bits + 1) * s / (s - 1 + bits * s + first)
    fast = (bits + 2) * s / ((bits + 1) * s + middle)
    return slow, fast


@pytest.mark.parametrize(("bits", "slow", "fast"), ATMEGA)
def test_the_data_sheets_formula_is_reproduced(bits: int, slow: float, fast: float) -> None:
    # The table's total error for 8 bits says -4.54; formula and R_slow say -4.64: a misprint of the data
    # sheet.
    assert [round(100 * rate, 1) for rate in atmega(bits)] == [round(slow, 1), round(fast, 1)]


@pytest.mark.parametrize(("bits", "slow", "fast"), ATMEGA)
def test_a_known_rate_holds_over_all_that_a_hardware_receiver_tolerates(
    bits: int, slow: float, fast: float
) -> None:
    frame = FrameFormat(bits) if bits < 10 else FrameFormat(9, Parity.EVEN)
    words = np.random.default_rng(bits).integers(0, 1 << frame.data_bits, 200).tolist()
    for sender in np.linspace(slow / 100, fast / 100, 21).tolist():
        edges = line(words, frame, 9600 * sender)
        frames = decode_edges(edges, LineTiming(1 / 9600, 1, frame))
        assert frames.values.tolist() == words, sender
        assert not frames.errors.any(), sender


@pytest.mark.parametrize("cells", [7, 8, 9, 10, 11])
def test_a_known_rate_holds_to_the_ideal_limit(cells: int) -> None:
    # Sharp edges and a sample in the middle of the last cell: 0.5 / (N - 0.5) of clock error for N cells,
    # by geometry.
    frame = FrameFormat(cells - 2)
    limit = 0.5 / (cells - 0.5)
    words = np.random.default_rng(cells).integers(0, 1 << frame.data_bits, 300).tolist()
    for sign in (-1, 1):
        edges = line(words, frame, 9600 / (1 + sign * limit * 0.99), dead=3.0)
        frames = decode_edges(edges, LineTiming(1 / 9600, 1, frame))
        assert frames.values.tolist() == words
        assert not frames.errors.any()
        past = line(words, frame, 9600 / (1 + sign * limit * 1.1), dead=3.0)
        wrong = decode_edges(past, LineTiming(1 / 9600, 1, frame))
        assert wrong.values.tolist() != words or wrong.errors.any()


def test_dead_times_and_bursts() -> None:
    edges = line([1, 2, 3, 4, 5], "8N1", 9600, dead=[0, 0, 2.5, 30, 0])
    frames = decode_edges(edges, LineTiming(1 / 9600, 1, FrameFormat()))
    dead = frames.dead_times
    assert np.isnan(dead[0])
    assert dead[1:] * 9600 == pytest.approx([0, 2.5, 30, 0], abs=1e-6)
    assert bursts(frames, 20 / 9600) == [(0, 3), (3, 5)]
    assert bursts(frames, 2 / 9600) == [(0, 2), (2, 3), (3, 5)]


def test_glitches_shorter_than_a_quarter_bit_are_dropped_and_counted() -> None:
    clean = line([0x0F, 0xA5, 0x00, 0xFF], "8N1", 9600, dead=4)
    bit = 1 / 9600
    spikes = np.array([0.3, 3.1, 12.0, 25.2]) * bit + 20 * bit
    added = np.concatenate([spikes, spikes + 0.2 * bit])
    edges = Edges(np.sort(np.concatenate([clean.ticks, added])), 1, 1.0, clean.end)
    frames = decode_edges(edges, LineTiming(bit, 1, FrameFormat()))
    assert frames.values.tolist() == [0x0F, 0xA5, 0x00, 0xFF]
    assert not frames.errors.any()
    assert frames.glitches == 4


def test_an_edge_that_bounces_counts_once() -> None:
    clean = line([0x55, 0x33], "8N1", 9600)
    bit = 1 / 9600
    bounce = clean.ticks[3] + np.array([0.05, 0.1]) * bit
    edges = Edges(np.sort(np.concatenate([clean.ticks, bounce])), 1, 1.0, clean.end)
    frames = decode_edges(edges, LineTiming(bit, 1, FrameFormat()))
    assert frames.values.tolist() == [0x55, 0x33]
    assert frames.glitches == 1


def test_framing_errors_parity_errors_and_breaks_are_told_apart() -> None:
    # start, 0x41, wrong parity, stop | start, 0x41 and no stop bit | 14 bit times low | start, 0x41, right
    # parity
    cells = "1" * 20 + "01000001011" + "1" * 6 + "01000001000" + "1" * 8 + "0" * 14 + "1" * 5 + "01000001001"
    frames = decode_edges(sampled(cells), LineTiming(16.0, 1, FrameFormat.parse("8E1")))
    assert [FrameError(error) for error in frames.errors] == [
        FrameError.PARITY,
        FrameError.FRAMING,
        FrameError.BREAK,
        FrameError.NONE,
    ]
    assert frames.break_lengths[2] == pytest.approx(14 * 16e-6)
    assert frames.values[3] == 0x41


def test_a_capture_that_begins_in_the_middle_of_a_frame() -> None:
    words = list(range(60, 100))
    whole = line(words, "8N1", 9600)
    for cut in range(1, 9):
        edges = Edges(whole.ticks[cut:] - whole.ticks[cut] + 1e-4, 1 ^ cut & 1, 1.0, whole.end)
        frames = decode_edges(edges, LineTiming(1 / 9600, 1, FrameFormat()))
        assert frames.values.tolist()[-38:] == words[-38:], cut


def test_blocks_of_any_size_give_the_same_frames() -> None:
    rng = np.random.default_rng(8)
    words = rng.integers(0, 256, 3000).tolist()
    edges = line(words, "8N1", 115200, dead=rng.exponential(2, 3000).tolist(), sample=0.05)
    timing = LineTiming(20.0, 1, FrameFormat())
    for size in (64, 301, 4096, 1 << 20):
        blocks = list(frame_blocks(edges, timing, block=size))
        read = np.concatenate([block.words for block in blocks])
        assert (read >> 1 & 0xFF).tolist() == words, size
        assert sum(len(block.cells) for block in blocks) == len(edges), "each edge in one block"


@settings(max_examples=150, deadline=None)
@given(
    data=st.integers(5, 9),
    parity=st.sampled_from(Parity),
    stop=st.sampled_from([1.0, 1.5, 2.0]),
    idle=st.integers(0, 1),
    words=st.lists(st.integers(0, 511), min_size=1, max_size=40),
    dead=st.floats(0, 40),
    shift=st.floats(-0.2, 0.2),
)
def test_what_is_sent_is_read(
    data: int, parity: Parity, stop: float, idle: int, words: list[int], dead: float, shift: float
) -> None:
    frame = FrameFormat(data, parity, stop)
    sent = [word & (1 << data) - 1 for word in words]
    edges = line(sent, frame, 31250, idle=idle, dead=dead, shift=shift)
    frames = decode_edges(edges, LineTiming(1 / 31250, idle, frame))
    assert frames.values.tolist() == sent
    assert not frames.errors.any()


def test_samples_without_a_time_are_refused() -> None:
    with pytest.raises(BadValue, match="not one sample"):
        logic_edges(np.empty(0, bool), 1e-6)
    with pytest.raises(BadValue, match="interval"):
        logic_edges(np.ones(4, bool), 0.0)


def test_levels_may_be_any_number_but_nought() -> None:
    assert logic_edges(np.array([0, 5, 7, 0], np.int16), 1.0).ticks.tolist() == [1, 3]


@given(
    levels=st.lists(st.integers(0, 1), min_size=2, max_size=90),
    scale=st.sampled_from([(np.bool_, 1), (np.uint8, 1), (np.int16, 7)]),
    repeat=st.integers(1, 12),
)
def test_edges_are_where_neighbours_differ(
    levels: list[int], scale: tuple[type[np.generic], int], repeat: int
) -> None:
    kind, high = scale
    samples = [level for level in levels for _ in range(repeat)]
    edges = logic_edges((np.array(samples) * high).astype(kind), 1e-6)
    assert edges.ticks.tolist() == [at for at in range(1, len(samples)) if samples[at] != samples[at - 1]]
    assert edges.first_level == samples[0]
