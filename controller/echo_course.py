"""One transmission under way: what is out, what came back, and what is to be told of it.

The phases share it, one after another: echo_sending.py, echo_return.py, echo_answer.py and echo_ending.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from controller.echo_judging import earliest_echo, ends_attempt
from controller.echo_script import Script
from controller.echo_states import Step
from controller.records import Reason, Result
from controller.transmission import Echoed, Effect, Heard, LineTimes, Report, Transmission, Write
from profiles.model import Method

__all__ = ["Course", "Line", "Phase"]

_KEPT_STRAYS = 256
"""Bytes that a report keeps of what should not have come: a babbling line must not fill the memory."""


@dataclass(slots=True)
class Line:
    """When the line was last in use; it outlives a transmission."""

    seen: float = -math.inf
    """When bytes were last read, whoever sent them."""
    left: float = -math.inf
    """When our last frame has left, with the pause that it wants after it."""
    lag: float = 0.0
    """The least lag of the last confirmed message: how long the ring is, whatever was said of it."""


class Phase(Protocol):
    """What the machine does in one state."""

    deadline: float
    """When ``tick`` is due."""

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Take bytes: the step that ends the phase, if any, and the bytes that are the next phase's."""

    def tick(self, now: float) -> Step | None:
        """The deadline is over: the step that ends the phase; None if the deadline has moved."""


