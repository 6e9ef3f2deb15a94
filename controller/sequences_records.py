"""Sequences as front ends see them: what they are told, how far they have come."""

from __future__ import annotations

import enum
from dataclasses import dataclass

__all__ = ["Phase", "SequenceOrder", "SequenceProgress", "SequenceView", "StepProgress", "StepResult"]


class StepResult(enum.StrEnum):
    """What has become of a step."""

    TO_COME = "to-come"
    RUNNING = "running"
    DONE = "done"
    LEFT_OUT = "left-out"
    """Its ``only_if`` did not hold."""
    FAILED = "failed"
    CANCELLED = "cancelled"
    UNDONE = "undone"


class Phase(enum.StrEnum):
    """How a sequence is."""

    REFUSED = "refused"
    """It did not begin."""
    WAITING = "waiting"
    """Another one on the same bus has to end first."""
    RUNNING = "running"
    CANCELLING = "cancelling"
    """It ends as soon as the command in hand is over."""
    UNDOING = "undoing"
    """A step has failed; what was done is taken back."""
    DONE = "done"
    DONE_IN_PART = "done-in-part"
    """It went on past steps that failed."""
    FAILED = "failed"
    """It stopped at a step that failed."""
    UNDONE = "undone"
    """A step failed, and what was done was taken back, as far as it could be."""
    CANCELLED = "cancelled"

    @property
    def over(self) -> bool:
        """Whether nothing more comes."""
        return self not in (Phase.WAITING, Phase.RUNNING, Phase.CANCELLING, Phase.UNDOING)


@dataclass(frozen=True, slots=True)
class StepProgress:
    """A step, and what has become of it."""

    words: str
    """What it does."""
    result: StepResult = StepResult.TO_COME
    text: str = ""
    """Why it failed or was left out."""


@dataclass(frozen=True, slots=True)
class SequenceProgress:
    """How far a sequence has come: told at each step, and kept until it begins anew."""

    sequence: str
    direction: str
    """``up`` or ``down``."""
    phase: Phase
    steps: tuple[StepProgress, ...]
    by: str
    """Who or what has started it."""
    began: float
    """UTC seconds."""
    at: float
    """UTC seconds of this word."""
    text: str = ""
    """One sentence: why it did not begin, waits, or did not come to its end."""
    run: str = ""
    """Which run of it; each has an id of its own."""


class SequenceOrder(enum.StrEnum):
    """What a sequence can be told."""

    UP = "up"
    DOWN = "down"
    CANCEL = "cancel"


@dataclass(frozen=True, slots=True)
class SequenceView:
    """A sequence, as a front end shows it."""

    id: str
    title: str
    up: tuple[str, ...]
    """Its steps in words."""
    down: tuple[str, ...]
    on_failure: str
    down_on_failure: str
    buses: tuple[str, ...]
    """Those that it works on: one sequence at a time on each."""
    asks: tuple[str, ...] = ()
    """Units that ask before ``up`` energises them: only a person who said yes can begin it."""
    warnings: tuple[str, ...] = ()
    """What is not in the order in which power amplifiers should be switched."""
    last: SequenceProgress | None = None
    """How far it has come, or came last; None where it has not been begun."""
