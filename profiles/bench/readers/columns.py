"""Gathering the columns of a table as it streams by: time, voltages, logic levels.

Nothing here keeps the text, and evenly spaced times are kept as an interval, so that a gigabyte of text
becomes four bytes a sample.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from profiles.bench.capture import TimeBase
from profiles.bench.edges import Edges, FloatArray
from profiles.bench.levels import GREATEST, Samples
from profiles.errors import FileUnreadable

__all__ = ["LogicColumn", "TimeColumn", "VoltageColumn"]


_LATEST = 1e100
"""As written, in whatever unit: what is beyond it, or no number, is no time."""


class TimeColumn:
    """The times of the rows. Even ones, with jumps, become an interval; others are kept each."""

    def __init__(self, scale: float, where: str) -> None:
        self._scale = scale
        self._where = where
        self._pieces: list[tuple[int, float, int, float]] = []
        """(first row, its time, last row, its time) of evenly spaced stretches."""
        self._raw: list[FloatArray] | None = None
        self._interval: float | None = None
        self._last: float | None = None
        self.count = 0

    def add(self, times: FloatArray, quantum: float) -> None:
        """Take in the times of the next rows, as written.

        Args:
            times: as they stand in the file.
            quantum: the last digit's worth, as written.

        Raises:
            FileUnreadable: time runs backwards, or is missing.
        """
        if not len(times):
            return
        # Extremes of what has a missing one are missing too, and neither above nor below.
        with np.errstate(invalid="ignore"):
            told = times.min() > -_LATEST and times.max() < _LATEST
        if not told:
            row = self.count + int((~(np.abs(times) < _LATEST)).argmax()) + 1
            raise FileUnreadable(f"row {row} has no time", where=self._where, todo="take that row out")
        linked = times if self._last is None else np.concatenate(([self._last], times))
        steps = linked[1:] - linked[:-1]
        if len(steps) and steps.min() < -2 * quantum:
            row = self.count + int(steps.argmin()) + (2 if self._last is None else 1)
            raise FileUnreadable(
                f"time runs backwards at row {row}",
                where=self._where,
                todo="if several captures were written one after the other, cut them into files of their own",
            )
        if self._raw is None and not self._even(times, steps, quantum):
            self._raw = [self._spread()] if self.count else []
        if self._raw is not None:
            self._raw.append(times.copy())
        self._last = float(times[-1])
        self.count += len(times)

    def _even(self, times: FloatArray, steps: FloatArray, quantum: float) -> bool:
        """Take the times in as evenly spaced; False where they are not."""
        if self._interval is None:
            if len(times) < 3:
                if len(times) > 1:
                    self._interval = float(times[-1] - times[0]) / (len(times) - 1)
                self._pieces.append((0, float(times[0]), len(times) - 1, float(times[-1])))
                return True
            typical = float(np.median(steps))
            ordinary = np.abs(steps - typical) <= 0.5 * typical + 2 * quantum
            self._interval = float(steps[ordinary].mean()) if ordinary.any() else typical
        interval = self._interval
        if not interval > 0:
            return False
        jumps = np.flatnonzero(np.abs(steps - interval) > 0.5 * interval + 2 * quantum)
        if len(jumps) > max(4, len(times) // 2000):
            return False
        offset = 0 if self._last is None else -1
        # ``jumps`` are between linked rows: the row after the step starts a new stretch.
        starts = [int(jump) + 1 + offset for jump in jumps]
        limits = [0, *[start for start in starts if start > 0], len(times)]
        joined = self._last is not None and 0 not in starts
        fresh = []
        for first, stop in itertools.pairwise(limits):
            piece = times[first:stop]
            ideal = piece[0] + np.arange(len(piece)) * (
                (piece[-1] - piece[0]) / (len(piece) - 1) if len(piece) > 1 else 0.0
            )
            if np.abs(piece - ideal).max() > 1.5 * quantum + 0.02 * interval:
                return False
            row = self.count + first
            fresh.append((row, float(piece[0]), row + len(piece) - 1, float(piece[-1])))
        if joined and self._pieces:
            row, begin, _, _ = self._pieces.pop()
            fresh[0] = (row, begin, *fresh[0][2:])
        self._pieces += fresh
        return True

    def _spread(self) -> FloatArray:
        """The times of the evenly spaced rows so far."""
        parts = []
        for first, begin, last, end in self._pieces:
            parts.append(np.linspace(begin, end, last - first + 1))
        return np.concatenate(parts)

    def _still(self) -> FileUnreadable:
        return FileUnreadable("time stands still in it", where=self._where, todo="is that column the time?")

    def finished(self) -> TimeBase:
        """What was gathered.

        Raises:
            FileUnreadable: time stands still.
        """
        if self._raw is not None:
            times = np.concatenate(self._raw) * self._scale
            times -= times[0]
            if len(times) > 1 and not times[-1] > 0:
                raise self._still()
            steps = np.diff(times)
            return TimeBase(float(np.median(steps)) if len(steps) else 0.0, len(times), (), times)
        rows = sum(last - first for first, _, last, _ in self._pieces)
        length = sum(end - begin for _, begin, _, end in self._pieces)
        interval = length / rows * self._scale if rows else 0.0
        if self.count > 1 and not interval > 0:
            raise self._still()
        if len(self._pieces) < 2:
            return TimeBase(interval, self.count)
        origin = self._pieces[0][1]
        knots = tuple((first, (begin - origin) * self._scale) for first, begin, _, _ in self._pieces)
        return TimeBase(interval, self.count, knots)


class VoltageColumn:
    """Samples of a voltage; one that is missing, or can be no voltage, is taken for the one before it."""

    def __init__(self, scale: float, expected: int) -> None:
        self._scale = scale
        self._samples: Samples = np.empty(max(expected, 1024), np.float32)
        self.count = 0
        self.missing = 0

    def add(self, values: FloatArray) -> None:
        """Take in the next samples."""
        stop = self.count + len(values)
        if stop > len(self._samples):
            larger: Samples = np.empty(max(stop, int(1.3 * len(self._samples))), np.float32)
            larger[: self.count] = self._samples[: self.count]
            self._samples = larger
        target = self._samples[self.count : stop]
        with np.errstate(over="ignore", invalid="ignore"):
            np.multiply(values, self._scale, out=target, casting="same_kind")
            # As with times: extremes of what has a missing one are missing too, and neither above nor below.
            sound = not len(target) or (target.min() > -GREATEST and target.max() < GREATEST)
        if not sound:
            bad = ~(np.abs(target) < GREATEST)
            self.missing += int(bad.sum())
            place = np.where(bad, -1, np.arange(len(target)))
            np.maximum.accumulate(place, out=place)
            before = self._samples[self.count - 1] if self.count else np.float32(np.nan)
            target[:] = np.where(place >= 0, target[np.maximum(place, 0)], before)
        self.count = stop

    def finished(self) -> Samples:
        """All samples; those missing at the very beginning are taken for the first that is there."""
        samples = self._samples[: self.count]
        if self.count and np.isnan(samples[0]):
            there = np.flatnonzero(~np.isnan(samples))
            samples[: there[0] if len(there) else self.count] = samples[there[0]] if len(there) else 0.0
        return samples


class LogicColumn:
    """A logic level, kept as its changes."""

    def __init__(self) -> None:
        self._changes: list[npt.NDArray[np.int64]] = []
        self._level: int | None = None
        self.first_level = 0
        self.count = 0
        self.missing = 0

    def add(self, values: FloatArray) -> bool:
        """Take in the next levels; False where one is neither 0 nor 1."""
        bad = np.isnan(values)
        if bad.any():
            self.missing += int(bad.sum())
            place = np.where(bad, -1, np.arange(len(values)))
            np.maximum.accumulate(place, out=place)
            values = np.where(place >= 0, values[np.maximum(place, 0)], float(self._level or 0))
        levels = values == 1.0
        if not (levels | (values == 0.0)).all():
            return False
        if self._level is None and len(levels):
            self._level = self.first_level = int(levels[0])
        changed = np.flatnonzero(levels[1:] != levels[:-1]) + 1
        if len(levels) and int(levels[0]) != self._level:
            changed = np.concatenate(([0], changed))
        self._changes.append(changed + self.count)
        if len(levels):
            self._level = int(levels[-1])
        self.count += len(levels)
        return True

    def finished(self, time: TimeBase) -> Edges:
        """The edges."""
        rows = np.concatenate(self._changes) if self._changes else np.empty(0, np.int64)
        if time.even and time.interval > 0:
            ticks = rows.astype(np.int32) if self.count < 2**31 else rows
            return Edges(ticks, self.first_level, time.interval, max(self.count - 1.0, 0.0))
        resolution = time.interval if time.times is None else float(np.spacing(max(time.end, 1e-12)))
        return Edges(time.at(rows), self.first_level, 1.0, time.end, resolution, time.gaps())
