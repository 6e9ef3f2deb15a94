"""The measured waveform of a stretch of time, cut into columns: what a picture of it is drawn from.

Heights are counted in the line's own levels: 0 where it rests low, 1 where it rests high, beyond them where
it overshoots. A line that was captured as a level has 0 and 1 alone; one that was recorded as bytes has what
its bits say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from profiles.bench.capture import TimeBase
from profiles.bench.decoding import DecodedChannel, DecodedSegment
from profiles.bench.edges import Edges, FloatArray, IntArray
from profiles.bench.levels import Levels, Samples
from profiles.bench.uart import FrameError

__all__ = ["Trace", "index_at", "trace"]

_MOST_IN_COLUMN = 5_000
"""Samples looked at in one column: of more, every n-th."""
_MOST_FRAMES = 5_000
"""Frames of a recording that are drawn at once."""


@dataclass(frozen=True, slots=True)
class Trace:
    """A waveform in columns of equal width; three arrays of one length."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    measured: bool
    """False where it was drawn from bytes, since nothing else was recorded."""


def trace(channel: DecodedChannel, begin: float, end: float, columns: int) -> Trace:
    """The waveform between two instants.

    Args:
        channel: the line.
        begin: seconds from the capture's start.
        end: seconds, later than ``begin``.
        columns: how many columns, one at least.

    Returns:
        For each column its mean, lowest and highest level.
    """
    limits: FloatArray = np.linspace(begin, end, columns + 1)
    source, levels = channel.channel, channel.levels
    if source.samples is not None and source.time is not None and levels is not None and levels.alive:
        return _of_samples(source.samples, source.time, levels, limits)
    if any(len(part.segment.edges) for part in channel.segments):
        return _of_edges([part.segment.edges for part in channel.segments], limits)
    if channel.levels is None and channel.segments and len(channel.main.segment.frames):
        drawn = _of_edges([_edges_of_bytes(channel.main, begin, end)], limits)
        return Trace(drawn.mean, drawn.low, drawn.high, measured=False)
    flat = np.full(columns, float(channel.main.segment.edges.first_level) if channel.segments else 0.0)
    return Trace(flat, flat, flat, measured=True)


def index_at(time: TimeBase, instant: float) -> int:
    """The first sample that is not before an instant, by halving: samples rise in time, evenly or not."""
    low, high = 0, time.count
    while low < high:
        middle = (low + high) // 2
        if float(time.at(np.array([middle]))[0]) < instant:
            low = middle + 1
        else:
            high = middle
    return low


def _places(time: TimeBase, instants: FloatArray) -> FloatArray:
    """Where instants lie among the samples, counted in samples with fractions."""
    last = max(time.count - 1, 0)
    if time.even:
        return np.asarray(np.clip(instants / time.interval, 0.0, last), np.float64)
    if time.times is not None:
        return np.asarray(np.interp(instants, time.times, np.arange(len(time.times))), np.float64)
    after = np.array([index_at(time, float(instant)) for instant in instants])
    before = np.maximum(after - 1, 0)
    after = np.minimum(after, last)
    begins, ends = time.at(before), time.at(after)
    share = np.divide(instants - begins, ends - begins, out=np.zeros(len(instants)), where=ends > begins)
    return np.asarray(before + np.clip(share, 0.0, 1.0), np.float64)


def _of_samples(samples: Samples, time: TimeBase, levels: Levels, limits: FloatArray) -> Trace:
    """Columns of a voltage; where a column is narrower than a sample, what lies between two of them."""
    places = _places(time, limits)
    middles = (places[:-1] + places[1:]) / 2
    first = np.ceil(places[:-1]).astype(np.int64)
    stop = np.minimum(np.ceil(places[1:]).astype(np.int64), len(samples))
    columns = len(middles)
    mean, low, high = (np.empty(columns) for _ in range(3))
    for column in range(columns):
        begin, end = int(first[column]), int(stop[column])
        if end > begin:
            piece = samples[begin : end : max(1, (end - begin) // _MOST_IN_COLUMN)]
            mean[column], low[column], high[column] = piece.mean(), piece.min(), piece.max()
        else:
            left = min(int(middles[column]), len(samples) - 1)
            right = min(left + 1, len(samples) - 1)
            share = middles[column] - left
            mean[column] = low[column] = high[column] = samples[left] * (1 - share) + samples[right] * share
    mean, low, high = ((each - levels.low) / levels.swing for each in (mean, low, high))
    return Trace(mean, low, high, measured=True)


def _of_edges(parts: Sequence[Edges], limits: FloatArray) -> Trace:
    """Columns of a level: for each the share of time that it was high."""
    begin, end = float(limits[0]), float(limits[-1])
    level, times = parts[0].first_level, []
    for edges in parts:
        first, last = np.searchsorted(edges.ticks, (begin / edges.tick, end / edges.tick), side="right")
        if first:
            level = edges.first_level ^ int(first) & 1
        times.append(np.asarray(edges.ticks[first:last], np.float64) * edges.tick)
    inside = np.concatenate(times)
    knots = np.concatenate(([begin], inside, [end]))
    levels = (level + np.arange(len(inside) + 1)) & 1
    high_time = np.concatenate(([0.0], np.cumsum(np.diff(knots) * levels)))
    mean = np.diff(np.interp(limits, knots, high_time)) / np.diff(limits)
    before: IntArray = np.searchsorted(inside, limits, side="right")
    starting = (level + before[:-1]) & 1
    changes = np.diff(before) > 0
    low = np.where(changes, 0.0, starting)
    high = np.where(changes, 1.0, starting)
    return Trace(np.clip(mean, 0.0, 1.0), low, high, measured=True)


def _edges_of_bytes(part: DecodedSegment, begin: float, end: float) -> Edges:
    """The edges that the bits of recorded bytes have, where no waveform was."""
    timing, frames = part.fit.timing, part.segment.frames
    if timing is None:
        return Edges(np.empty(0), part.segment.edges.first_level, 1.0, end)
    bit = timing.bit * part.segment.edges.tick
    first = max(0, int(np.searchsorted(frames.ends, begin)) - 1)
    last = min(int(np.searchsorted(frames.starts, end)) + 1, first + _MOST_FRAMES)
    found, level = [], 1
    for index in range(first, min(last, len(frames))):
        at = float(frames.starts[index])
        if frames.errors[index] != FrameError.NONE:
            continue
        for new, length in timing.frame.cells(int(frames.values[index])):
            if new != level:
                found.append(at)
                level = new
            at += length * bit
    return Edges(np.array(found), timing.idle, 1.0, end)
