"""The echo machine: decides what to write and what became of it, from bytes and times alone.

It owns no port, no thread and no clock. Feed it with ``begin``, ``received``, ``tick``, ``cancel`` and
``link_lost``; each gives a list of effects, in order. ``deadline`` says when ``tick`` is due. Every way from
one state to another stands in controller/echo_states.py; what is done in a state is a phase of its own.

The four confirmations:

* loop: one frame at a time; the next one goes out when the last has come back round the ring.
* local: a stretch of frames goes out at once and is compared with what is heard of it.
* reply: the own echo is taken off first where the adapter hears itself, then an answer must match.
* none: the frames go out in their time, and that is all that can be said.

Bytes that are read at an instant came before anything that is written at it, so they are judged first. Every
byte is told exactly once, as ``Echoed`` or as ``Heard``.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.echo_answer import AwaitingReply
from controller.echo_course import Course, Line, Phase
from controller.echo_ending import Draining, Settling
from controller.echo_return import AwaitingEcho, HearingSelf
from controller.echo_sending import Leaving, Spacing, Waiting
from controller.echo_states import State, Step, follow
from controller.transmission import Effect, Finished, Heard, LineTimes, Transmission

__all__ = ["EchoMachine"]

_PHASES: dict[State, Callable[[Course, float], Phase]] = {
    State.WAITING: Waiting,
    State.SPACING: Spacing,
    State.AWAITING_ECHO: AwaitingEcho,
    State.HEARING_SELF: HearingSelf,
    State.LEAVING: Leaving,
    State.AWAITING_REPLY: AwaitingReply,
    State.SETTLING: Settling,
    State.DRAINING: Draining,
}


class EchoMachine:
    """Drives one transmission at a time over one line.

    Args:
        times: what is known of time on the line; replaced ones hold from the next transmission on.
    """

    def __init__(self, times: LineTimes) -> None:
        self.times = times
        self.state = State.IDLE
        self._line = Line()
        self._course: Course | None = None
        self._phase: Phase | None = None
        self._effects: list[Effect] = []

    @property
    def busy(self) -> bool:
        """Whether a transmission is under way."""
        return self._course is not None

    @property
    def current_id(self) -> str | None:
        """The transmission that is under way."""
        return self._course.transmission.id if self._course is not None else None

    @property
    def attempt(self) -> int | None:
        """Which attempt is under way, counted from 1; None before the first byte, and while idle."""
        return self._course.report.attempts or None if self._course is not None else None

    @property
    def deadline(self) -> float | None:
        """When ``tick`` is due, on the caller's monotonic clock; None while nothing is waited for."""
        return self._phase.deadline if self._phase is not None else None

    def begin(self, transmission: Transmission, now: float) -> list[Effect]:
        """Start a transmission.

        Raises:
            WrongStep: another one is under way; nothing is changed.
        """
        follow(self.state, Step.BEGIN)
        course = Course(transmission, self.times, self._line, self._effects)
        self._course = course
        self._step(course, Step.BEGIN, now)
        return self._carry_on(now)

    def received(self, data: bytes, now: float) -> list[Effect]:
        """Bytes that were read by ``now``."""
        if data:
            self._line.seen = now
        while data:
            if self._course is None or self._phase is None:
                self._effects.append(Heard(data, now))
                break
            step, data = self._phase.received(data, now)
            if step is not None:
                self._step(self._course, step, now)
        return self._carry_on(now)

    def tick(self, now: float) -> list[Effect]:
        """The time is ``now``; does nothing before ``deadline``."""
        return self._carry_on(now)

    def cancel(self, now: float) -> list[Effect]:
        """Stop as soon as the frame in hand is accounted for; nothing more is written."""
        course = self._course
        if course is not None:
            course.cancelled = True
            if self.state in (State.WAITING, State.SPACING):
                self._step(course, course.take_back(now), now)
        return self._carry_on(now)

    def link_lost(self, now: float) -> list[Effect]:
        """The port is gone: whatever was under way ends here."""
        course = self._course
        if course is not None:
            course.lose_link(now)
            self._step(course, Step.LINK_LOST, now)
        return self._carry_on(now)

    def _carry_on(self, now: float) -> list[Effect]:
        """Go on while something is due; then everything that is to be done, in order."""
        while self._course is not None and self._phase is not None and now >= self._phase.deadline:
            step = self._phase.tick(now)
            if step is not None:
                self._step(self._course, step, now)
        effects = self._effects.copy()
        self._effects.clear()
        return effects

    def _step(self, course: Course, step: Step, now: float) -> None:
        self.state = follow(self.state, step)
        if self.state is State.IDLE:
            self._course = self._phase = None
            self._effects.append(Finished(course.report))
        else:
            self._phase = _PHASES[self.state](course, now)
