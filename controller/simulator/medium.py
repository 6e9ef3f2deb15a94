"""What carries frames between the adapter and the units: what ring and shared wire have in common."""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Sequence
from itertools import accumulate
from typing import NamedTuple, Protocol

__all__ = ["ADAPTER", "Arrival", "Filler", "Hearing", "Medium", "Topology"]

ADAPTER = 0
"""The adapter's place among the talkers; units count from 1."""


class Topology(enum.StrEnum):
    """How the adapter and the units are joined."""

    RING = "ring"
    """The adapter sends into the first unit, the last one's output returns to it."""
    OPEN = "open"
    """The same, and nothing returns."""
    SHARED = "shared"
    """One wire, half duplex: everybody hears everybody."""
    TAP = "tap"
    """The units form a ring of their own; the adapter only listens to the last one's output."""


class Arrival(NamedTuple):
    """Frames that reach the adapter's receiver one right behind the other."""

    data: bytes
    at: float
    """When the first of them has come in whole."""
    step: float
    """Seconds from one to the next."""

    @property
    def last_at(self) -> float:
        """When the last of them has come in whole."""
        return self.at + (len(self.data) - 1) * self.step


class Hearing(NamedTuple):
    """Whom a medium tells what: (unit, bytes, time) each."""

    unit_hears: Callable[[int, bytes, float], None]
    """A frame from somebody else has come in whole at a unit."""
    unit_gets_back: Callable[[int, int, float], None]
    """A frame that a unit sent has come back to it."""


class Filler:
    """Messages said over and over without a pause.

    Args:
        unit: who says them.
        messages: what is said, in turn.
    """

    def __init__(self, unit: int, messages: Sequence[bytes]) -> None:
        self.unit = unit
        self.cycle = b"".join(messages)
        """All messages, once through."""
        self._ends = {*accumulate(len(message) for message in messages)}
        self._place = 0

    def take(self, count: int) -> bytes:
        """The next ``count`` frames."""
        cycle, place = self.cycle, self._place
        whole = cycle[place:] + cycle * (max(0, count - len(cycle) + place) // len(cycle) + 1)
        self._place = (place + count) % len(cycle)
        return whole[:count]

    def to_message_end(self, count: int) -> int:
        """``count`` frames and as many more as complete the message in progress then."""
        place = self._place + count
        while place % len(self.cycle) and place % len(self.cycle) not in self._ends:
            place += 1
        return place - self._place


class Medium(Protocol):
    """Wires. All times are seconds on one clock; nothing is read from any clock here."""

    arrivals: list[Arrival]
    """What has come in at the adapter and is not taken yet."""

    def send(self, talker: int, frames: Sequence[int], ready: float, pause: float = 0.0) -> float:
        """Put frames on the talker's wire from ``ready`` on, ``pause`` seconds of dead time between them.

        Returns:
            When the first of them starts.
        """

    def sent_by(self, talker: int) -> float:
        """When the last frame that the talker has sent leaves it whole."""

    def withdraw(self, talker: int, now: float) -> None:
        """Take back the frames of a talker that have not begun by ``now``."""

    @property
    def next_at(self) -> float | None:
        """When ``step`` has something to do; None while all wires are idle."""

    @property
    def bound(self) -> float | None:
        """The earliest time at which anything under way can reach the adapter whole."""

    def step(self) -> None:
        """Carry out what happens at ``next_at``."""

    def fill(self, filler: Filler | None, now: float) -> None:
        """Set who fills the line from ``now`` on; None for nobody."""

    def settle(self, now: float) -> None:
        """Let the filler speak up to ``now``; all else has been stepped through by then."""


def frames_by(span: float, frame_time: float) -> int:
    """How many frames, each right behind the last, are whole after ``span`` seconds."""
    return max(0, math.floor(span / frame_time + 1e-6))
