"""Axes of plots: round ticks, and places for values. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Axis", "round_ticks"]

_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_FINEST = 1e-9
"""The part of the values themselves that a span must have: below it, numbers hold no steps between."""
_SMALLEST = 1e-290
"""Below it a span can't be divided any more."""


def round_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round numbers from at or below ``low`` to at or above ``high``, evenly spaced, about ``most``."""
    if not math.isfinite(low) or not math.isfinite(high):
        return [0.0, 1.0]
    size = max(abs(low), abs(high))
    if high - low <= max(size * _FINEST, _SMALLEST):
        high = low + (abs(low) if abs(low) > _SMALLEST else 1.0)
    rough = (high - low) / max(most - 1, 1)
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(scale * each for each in _STEPS if scale * each >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [number * step for number in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class Axis:
    """Values along a line of pixels."""

    ticks: list[float]
    begin: float
    """Where the first tick is, in pixels."""
    end: float
    """Where the last one is; before ``begin`` for an axis that rises upwards."""

    def at(self, value: float) -> float:
        """The place of a value."""
        first, last = self.ticks[0], self.ticks[-1]
        return self.begin + (value - first) / (last - first) * (self.end - self.begin)

    def words(self, value: float) -> str:
        """A tick's number, as short as its neighbours allow."""
        step = abs(self.ticks[1] - self.ticks[0])
        places = max(0, -math.floor(math.log10(step) + 1e-9))
        if places and not math.isclose(step * 10**places, round(step * 10**places), abs_tol=1e-6):
            places += 1
        return f"{value:.{min(places, 9)}f}"
