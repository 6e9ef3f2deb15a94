"""One line, one setting, mostly: a capture in which the rate changes is cut where it does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from profiles.bench.edges import Edges
from profiles.bench.line_fit import LineFit, LineOverrides, find_line
from profiles.bench.uart import FrameError, Frames, decode_edges

__all__ = ["Segment", "read_line"]

_BAD_SHARE = 0.08
"""Share of frames with errors above which another rate is looked for."""
_LEAST_EDGES = 24
_TRIED = 8
"""Rests at which the rate may have changed that are tried."""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of a line with one setting."""

    start: float
    """Seconds from the start of the capture."""
    end: float
    edges: Edges
    fit: LineFit
    frames: Frames


def read_line(edges: Edges, overrides: LineOverrides) -> tuple[Segment, ...]:
    """Find a line's settings and read its frames; several segments where the rate changes in between."""
    return tuple(_read(edges, overrides, 0.0, 3))


def _whole(edges: Edges, overrides: LineOverrides, start: float) -> Segment:
    fit = find_line(edges, overrides)
    if fit.timing is None:
        frames = Frames(np.empty(0), np.empty(0, np.uint16), np.empty(0, np.uint8), np.empty(0))
    else:
        frames = decode_edges(edges, fit.timing, start=fit.start)
    return Segment(start, edges.duration, edges, fit, frames)


def _read(edges: Edges, overrides: LineOverrides, start: float, depth: int) -> list[Segment]:
    whole = _whole(edges, overrides, start)
    timing = whole.fit.timing
    if overrides.baud is not None or timing is None or depth == 0 or len(edges) < 2 * _LEAST_EDGES:
        return [whole]
    doubtful = _bad_share(whole) > _BAD_SHARE or whole.fit.frame is None
    if not doubtful:
        changed = _change(whole)
        if changed is None:
            return [whole]
    best: tuple[float, int] | None = None
    for cut in _rests(edges, whole):
        first, second = (find_line(part, overrides) for part in _parts(edges, cut))
        if first.frame is None or second.frame is None or first.timing is None or second.timing is None:
            continue
        if 0.97 < first.timing.bit / second.timing.bit < 1.03:
            continue
        sides = [_whole(part, overrides, 0.0) for part in _parts(edges, cut)]
        bad = sum(_bad_share(side) * max(len(side.frames), 1) for side in sides)
        quality = min(first.confidence, second.confidence) - bad / max(
            sum(len(side.frames) for side in sides), 1
        )
        if best is None or quality > best[0]:
            best = (quality, cut)
    if best is None or best[0] < 0.5:
        return [whole]
    left, right = _parts(edges, best[1])
    middle = float(edges.ticks[best[1]]) * edges.tick
    return [*_read(left, overrides, start, depth - 1), *_read(right, overrides, middle, depth - 1)]


def _parts(edges: Edges, cut: int) -> tuple[Edges, Edges]:
    return edges.part(0, cut), edges.part(cut, len(edges))


def _bad_share(segment: Segment) -> float:
    errors = segment.frames.errors
    bad = np.count_nonzero((errors == FrameError.FRAMING) | (errors == FrameError.PARITY))
    dropped = segment.frames.glitches + segment.frames.false_starts
    return float(bad + dropped) / max(len(errors) + dropped, 1)


def _change(segment: Segment) -> float | None:
    """When frames begin or cease to go wrong; None where errors are not all on one side."""
    bad = (segment.frames.errors == FrameError.FRAMING) | (segment.frames.errors == FrameError.PARITY)
    total, count = int(bad.sum()), len(bad)
    if total < 3 or count < 8:
        return None
    before = np.cumsum(bad)[:-1]
    index = np.arange(1, count)
    left, right = before / index, (total - before) / (count - index)
    gain = np.abs(left - right) * np.sqrt(np.minimum(index, count - index))
    best = int(np.argmax(gain))
    low, high = sorted((float(left[best]), float(right[best])))
    return float(segment.frames.starts[best + 1]) if high > 0.15 and low < 0.25 * high else None


def _rests(edges: Edges, whole: Segment) -> list[int]:
    """The edges after the longest rests, and after those near where frames begin to go wrong."""
    runs = np.diff(np.asarray(edges.ticks, np.float64))
    inner = np.arange(_LEAST_EDGES // 2, len(runs) - _LEAST_EDGES // 2)
    if not len(inner):
        return []
    longest = inner[np.argsort(-runs[inner], kind="stable")[:_TRIED]] + 1
    found = dict.fromkeys(int(edge) for edge in longest)
    changed = _change(whole)
    if changed is not None:
        place = int(np.searchsorted(edges.ticks, changed / edges.tick))
        nearby = inner[np.abs(inner - place) < 60]
        if len(nearby):
            around = nearby[np.argsort(-runs[nearby], kind="stable")[:4]] + 1
            found = dict.fromkeys([*(int(edge) for edge in around), *found])
    return list(found)[: _TRIED + 4]
