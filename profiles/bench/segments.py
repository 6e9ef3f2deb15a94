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
_FEW = 4
"""Frames with errors that say nothing yet."""
_LEAST_EDGES = 24
_GOOD_ENOUGH = 0.9
"""Confidence in both halves, less their share of errors, at which no further cut is tried."""
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
    return tuple(_read(_whole(edges, overrides, 0.0), overrides, 3))


def _whole(edges: Edges, overrides: LineOverrides, start: float) -> Segment:
    fit = find_line(edges, overrides)
    if fit.timing is None:
        frames = Frames(np.empty(0), np.empty(0, np.uint16), np.empty(0, np.uint8), np.empty(0))
    else:
        frames = decode_edges(edges, fit.timing, start=fit.start)
    return Segment(start, edges.duration, edges, fit, frames)


def _read(whole: Segment, overrides: LineOverrides, depth: int) -> list[Segment]:
    """A stretch as it is, or cut in two where that reads better, and so on."""
    edges, timing = whole.edges, whole.fit.timing
    if overrides.baud is not None or timing is None or depth == 0 or len(edges) < 2 * _LEAST_EDGES:
        return [whole]
    bad = _bad_share(whole)
    doubtful = (bad > _BAD_SHARE and bad * len(whole.frames) >= _FEW) or whole.fit.frame is None
    if not doubtful and _change(whole) is None:
        return [whole]
    best: tuple[float, Segment, Segment] | None = None
    for cut in _rests(edges, whole):
        middle = float(edges.ticks[cut]) * edges.tick
        first = _whole(edges.part(0, cut), overrides, whole.start)
        if first.fit.frame is None or first.fit.timing is None:
            continue
        second = _whole(edges.part(cut, len(edges)), overrides, middle)
        if second.fit.frame is None or second.fit.timing is None:
            continue
        if 0.97 < first.fit.timing.bit / second.fit.timing.bit < 1.03:
            continue
        wrong = sum(_bad_share(side) * len(side.frames) for side in (first, second))
        share = wrong / max(len(first.frames) + len(second.frames), 1)
        quality = min(first.fit.confidence, second.fit.confidence) - share
        if best is None or quality > best[0]:
            best = (quality, first, second)
        if quality > _GOOD_ENOUGH:
            break
    if best is None or best[0] < 0.5:
        return [whole]
    return [*_read(best[1], overrides, depth - 1), *_read(best[2], overrides, depth - 1)]


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
