"""A line as its edges: when it changed, and nothing else.

Everything behind the readers works on edges. They are kept in ticks (samples, or a dump's time unit), so that
a long capture costs four bytes an edge, and turned into seconds only where somebody asks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from profiles.errors import BadValue

__all__ = ["Edges", "FloatArray", "IntArray", "logic_edges"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_CHUNK = 1 << 18
"""Samples looked at in one go: small enough that every intermediate stays in the processor's cache."""


@dataclass(frozen=True, slots=True)
class Edges:
    """When a line with two levels changed. Levels alternate from edge to edge."""

    ticks: npt.NDArray[Any]
    """Where each edge is, rising in time, in ticks from the start of the capture."""
    first_level: int
    """The level before the first edge, 0 or 1."""
    tick: float
    """Seconds in one tick."""
    end: float
    """Where the capture ends, in ticks from its start."""
    resolution: float = 1.0
    """How far an edge may be from where it was on the line, in ticks: one for a sampled level, a fraction of
    one where a voltage was interpolated."""
    gaps: tuple[tuple[float, float], ...] = ()
    """Stretches (from, to), in ticks, in which nothing was recorded."""

    def __len__(self) -> int:
        return len(self.ticks)

    @property
    def duration(self) -> float:
        """The capture's length in seconds."""
        return self.end * self.tick

    def seconds(self) -> FloatArray:
        """The time of each edge in seconds from the start of the capture."""
        times: FloatArray = np.asarray(self.ticks, np.float64) * self.tick
        return times

    def part(self, first: int, last: int) -> Edges:
        """The edges ``first`` to ``last`` (excluded) as a capture of their own, on the same time axis."""
        end = float(self.ticks[last]) if last < len(self.ticks) else self.end
        return Edges(
            self.ticks[first:last], self.first_level ^ first & 1, self.tick, end, self.resolution, self.gaps
        )


def logic_edges(levels: npt.NDArray[Any], interval: float) -> Edges:
    """The edges of a sampled logic level.

    Args:
        levels: one sample each: booleans, or whole numbers of which 0 is low and all else is high.
        interval: seconds between two samples.

    Raises:
        BadValue: there is no sample, or the interval is not positive.
    """
    if not len(levels):
        raise BadValue("there is not one sample", todo="record again")
    if not interval > 0:
        raise BadValue(
            f"a sample interval of {interval} s can't be", todo="give the seconds between two samples"
        )
    small = len(levels) < 2**31
    found = []
    last = len(levels) - 1
    for start in range(0, last, _CHUNK):
        stop = min(start + _CHUNK, last)
        here, after = levels[start:stop], levels[start + 1 : stop + 1]
        changed = here != after
        if levels.dtype != np.bool_ and here.max(initial=0) > 1:
            changed = (here != 0) != (after != 0)
        found.append((_places(changed) + (start + 1)).astype(np.int32 if small else np.int64))
    ticks = np.concatenate(found) if found else np.empty(0, np.int32)
    return Edges(ticks, int(levels[0] != 0), interval, float(last))


_PLACE = np.zeros(256, np.int64)
"""Which bit of a byte is set, where only one is."""
_PLACE[1 << np.arange(8)] = np.arange(8)


def _places(flags: npt.NDArray[np.bool_]) -> IntArray:
    """The index of each flag that is set: eight at a time, since in most eight samples there is no edge."""
    eights = np.packbits(flags, bitorder="little")
    some = np.flatnonzero(eights != 0)
    which = eights[some]
    if (which & (which - 1)).any():
        return np.flatnonzero(flags)
    places: IntArray = (some << 3) + _PLACE[which]
    return places
