"""What the parts of a controller share."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.guard import Gate
from controller.journal import Journal
from controller.records import Lock, Record
from controller.states import StateBook
from profiles.errors import JournalError

__all__ = ["Surroundings"]


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a bus works with; shared by all buses of a controller."""

    gate: Gate
    states: StateBook
    journal: Journal
    publish: Callable[[Record], None]
    locks: Callable[[], Sequence[Lock]]
    utc: Callable[[], float]
    alert: Callable[[str, str, str | None, str], None]
    """(kind, target, text or None when it is over, what to look at)."""
    journal_failed: Callable[[JournalError | TimeoutError], None]
    """The disk did not take an entry: raises the alert, and clears it when it does again."""
