"""What stands until it is over: alerts and service locks, as records."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Alert", "Lock"]


@dataclass(frozen=True, slots=True)
class Alert:
    """Something is wrong; it clears by itself when it is over."""

    id: str
    """The same alert of the same target has the same id."""
    target: str
    """A unit, a bus, or the site."""
    since: float
    text: str
    look_at: str = ""
    over: bool = False
    """True in the record that tells of its end."""


@dataclass(frozen=True, slots=True)
class Lock:
    """A service lock: nobody may energise the target until it is cleared on the spot."""

    id: str
    target: str
    """A unit, a group or a bus."""
    who: str
    why: str
    at: float
    over: bool = False
    """True in the record that tells of its clearing."""
