"""What the gate remembers of the past: when which unit was told what, and how many commands a bus took.

Pure: instants are handed in, monotonic and in seconds.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["Rate", "Ready", "UnitTimes"]

_RATE_WINDOW = 10.0
"""Seconds over which a rate is an average, so that a short row of commands passes."""


@dataclass(frozen=True, slots=True)
class Ready:
    """From when a command may be sent."""

    held_until: float
    """The end of the hold-off of its units: nothing may be sent to them before."""
    stays_on_until: float
    """The end of their minimum time on, where that holds for this command."""

    @property
    def at(self) -> float:
        """When both are over."""
        return max(self.held_until, self.stays_on_until)


class Rate:
    """Commands of one bus, against the most that it takes.

    Args:
        per_s: most commands a second, as an average over ten seconds, or over the time of one command where
            that is longer.
    """

    def __init__(self, per_s: float) -> None:
        self._window = max(_RATE_WINDOW, 1 / per_s)
        self._most = max(1, math.floor(per_s * _RATE_WINDOW))
        self._recent: deque[float] = deque(maxlen=self._most)

    def full(self, now: float) -> bool:
        """Whether one more would be too many."""
        while self._recent and now - self._recent[0] >= self._window:
            self._recent.popleft()
        return len(self._recent) >= self._most

    def count(self, now: float) -> None:
        """One more passes; the latest ones alone are kept."""
        self._recent.append(now)


class UnitTimes:
    """When each unit was last told something, went on, and went off, as far as our own commands tell."""

    def __init__(self) -> None:
        self._held_until: dict[str, float] = {}
        self._off_since: dict[str, float] = {}
        self._on_since: dict[str, float] = {}

    def held_until(self, units: Iterable[str]) -> float:
        """When the hold-off of all of these is over."""
        return max((self._held_until.get(unit, -math.inf) for unit in units), default=-math.inf)

    def on_since(self, unit: str) -> float:
        """Since when it is on; long ago where that is not known."""
        return self._on_since.get(unit, -math.inf)

    def off_since(self, unit: str) -> float:
        """Since when it is off; long ago where that is not known."""
        return self._off_since.get(unit, -math.inf)

    def told(self, unit: str, at: float, hold_off: float) -> None:
        """It was told something after which it needs ``hold_off`` seconds."""
        self._held_until[unit] = max(self._held_until.get(unit, -math.inf), at + hold_off)

    def went_on(self, unit: str, at: float) -> None:
        """It was energised, if it was not before."""
        self._on_since.setdefault(unit, at)
        self._off_since.pop(unit, None)

    def went_off(self, unit: str, at: float) -> None:
        """It was de-energised."""
        self._off_since[unit] = at
        self._on_since.pop(unit, None)