class Course:
    """One transmission on its way.

    Args:
        transmission: what is to go out.
        times: what is known of time on the line; it does not change on the way.
        line: when the line was last in use.
        effects: where effects are put, in order.
    """

    __slots__ = (
        "cancelled",
        "earliest",
        "effects",
        "last_back",
        "line",
        "longest",
        "missing",
        "report",
        "rules",
        "script",
        "times",
        "transmission",
    )

    def __init__(
        self, transmission: Transmission, times: LineTimes, line: Line, effects: list[Effect]
    ) -> None:
        self.transmission = transmission
        self.rules = transmission.rules
        self.times = times
        self.line = line
        self.effects = effects
        self.script = Script(transmission, times)
        self.report = self._fresh_report(attempts=0, all_out=False)
        self.cancelled = False
        """Whether it was taken back: nothing more of it is to be written."""
        self.last_back: int | None = None
        """Index of the last frame that came back right in this attempt."""
        self.missing: int | None = None
        """A frame that never came back, in this attempt or the one before: it may still come."""
        self.earliest = earliest_echo(times)
        """The least lag that the line allows for an echo."""
        self.longest = max(times.round_trip, line.lag)
        """The longest lag that was seen, or is expected."""

    def _fresh_report(self, *, attempts: int, all_out: bool) -> Report:
        frames = len(self.transmission.message.data)
        return Report(self.transmission.id, Result.FAILED, frames=frames, attempts=attempts, all_out=all_out)

    @property
    def timeout(self) -> float:
        """The longest wait for an echo or for an answer to begin, in seconds."""
        return self.rules.timeout_ms / 1000

    @property
    def busy_timeout(self) -> float:
        """The longest wait for others, in seconds."""
        return self.rules.busy_timeout_ms / 1000

    @property
    def compares(self) -> bool:
        """Whether all that is on the line meanwhile should be our own frames."""
        return self.transmission.method in (Method.LOOP, Method.LOCAL)

    @property
    def length_known(self) -> bool:
        """Whether it is known how long the ring is: told, learned, or measured in this attempt."""
        return bool(self.times.hops or self.line.lag or self.report.lags)

    # What goes out and comes in

    def send(self, now: float) -> Step:
        """Write the next stretch."""
        script, report = self.script, self.report
        if script.next == 0:
            report.attempts += 1
            report.began = now
        self.effects.append(Write(script.take(now)))
        report.all_out = report.all_out or script.acted_on
        self.line.left = script.out_until + (script.trail if script.complete else 0.0)
        if script.lockstep:
            return Step.FRAME_OUT
        if self.transmission.method is Method.LOCAL or self.transmission.hears_itself:
            return Step.STRETCH_OUT
        return Step.STRETCH_OUT_UNHEARD

    def hear(self, data: bytes, now: float, fault: Reason | None = None) -> None:
        """Tell of bytes that are not our own, or should not be."""
        self.effects.append(Heard(data, now, fault))

    def echo(self, data: bytes, now: float, lags: tuple[float, ...], first: int) -> None:
        """Our own frames came back right, from the index ``first`` on."""
        report = self.report
        report.echoed += len(data)
        report.lags += lags
        report.ended = now
        self.last_back = first + len(data) - 1
        self.longest = max(self.longest, lags[0])
        self.effects.append(Echoed(data, now, lags))

    def accounted_for(self) -> Step:
        """What is out is accounted for: go on."""
        if not self.script.complete:
            return Step.MORE
        return Step.ALL_BACK if self.transmission.replies is None else Step.ANSWER_DUE

    # What went wrong

    def surplus(self, value: int) -> Reason:
        """What a byte too many is."""
        if value == self.missing:
            return Reason.ECHO_LATE
        if self.last_back is not None and value == self.script.data[self.last_back]:
            return Reason.ECHO_DOUBLED
        return Reason.STRAY

    def ends(self, reason: Reason) -> bool:
        """Whether the profile ends an attempt for this."""
        return ends_attempt(reason, self.rules)

    def stray(self, data: bytes) -> None:
        """Keep what should not have come."""
        self.report.stray = (self.report.stray + data)[:_KEPT_STRAYS]

    def odd(
        self, data: bytes, now: float, reason: Reason, index: int | None, expected: int | None = None
    ) -> Step | None:
        """Bytes came that should not have; the step, if the profile ends the attempt for that."""
        self.stray(data)
        self.hear(data, now, reason)
        if not self.ends(reason):
            return None
        return self.fail(reason, index, now, expected=expected, got=data[0])

    def fail(
        self,
        reason: Reason,
        index: int | None,
        now: float,
        *,
        expected: int | None = None,
        got: int | None = None,
    ) -> Step:
        """The attempt has failed at the frame ``index``; a doubled one is the last that came back."""
        report = self.report
        if reason is Reason.ECHO_DOUBLED:
            index = self.last_back
        report.reason, report.failed_at, report.expected, report.got = reason, index, expected, got
        report.ended = now
        return Step.FAULT

    # How it ends

    def may_repeat(self) -> bool:
        """Whether another attempt is allowed after this one."""
        fresh = self.transmission.repeatable or not self.script.acted_on
        return fresh and self.report.attempts <= self.rules.retries

    def next_attempt(self) -> None:
        """Begin again from the first frame."""
        report = self.report
        never_came = report.reason in (Reason.NO_ECHO, Reason.ECHO_STOPPED)
        self.missing = report.expected if never_came else None
        self.last_back = None
        self.report = self._fresh_report(attempts=report.attempts, all_out=report.all_out)
        self.script.rewind()

    def end(self, result: Result, reason: Reason | None = None) -> None:
        """Put down what became of it."""
        self.report.result, self.report.reason = result, reason

    def take_back(self, now: float) -> Step:
        """Stop where nothing of it is on its way."""
        self.end(Result.CANCELLED, Reason.CANCELLED)
        if self.script.next:
            self.report.failed_at = self.script.next
            self.report.ended = now
        return Step.CANCEL

    def lose_link(self, now: float) -> None:
        """The port went away."""
        report, script = self.report, self.script
        self.end(Result.FAILED, Reason.LINK_LOST)
        report.expected = report.got = report.failed_at = None
        if report.began is not None:
            report.ended = now
            left = int((now - script.out_at) / self.times.frame)
            accounted_for = report.echoed if self.compares else min(script.first + left, script.next)
            place = max(script.first, accounted_for)
            report.failed_at = place if place < report.frames else None
