"""The end of an attempt: the settle time after the last echo, and the quiet window after a failure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from controller.echo_course import Course
from controller.echo_states import Step
from controller.records import Reason, Result
from profiles.compiled import Meaning
from profiles.stream import Found

__all__ = ["Draining", "Settling"]


class Settling:
    """All echoes are here; a stray or doubled last frame would show now.

    What another unit says meanwhile is a message, and no fault: a message that has begun is heard to its end.
    """

    def __init__(self, course: Course, now: float) -> None:
        self._course = course
        self._matcher = course.transmission.listener()
        self._explained = False
        self._until = self.deadline = now + course.longest + 2 * course.times.frame + course.times.slack
        self._limit = self._until + course.busy_timeout

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """What comes is a message, or the beginning of one, or odd."""
        odd = self._odd(self._matcher.feed(data, now))
        self.deadline = max(self._until, now)
        if odd is None:
            self._course.hear(data, now)
            return None, b""
        reason = self._course.surplus(odd[0])
        self._course.hear(data, now, reason)
        return self._fail(odd, reason, now), b""

    def tick(self, now: float) -> Step | None:
        """The settle time is over, unless what has come is still open."""
        odd = self._odd(self._matcher.tick(now))
        waits_until = self._matcher.deadline
        if odd is None and waits_until is not None:
            if now < self._limit:
                self.deadline = min(max(waits_until, now + self._course.times.frame), self._limit)
                return None
            if not self._explained:
                odd = self._odd(self._matcher.tick(math.inf))
        if odd is not None:
            step = self._fail(odd, self._course.surplus(odd[0]), now)
            if step is not None:
                return step
        report = self._course.report
        if report.echoed == report.frames:
            self._course.line.lag = min(report.lags)
            self._course.end(Result.CONFIRMED)
        else:
            self._course.end(Result.SENT)
        return Step.SETTLED

    def _fail(self, odd: bytes, reason: Reason, now: float) -> Step | None:
        course = self._course
        course.stray(odd)
        if not course.ends(reason):
            return None
        return course.fail(reason, course.report.frames - 1, now, got=odd[0])

    def _odd(self, found: Sequence[Found[Meaning]]) -> bytes | None:
        """The first bytes that no message explains."""
        for each in found:
            # One frame that says what our last one said is that one again, though it may be a message.
            alone = each.start == 0 and len(each.data) == 1
            if each.key is None or (alone and self._course.surplus(each.data[0]) is Reason.ECHO_DOUBLED):
                return each.data
            self._explained = True
        return None


class Draining:
    """The attempt is over without success; late echoes die in this quiet window.

    What still comes tells faults apart: an echo that was only late, a byte that stood in a frame's place from
    one that was too many. So a missing echo is looked for during a second time-out. Where it is not known yet
    how long the ring is, the frame that is out has the whole of its time-out.
    """

    def __init__(self, course: Course, now: float) -> None:
        times = course.times
        self._course = course
        self._window = max(
            course.rules.retry_pause_ms / 1000,
            2 * (course.longest + times.frame) + times.slack,
            times.dead_time,
            times.burst_gap,
            course.script.lead,
        )
        looks_until = now
        if self._missing:
            looks_until = now + course.timeout
        elif course.script.lockstep and not course.length_known:
            looks_until = course.script.out_at + course.timeout
        self._quiet_at = self.deadline = max(now + self._window, looks_until)
        # One more echo of ours may take a whole window to die, whatever time others are given.
        self._limit = self.deadline + max(course.busy_timeout, self._window)

    @property
    def _missing(self) -> bool:
        return self._course.report.reason in (Reason.NO_ECHO, Reason.ECHO_STOPPED)

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """More comes: learn from it, and wait anew for quiet."""
        fault = self._learn(data, now)
        self._course.hear(data, now, fault)
        quiet_at = now + self._window
        self._quiet_at = quiet_at if fault is Reason.ECHO_LATE else max(self._quiet_at, quiet_at)
        self.deadline = min(self._quiet_at, self._limit)
        return None, b""

    def tick(self, now: float) -> Step | None:
        """The line is quiet, or the time for that is over."""
        course = self._course
        if now < self._quiet_at or not course.may_repeat():
            return Step.GIVE_UP
        if course.cancelled:
            course.end(Result.CANCELLED, course.report.reason)
            return Step.GIVE_UP
        course.next_attempt()
        return Step.RETRY

    def _learn(self, data: bytes, now: float) -> Reason | None:
        course, report = self._course, self._course.report
        if report.expected is None or report.expected not in data:
            return None
        if self._missing:
            report.reason, report.got = Reason.ECHO_LATE, report.expected
            report.late = now - course.script.out_at
            return Reason.ECHO_LATE
        if report.reason is Reason.ECHO_WRONG and report.got is not None:
            # The frame itself comes behind it: nothing stood in its place, there was one too many.
            course.fail(course.surplus(report.got), report.failed_at, now, got=report.got)
        return None
