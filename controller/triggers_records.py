"""Triggers as front ends see them: what each waits for, how its input stands, what it last did."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["TriggerStatus"]


@dataclass(frozen=True, slots=True)
class TriggerStatus:
    """How a trigger is: told whenever that changes."""

    trigger: str
    title: str
    source: str
    """What it listens to: line, state, heard, event, mqtt, time or adapter."""
    waits_for: str
    """In words."""
    does: str
    """What it starts, in words."""
    level: bool | None = None
    """Whether what it waits for is so now; None where that is not known, or is no matter of being so."""
    pending: str = ""
    """What it is about to do, while a delay runs."""
    due: float | None = None
    """UTC seconds when it does that."""
    last: str = ""
    """What it did last, and what became of it, or why it did nothing."""
    at: float | None = None
    """UTC seconds of that; None for never since the controller began."""
