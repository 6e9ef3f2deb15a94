"""Lines as our tests make them: frames to edges, straight from the definition of a frame's cells."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from profiles.bench.edges import Edges, FloatArray
from profiles.frames import FrameFormat


def edge_times(
    values: Sequence[int],
    frame: FrameFormat,
    bit: float,
    *,
    dead: Sequence[float] | float = 0.0,
    lead: float = 20.0,
    shift: float = 0.0,
) -> tuple[FloatArray, FloatArray]:
    """The edges of frames and which of them lead back to idle (1) or away (0).

    Args:
        values: data words.
        frame: their format.
        bit: seconds in a bit time.
        dead: bit times of idle line before each frame but the first.
        lead: bit times of idle line before the first.
        shift: how much later edges back to idle come, in bit times.
    """
    at = lead
    times, back = [], []
    for index, value in enumerate(values):
        if index:
            at += dead if isinstance(dead, int | float) else dead[index]
        level, cell = 1, at
        for new, length in frame.cells(value):
            if new != level:
                times.append(cell + shift * new)
                back.append(new)
                level = new
            cell += length
        at = cell
    return np.array(times) * bit, np.array(back, float)


def line(
    values: Sequence[int],
    frame: FrameFormat | str,
    baud: float,
    *,
    idle: int = 1,
    dead: Sequence[float] | float = 0.0,
    lead: float = 20.0,
    tail: float = 30.0,
    shift: float = 0.0,
    jitter: float = 0.0,
    rng: np.random.Generator | None = None,
    sample: float | None = None,
) -> Edges:
    """A captured line: ``jitter`` in bit times, ``sample`` the sample interval in bit times (None: exact
    times)."""
    form = FrameFormat.parse(frame) if isinstance(frame, str) else frame
    bit = 1 / baud
    times, _ = edge_times(values, form, bit, dead=dead, lead=lead, shift=shift)
    if jitter:
        assert rng is not None
        times = np.sort(times + rng.normal(0, jitter * bit, len(times)))
    end = (times[-1] if len(times) else 0.0) + tail * bit
    if sample is None:
        return Edges(times, idle, 1.0, end, 1e-9 * bit)
    interval = sample * bit
    ticks = np.ceil(times / interval).astype(np.int64)
    return Edges(ticks, idle, interval, float(int(end / interval)))
