"""Times of day, as a person types them."""

from __future__ import annotations

import datetime as dt

__all__ = ["last_time_of_day"]


def last_time_of_day(text: str, now: float) -> float | None:
    """A time of day as UTC seconds: the last time that it was that o'clock."""
    for form in ("%H:%M:%S", "%H:%M"):
        try:
            clock = dt.datetime.strptime(text.strip(), form).time()  # noqa: DTZ007 -- only the time of day is used
        except ValueError:
            continue
        today = dt.datetime.fromtimestamp(now).astimezone()
        at = dt.datetime.combine(today.date(), clock, today.tzinfo).timestamp()
        return at if at <= now else at - 86_400
    return None
