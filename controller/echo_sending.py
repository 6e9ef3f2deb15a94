"""The way out: waiting for a quiet line, dead time and pauses, and frames of which nothing comes back."""

from __future__ import annotations

from controller.echo_course import Course
from controller.echo_states import Step
from controller.records import Reason, Result

__all__ = ["Leaving", "Spacing", "Waiting"]


class Waiting:
    """For others to leave the line quiet, so that two messages are not taken for one."""

    def __init__(self, course: Course, now: float) -> None:
        self._course = course
        self._gap = max(course.times.burst_gap, course.script.lead)
        after_ours = course.line.left + max(self._gap, course.times.dead_time)
        self._quiet_at = max(course.line.seen + self._gap, after_ours)
        self._limit = max(now + course.busy_timeout, after_ours)
        self.deadline = min(self._quiet_at, self._limit)

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Somebody else speaks: wait anew."""
        self._course.hear(data, now)
        self._quiet_at = max(self._quiet_at, now + self._gap)
        self.deadline = min(self._quiet_at, self._limit)
        return None, b""

    def tick(self, now: float) -> Step | None:
        """The line is quiet, or won't be."""
        if now >= self._quiet_at:
            return Step.QUIET
        self._course.end(Result.FAILED, Reason.LINE_BUSY)
        return Step.NEVER_QUIET


class Spacing:
    """Dead time or a pause; then the next stretch goes out."""

    def __init__(self, course: Course, now: float) -> None:
        self._course = course
        self.deadline = now if course.cancelled else course.script.due(now)

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Nothing of ours is out, so these are none of our echoes."""
        course = self._course
        if not course.compares:
            course.hear(data, now)
            return None, b""
        return course.odd(data, now, course.surplus(data[0]), course.script.next - 1), b""

    def tick(self, now: float) -> Step | None:
        """It is time."""
        return self._course.take_back(now) if self._course.cancelled else self._course.send(now)


class Leaving:
    """Frames are on their way out, and nothing comes back of them."""

    def __init__(self, course: Course, now: float) -> None:
        self._course = course
        self._answered = course.script.complete and course.transmission.replies is not None
        # The answer is looked for at once: not every port takes the line's own time.
        self.deadline = now if self._answered else course.script.out_until

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Whatever others say."""
        self._course.hear(data, now)
        return None, b""

    def tick(self, now: float) -> Step | None:  # noqa: ARG002 -- phases are made alike
        """They have left."""
        course = self._course
        if not course.script.complete:
            return Step.MORE
        if self._answered:
            return Step.ANSWER_DUE
        course.report.ended = course.script.out_until
        course.end(Result.SENT)
        return Step.GONE
