"""Captures as files, as an oscilloscope would leave them: made from lines of ours."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from profiles.frames import FrameFormat
from tests.profiles.bench.lines import edge_times

__all__ = ["bursts_with_dead_times", "write_logic", "write_voltage"]


def bursts_with_dead_times(
    bursts: Sequence[bytes], *, inside: float = 0.0, between: float = 100.0
) -> tuple[list[int], list[float]]:
    """All bytes in a row, and the bit times of idle line before each."""
    values, dead = [], []
    for burst in bursts:
        values += list(burst)
        dead += [between] + [inside] * (len(burst) - 1)
    return values, dead


def write_logic(
    path: Path,
    bursts: Sequence[bytes],
    *,
    frame: str = "8N1",
    baud: float = 4800.0,
    inside: float = 0.0,
    between: float = 100.0,
    channel: str = "CH1",
) -> Path:
    """A list of changes: seconds and level, as logic recorders export it."""
    values, dead = bursts_with_dead_times(bursts, inside=inside, between=between)
    times, back = edge_times(values, FrameFormat.parse(frame), 1 / baud, dead=dead)
    rows = [f"Time [s],{channel}", "0.000000000,1"]
    rows += [f"{at:.9f},{int(level)}" for at, level in zip(times, back, strict=True)]
    rows.append(f"{times[-1] + 60 / baud:.9f},1")
    path.write_text("\n".join(rows) + "\n")
    return path


def write_voltage(
    path: Path,
    channels: dict[str, tuple[Sequence[bytes], float]],
    *,
    baud: float = 4800.0,
    inside: float = 0.0,
    between: float = 100.0,
    noise: float = 0.03,
    samples: int = 16,
) -> Path:
    """Voltages of several lines on one time axis: for each its bursts and how many seconds late they are."""
    rng = np.random.default_rng(5)
    lines = {}
    for name, (bursts, late) in channels.items():
        values, dead = bursts_with_dead_times(bursts, inside=inside, between=between)
        times, back = edge_times(values, FrameFormat(), 1 / baud, dead=dead)
        lines[name] = (times + late, back)
    step = 1 / baud / samples
    axis = np.arange(0.0, max(times[-1] for times, _ in lines.values()) + 60 / baud, step)
    columns = [axis]
    for times, back in lines.values():
        level = np.concatenate(([1.0], back))[np.searchsorted(times, axis, side="right")]
        columns.append(5.0 * level + rng.normal(0.0, noise, len(axis)))
    rows = [",".join(["Time (s)", *(f"{name} (V)" for name in lines)])]
    rows += [
        ",".join([f"{at:.8f}", *(f"{v:.3f}" for v in volts)]) for at, *volts in zip(*columns, strict=True)
    ]
    path.write_text("\n".join(rows) + "\n")
    return path
