"""A sequence as a state machine: times, states and outcomes in, commands out. It reads no clock.

What happens when a step fails is the plan's: it stops there, it goes on, or what was done is taken back. A
command that failed may have been obeyed all the same, so that it is among what is taken back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from controller.sequences_plan import Do, Pause, Plan, Step, Until, condition_words
from controller.sequences_records import Phase, StepProgress, StepResult
from profiles.model import Value

__all__ = ["Holds", "SequenceMachine", "TakeBack", "Tell"]

Holds = Callable[[str, Mapping[str, Value]], bool | None]
"""Whether a unit's states are so; None where one of them is not known."""


@dataclass(frozen=True, slots=True)
class Tell:
    """A unit is to be told something now; ``told`` has to follow."""

    number: int
    """Of the command, counted from 1 through the whole run."""
    step: Do


@dataclass(frozen=True, slots=True)
class TakeBack:
    """The command that is under way is to be taken back; ``told`` still has to follow."""

    number: int


Effect = Tell | TakeBack


class SequenceMachine:
    """One run of a plan.

    Args:
        plan: what is to be done.
        undoing: gives the step that takes one back.
        holds: how the units are, at the moment of asking.
    """

    def __init__(self, plan: Plan, undoing: Callable[[Do], Do], holds: Holds) -> None:
        self.plan = plan
        self.phase = Phase.RUNNING
        self.text = ""
        """Why it came to no good end."""
        self.deadline: float | None = None
        """When ``look`` is due in any case."""
        self._undoing = undoing
        self._holds = holds
        self._steps = [StepProgress(step.words) for step in plan.steps]
        self._at = -1
        """Index of the step that is under way."""
        self._number = 0
        self._out: int | None = None
        """The number of the command that is under way."""
        self._to_undo: list[int] = []
        """Indices of steps that may have been obeyed, in their order."""
        self._failures = 0

    @property
    def steps(self) -> tuple[StepProgress, ...]:
        """All steps, and what has become of each."""
        return tuple(self._steps)

    @property
    def over(self) -> bool:
        """Whether nothing more comes."""
        return self.phase.over

    # What happens

    def begin(self, now: float) -> list[Effect]:
        """Begin."""
        return self._go_on(now)

    def look(self, now: float) -> list[Effect]:
        """The time is ``now``, or a state has changed."""
        if self.over or self._out is not None or not 0 <= self._at < len(self.plan.steps):
            return []
        step = self.plan.steps[self._at]
        late = self.deadline is not None and now >= self.deadline
        if isinstance(step, Until) and self._all_hold(step.wanted):
            self._mark(StepResult.DONE)
        elif isinstance(step, Until) and late:
            self._failed(f"it was not so within {step.within:g} s: {condition_words(step.wanted)}")
        elif isinstance(step, Pause) and late:
            self._mark(StepResult.DONE)
        else:
            return []
        return self._go_on(now)

    def told(
        self, number: int, now: float, *, good: bool, text: str = "", maybe: bool = False
    ) -> list[Effect]:
        """A command has its outcome.

        Args:
            number: that of its ``Tell``.
            now: monotonic seconds.
            good: whether it came about.
            text: where not, why.
            maybe: where not, whether the unit may have obeyed all the same.
        """
        if number != self._out:
            return []
        self._out = None
        if self.phase is Phase.UNDOING:
            index = self._to_undo.pop()
            self._note(
                index, StepResult.UNDONE if good else StepResult.FAILED, "" if good else f"not undone: {text}"
            )
            return self._undo()
        if good or maybe:
            self._to_undo.append(self._at)
        if self.phase is Phase.CANCELLING:
            self._mark(StepResult.DONE if good else StepResult.CANCELLED, "" if good else text)
            self._end(Phase.CANCELLED)
            return []
        if good:
            self._mark(StepResult.DONE)
        else:
            self._failed(text)
        return self._go_on(now)

    def cancel(self, text: str) -> list[Effect]:
        """Go no further; what was done stays as it is."""
        if self.over or self.phase is Phase.CANCELLING:
            return []
        self.text = text
        if self.phase is Phase.RUNNING and self._out is not None:
            self.phase = Phase.CANCELLING
            return [TakeBack(self._out)]
        # While it undoes: what takes energy away is let go out, and nothing follows it.
        self._out = None
        if 0 <= self._at < len(self._steps) and self._steps[self._at].result is StepResult.RUNNING:
            self._mark(StepResult.CANCELLED)
        self._end(Phase.CANCELLED)
        return []

    # From step to step

    def _go_on(self, now: float) -> list[Effect]:
        self.deadline = None
        while self.phase is Phase.RUNNING:
            if self._at + 1 >= len(self.plan.steps):
                self._end(Phase.DONE_IN_PART if self._failures else Phase.DONE)
                return []
            self._at += 1
            found = self._begin_step(self.plan.steps[self._at], now)
            if found is not None:
                return found
        return self._undo() if self.phase is Phase.UNDOING else []

    def _begin_step(self, step: Step, now: float) -> list[Effect] | None:
        """Begin a step; None where it is over at once."""
        match step:
            case Pause():
                self._mark(StepResult.RUNNING)
                self.deadline = now + step.seconds
                return []
            case Until():
                if self._all_hold(step.wanted):
                    self._mark(StepResult.DONE)
                    return None
                self._mark(StepResult.RUNNING)
                self.deadline = now + step.within
                return []
            case Do():
                holds = self._condition(step)
                if holds is None:
                    self._failed(f"it is not known whether {condition_words(step.only_if)}")
                    return None
                if not holds:
                    self._mark(StepResult.LEFT_OUT, f"not so: {condition_words(step.only_if)}")
                    return None
                self._mark(StepResult.RUNNING)
                return [self._tell(step)]

    def _tell(self, step: Do) -> Tell:
        self._number += 1
        self._out = self._number
        return Tell(self._number, step)

    def _condition(self, step: Do) -> bool | None:
        """Whether all of it holds; None where that can't be told."""
        found = [self._holds(unit, states) for unit, states in step.only_if.items()]
        if False in found:
            return False
        return None if None in found else True

    def _all_hold(self, wanted: Mapping[str, Mapping[str, Value]]) -> bool:
        return all(self._holds(unit, states) is True for unit, states in wanted.items())

    def _failed(self, text: str) -> None:
        self._mark(StepResult.FAILED, text)
        self._failures += 1
        self.text = f"{self.plan.steps[self._at].words}: {text}"
        if self.plan.on_failure == "stop":
            self._end(Phase.FAILED)
        elif self.plan.on_failure == "undo":
            self.phase = Phase.UNDOING

    def _undo(self) -> list[Effect]:
        self.deadline = None
        while self._to_undo:
            step = self.plan.steps[self._to_undo[-1]]
            if isinstance(step, Do) and step.undone_by is not None:
                return [self._tell(self._undoing(step))]
            self._to_undo.pop()
        self._end(Phase.UNDONE)
        return []

    def _end(self, phase: Phase) -> None:
        self.phase = phase
        self.deadline = None

    def _mark(self, result: StepResult, text: str = "") -> None:
        self._note(self._at, result, text)

    def _note(self, index: int, result: StepResult, text: str) -> None:
        self._steps[index] = StepProgress(self._steps[index].words, result, text)
