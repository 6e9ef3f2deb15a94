"""The course of a qualification: what to do next, and when. Sans I/O: instants and outcomes in, steps out.

The unit begins each cycle off. Where it is not known to be off it is told so first. Nothing energises it any
more once the run was ended before its time, whoever ended it; a run that came to its end leaves it as it was
found.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from controller.qualifying.plan import QualifyPlan
from controller.records import Outcome, Reason, Result

__all__ = ["Course", "Done", "Phase", "Send", "Wait"]


class Phase(enum.StrEnum):
    """What a command is for."""

    BEFORE = "before"
    """The unit is told to be off before the first cycle."""
    ON = "on"
    OFF = "off"
    RESTORE = "restore"
    """The unit is brought back to how it was found, or off."""


@dataclass(frozen=True, slots=True)
class Send:
    """Command the unit now."""

    phase: Phase
    on: bool
    cycle: int
    """Counted from 1; 0 before the first and after the last."""


@dataclass(frozen=True, slots=True)
class Wait:
    """Do nothing until then."""

    until: float
    """Monotonic seconds."""


@dataclass(frozen=True, slots=True)
class Done:
    """The run is over."""


Step = Send | Wait | Done

_POINTLESS = frozenset(
    (
        Reason.LOCKED,
        Reason.NOT_ALLOWED,
        Reason.NOT_AGREED,
        Reason.NOT_KNOWN,
        Reason.OUT_OF_RANGE,
        Reason.LISTEN_ONLY,
        Reason.JOURNAL,
        Reason.CONDITION,
    )
)
"""Refusals that the next cycle would only meet again."""


class Course:
    """Leads one run from its beginning to its end.

    Args:
        plan: what is to be done.
        found_on: how the unit was found: on, off, or None where nobody knows.
        now: monotonic seconds.
    """

    def __init__(self, plan: QualifyPlan, found_on: bool | None, now: float) -> None:
        self._plan = plan
        self._found_on = found_on
        self._ready_at = now
        self._asked: Send | None = None
        self._cycle = 0
        self._over = False
        self.on: bool | None = found_on
        """How the unit is, as far as this run knows."""
        self.ended_early = ""
        """Why the run ended before its time; empty where it did not."""
        self.completed = 0
        """Cycles that were carried out whole, whatever came of their actions."""

    @property
    def complete(self) -> bool:
        """Whether every cycle was carried out."""
        return self.completed == self._plan.cycles

    def next(self, now: float) -> Step:
        """What to do now. A ``Send`` wants its ``took`` before the next call."""
        if self._asked is not None:
            raise RuntimeError("the command before has no outcome yet")
        if self._over:
            return Done()
        if self.ended_early:
            return self._after_early_end()
        if now < self._ready_at:
            return Wait(self._ready_at)
        if self._cycle == 0 and self.on is not False:
            return self._send(Phase.BEFORE, on=False)
        if self.completed < self._plan.cycles:
            return self._in_a_cycle()
        if self._found_on and self.on is not True:
            return self._send(Phase.RESTORE, on=True)
        self._over = True
        return Done()

    def _in_a_cycle(self) -> Step:
        if self._cycle == self.completed:
            self._cycle += 1
            return self._send(Phase.ON, on=True)
        return self._send(Phase.OFF, on=False)

    def _after_early_end(self) -> Step:
        """Off, where it was not found on and left so: taking energy away is never refused and never waits."""
        self._over = True
        if self.on is False or (self._found_on and self.on):
            return Done()
        if self.on is None and self._cycle == 0:
            return Done()
        return self._send(Phase.RESTORE, on=False)

    def _send(self, phase: Phase, *, on: bool) -> Send:
        self._asked = Send(phase, on, self._cycle if phase in (Phase.ON, Phase.OFF) else 0)
        return self._asked

    def took(self, outcome: Outcome, now: float) -> None:
        """The outcome of the command that was asked for last, and the monotonic instant at which it came."""
        asked, self._asked = self._asked, None
        if asked is None:
            raise RuntimeError("no command was asked for")
        if outcome.result.good:
            self.on = asked.on
        elif outcome.result is not Result.REFUSED:
            self.on = None
        self._ready_at = now + (self._plan.on_for if asked.on else self._plan.off_for)
        if asked.phase is Phase.BEFORE:
            self._cycle = 0
            if not outcome.result.good:
                self.end(f"the unit could not be told to be off before the first cycle: {outcome.text}")
            else:
                self.on = False
        elif asked.phase is Phase.OFF:
            self.completed += 1
        elif asked.phase is Phase.RESTORE:
            self._over = True
        if outcome.result is Result.CANCELLED:
            self.end(outcome.text or "a command was taken back")
        elif outcome.result is Result.REFUSED and outcome.reason in _POINTLESS:
            self.end(f"{outcome.reason.value}: {outcome.text}")

    def end(self, why: str) -> None:
        """End it before its time; the first reason counts. Nothing energises the unit from here on."""
        if not self._over and not self.ended_early:
            self.ended_early = why
