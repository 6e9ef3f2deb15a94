"""Times of day: when one is due, and what a clock that jumps does to it. It reads no clock.

Missed times are not made up: a time that went by while nobody looked, because the computer slept, was off or
had its clock set forward, is over. One that was taken is not taken again when the clock is set back. A local
time that daylight saving leaves out is due as long after midnight as it says (PEP 495: at 03:30 for 02:30);
one that comes twice is due the first time.
"""

from __future__ import annotations

import datetime as dt
from collections import deque
from collections.abc import Collection, Iterator
from dataclasses import dataclass

__all__ = ["LONGEST_LOOK", "Daily", "TimeMachine"]

LONGEST_LOOK = 20.0
"""Seconds after which the clock is looked at again, for it may have been set."""
_GAP = 60.0
"""Seconds between two looks above which nobody was looking."""


@dataclass(frozen=True, slots=True)
class Daily:
    """A time of day on days of the week."""

    at: dt.time
    """Local, without a zone of its own."""
    days: Collection[int]
    """Monday is 0."""
    zone: dt.tzinfo | None = None
    """None for this computer's own."""

    def between(self, after: float, until: float) -> Iterator[float]:
        """The instants at which it is due, in UTC seconds: later than ``after``, not later than ``until``."""
        day = self._day(after) - dt.timedelta(days=1)
        last = self._day(until) + dt.timedelta(days=1)
        while day <= last:
            if day.weekday() in self.days:
                instant = self._instant(day)
                if after < instant <= until:
                    yield instant
            day += dt.timedelta(days=1)

    def following(self, after: float) -> float:
        """The first instant after ``after`` at which it is due."""
        return next(self.between(after, after + 9 * 86_400))

    def _day(self, utc: float) -> dt.date:
        return dt.datetime.fromtimestamp(utc, tz=dt.UTC).astimezone(self.zone).date()

    def _instant(self, day: dt.date) -> float:
        # Without a zone, Python takes it for local time of this computer, daylight saving included.
        return dt.datetime.combine(day, self.at, tzinfo=self.zone).timestamp()


class TimeMachine:
    """Tells when a time of day is due.

    Args:
        daily: the time.
        utc: UTC seconds now: what is due by then is over.
    """

    def __init__(self, daily: Daily, utc: float) -> None:
        self._daily = daily
        self._last = utc
        self._taken: deque[float] = deque(maxlen=64)
        """Instants that were due and taken: a clock that is set back brings them again."""

    def look(self, utc: float) -> tuple[bool, int]:
        """The time is ``utc``: whether it is due now, and how many times were missed."""
        last, self._last = self._last, utc
        if utc <= last:
            return False, 0
        if utc - last > _GAP:
            # Counted for a month at most: a clock that starts in 1970 makes no work.
            missed = sum(1 for _ in self._daily.between(max(last, utc - 31 * 86_400), utc))
            return False, missed
        found = [instant for instant in self._daily.between(last, utc) if instant not in self._taken]
        self._taken.extend(found)
        return bool(found), 0

    def next_look(self, utc: float) -> float:
        """Seconds after which ``look`` is due."""
        return min(LONGEST_LOOK, max(0.0, self._daily.following(utc) - utc))
