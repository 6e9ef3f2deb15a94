"""The answer: bytes are looked through for a reply to this command until the time is over."""

from __future__ import annotations

import math
from collections.abc import Sequence

from controller.echo_course import Course
from controller.echo_states import Step
from controller.records import Reason, Result
from controller.transmission import CLOCKS, Verdict
from profiles.compiled import CompiledReply
from profiles.stream import Found

__all__ = ["AwaitingReply"]


class AwaitingReply:
    """The message is out; the unit's answer is due.

    The time-out is for the answer to begin: while bytes come it waits on, but for others no longer than the
    profile's ``busy_timeout_ms``.
    """

    def __init__(self, course: Course, now: float) -> None:  # noqa: ARG002 -- phases are made alike
        times = course.times
        make, judge = course.transmission.replies, course.transmission.judge
        if make is None or judge is None:
            raise RuntimeError("an answer is due, and nobody said which")
        self._course = course
        self._matcher = make()
        self._judge = judge
        self._goes_on = times.burst_gap + times.slack
        self._until = course.script.out_until + course.timeout + times.slack
        self._limit = self._until + course.busy_timeout
        self._own_came_back = False
        self.deadline = self._until

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Look for the answer in what came."""
        if now > self._until:
            return self.tick(now), data
        step, fault = self._look(self._matcher.feed(data, now), now)
        self._course.hear(data, now, fault)
        self._until = min(max(self._until, now + self._goes_on), self._limit)
        self._plan(now)
        return step, b""

    def tick(self, now: float) -> Step | None:
        """An idle line may settle what came; or the time is over."""
        step, _ = self._look(self._matcher.tick(now), now)
        if step is None and now >= self._until:
            step, _ = self._look(self._matcher.tick(math.inf), now)
            return step or self._none_came(now)
        self._plan(now)
        return step

    def _plan(self, now: float) -> None:
        settles_at = self._matcher.deadline
        if settles_at is None:
            self.deadline = self._until
        else:
            self.deadline = min(self._until, max(settles_at, now + self._course.times.frame))

    def _look(self, found: Sequence[Found[CompiledReply]], now: float) -> tuple[Step | None, Reason | None]:
        """The step, if one of these is the answer; and what is wrong with them."""
        fault = None
        for each in found:
            if each.key is None or each.reading is None:
                self._course.stray(each.data)
                fault = Reason.BAD_REPLY
            elif self._is_ours(each.data, now):
                self._own_came_back = True
                fault = Reason.ECHO_EARLY
            else:
                verdict = self._judge(each.key, each.reading)
                if verdict is not Verdict.OTHER:
                    return self._answered(each, verdict, now), fault
        return None, fault

    def _is_ours(self, data: bytes, now: float) -> bool:
        """Whether it is our own message, come back to an adapter of which nobody said that it hears itself.

        Only time can tell it from an answer that says the same, so only where the adapter's time is known.
        """
        transmission, times, script = self._course.transmission, self._course.times, self._course.script
        if transmission.hears_itself or times.latency is None or data != script.data:
            return False
        return now < script.out_until + times.latency + len(data) * times.frame * CLOCKS

    def _answered(self, found: Found[CompiledReply], verdict: Verdict, now: float) -> Step:
        report = self._course.report
        report.reply, report.reading, report.ended = found.key, found.reading, now
        if verdict is Verdict.DONE:
            self._course.end(Result.ANSWERED)
        else:
            self._course.end(Result.FAILED, Reason.REFUSED_BY_UNIT)
        return Step.ANSWERED

    def _none_came(self, now: float) -> Step:
        course = self._course
        if self._own_came_back or course.script.data in course.report.stray:
            reason = Reason.ECHO_EARLY
        else:
            reason = Reason.BAD_REPLY if course.report.stray else Reason.NO_REPLY
        return course.fail(reason, None, now)
