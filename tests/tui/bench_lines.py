"""Captures for the bench's tests: voltages and levels made of frames whose bytes and times are known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from profiles.bench.comparison import compare
from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.frames import FrameFormat
from tests.profiles.bench.captures import write_logic, write_voltage
from tui.bench_reading import Reading, Slots

BAUD = 4800.0
BIT = 1 / BAUD
POWER_ON = bytes.fromhex("A5 01 01 02")
STANDBY = bytes.fromhex("A5 01 02 03")

__all__ = [
    "BAUD",
    "BIT",
    "POWER_ON",
    "STANDBY",
    "compared",
    "damaged",
    "read_logic",
    "write_logic",
    "write_voltage",
]


def read_logic(path: Path, bursts: Sequence[bytes], **how: float) -> Reading:
    """A line that was captured as a level, read with its settings given."""
    write_logic(path, bursts, **how)  # type: ignore[arg-type]  # -- numbers alone are passed here
    options = DecodeOptions(baud=BAUD, frame=FrameFormat(), idle_high=True)
    return Reading(decode_capture(path, options).channels[0])


def compared(folder: Path, original: Sequence[bytes], replay: Sequence[bytes], **how: float) -> Slots:
    """Two lines laid over each other."""
    one = read_logic(folder / "original.csv", original)
    other = read_logic(folder / "replay.csv", replay, **how)
    return Slots(one, compare(one.channel.main, other.channel.main), other)


def damaged(path: Path, data: bytes, at: int) -> Path:
    """A capture in which the stop bit of one frame is low: times from the frame's definition, by hand."""
    rows = ["Time [s],CH1", "0.000000000,1"]
    start = 100 * BIT
    level = 1
    for number, value in enumerate(data):
        cells = [0, *(value >> bit & 1 for bit in range(8)), 0 if number == at else 1]
        for cell, new in enumerate([*cells, 1, 1, 1]):
            if new != level:
                rows.append(f"{start + cell * BIT:.9f},{new}")
                level = new
        start += 13 * BIT
    rows.append(f"{start + 60 * BIT:.9f},1")
    path.write_text("\n".join(rows) + "\n")
    return path
