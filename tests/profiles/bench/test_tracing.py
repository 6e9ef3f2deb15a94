"""Waveforms in columns, held against frames whose cells are known by construction."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from controller.recording import Recorder
from controller.records import Direction, Traffic
from profiles.bench.decoding import decode, decode_capture
from profiles.bench.readers.opening import read_capture
from profiles.bench.tracing import trace
from profiles.checking import load_profile
from profiles.frames import FrameFormat
from profiles.library import find
from tests.profiles.bench.captures import write_logic, write_voltage

MESSAGE = bytes.fromhex("A5 01 01 02")
BIT = 1 / 4800


def cells_of(value: int) -> list[int]:
    """The levels of an 8N1 frame on a line that idles high, a start bit first (any UART data sheet)."""
    return [0, *(value >> bit & 1 for bit in range(8)), 1]


@pytest.mark.parametrize("kind", ["voltage", "logic"])
def test_each_column_of_a_byte_has_the_level_of_its_cell(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "one.csv"
    if kind == "voltage":
        write_voltage(path, {"CH1": ([MESSAGE] * 3, 0.0)}, noise=0.02, samples=32)
    else:
        write_logic(path, [MESSAGE] * 3)
    channel = decode_capture(path).channels[0]
    frames = channel.main.segment.frames
    for index in (0, 1, 3, 5):
        start = float(frames.starts[index])
        # Two columns a cell, moved by a quarter cell so that no edge falls on a column's limit.
        drawn = trace(channel, start + BIT / 4, start + 9.75 * BIT, 19)
        assert drawn.measured
        wanted = cells_of(MESSAGE[index % 4])
        in_cells = [drawn.mean[2 * cell] for cell in range(10)]
        assert np.abs(np.array(in_cells) - wanted).max() < 0.05


def test_a_column_in_which_the_line_changes_says_so(tmp_path: Path) -> None:
    channel = decode_capture(write_logic(tmp_path / "one.csv", [MESSAGE] * 3)).channels[0]
    start = float(channel.main.segment.frames.starts[0])
    drawn = trace(channel, start - 0.9 * BIT, start + 0.9 * BIT, 3)
    # Idle, then the start edge in the middle of a column that is half and half, then the start bit.
    assert drawn.mean.tolist() == pytest.approx([1.0, 0.5, 0.0], abs=1e-3)
    assert (drawn.low.tolist(), drawn.high.tolist()) == ([1.0, 0.0, 0.0], [1.0, 1.0, 0.0])


def test_a_pulse_of_one_sample_is_not_lost_in_a_wide_column(tmp_path: Path) -> None:
    volts = np.zeros(4000)
    volts[1000:2000] = 5.0
    volts[3000] = 5.0
    path = tmp_path / "pulse.csv"
    path.write_text("Time (s),CH1 (V)\n" + "".join(f"{n * 1e-6:.6f},{v}\n" for n, v in enumerate(volts)))
    channel = decode_capture(path).channels[0]
    drawn = trace(channel, 0.0, 0.004, 8)
    assert drawn.mean[6] < 0.01
    assert drawn.high[6] == pytest.approx(1.0)
    assert drawn.high[7] == pytest.approx(0.0)


def test_columns_narrower_than_a_sample_lie_between_two(tmp_path: Path) -> None:
    channel = decode_capture(
        write_voltage(tmp_path / "v.csv", {"CH1": ([MESSAGE] * 2, 0.0)}, noise=0.0)
    ).channels[0]
    start = float(channel.main.segment.frames.starts[0])
    drawn = trace(channel, start - BIT / 16, start + BIT / 16, 40)
    falling = np.diff(drawn.mean)
    assert (falling <= 1e-9).all()
    assert drawn.mean[0] > 0.9
    assert drawn.mean[-1] < 0.1
    assert len(np.unique(np.round(drawn.mean, 3))) > 8


def test_a_recording_of_bytes_is_drawn_from_its_bits_and_says_so(tmp_path: Path) -> None:
    profile = load_profile(find("pellgate-chain").text(), "pellgate-chain").profile
    path = tmp_path / "heard.jsonl"
    with Recorder(path, "sound", profile) as recorder:
        recorder.add(Traffic("sound", 100.0, Direction.SENT, MESSAGE))
    channel = decode_capture(path).channels[0]
    start = float(channel.main.segment.frames.starts[0])
    bit = FrameFormat().time(profile.line.baud) / 10
    drawn = trace(channel, start, start + 10 * bit, 20)
    assert not drawn.measured
    assert drawn.mean[1::2].tolist() == pytest.approx(cells_of(0xA5))


def test_reading_and_decoding_tell_how_far_they_are_and_can_be_ended(tmp_path: Path) -> None:
    class Enough(Exception):
        pass

    told: list[tuple[int, int]] = []
    path = write_voltage(tmp_path / "v.csv", {"CH1": ([MESSAGE] * 2, 0.0), "CH2": ([MESSAGE] * 2, 0.001)})
    capture = read_capture(path, progress=lambda done, of: told.append((done, of)))
    assert told[-1][0] == told[-1][1] == path.stat().st_size
    told.clear()
    decode(capture, progress=lambda done, of: told.append((done, of)))
    assert told == [(0, 2), (1, 2)]

    def end(_done: int, _of: int) -> None:
        raise Enough

    with pytest.raises(Enough):
        read_capture(path, progress=end)
