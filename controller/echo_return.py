"""The way back: our own frames return, round the ring or at once on a shared wire."""

from __future__ import annotations

from controller.echo_course import Course
from controller.echo_judging import own_frames
from controller.echo_states import Step
from controller.records import Reason

__all__ = ["AwaitingEcho", "HearingSelf"]


class _Returning:
    """What both have in common: frames are out, and their time can be over."""

    __slots__ = ("_course", "_overtime", "_place", "_wrong", "deadline")

    def __init__(self, course: Course, due: float) -> None:
        self._course = course
        self._place = course.script.first
        """Index of the frame that should come next."""
        self._wrong: int | None = None
        """A byte that came in its place, while it is open whether the frame itself still comes."""
        self._overtime = False
        self.deadline = due + course.timeout

    def tick(self, now: float) -> Step | None:
        """The time-out is over."""
        course = self._course
        if not self._overtime and not course.ends(Reason.ECHO_LATE):
            self._overtime = True
            self.deadline += course.timeout
            return None
        expected = course.script.data[self._place]
        if self._wrong is not None:
            reason = Reason.ECHO_WRONG
        else:
            reason = Reason.ECHO_STOPPED if course.report.echoed else Reason.NO_ECHO
        if course.ends(reason):
            return course.fail(reason, self._place, now, expected=expected, got=self._wrong)
        course.missing = expected
        return course.accounted_for()

    def _too_late(self, now: float) -> bool:
        """Whether what is read now comes after the time-out, and that ends the attempt."""
        return now > self.deadline and self.tick(now) is Step.FAULT


class AwaitingEcho(_Returning):
    """One frame is on its way round the ring."""

    __slots__ = ()

    def __init__(self, course: Course, now: float) -> None:
        super().__init__(course, now)

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Look for the echo of the one frame that is out; everything else in the delivery is odd."""
        course, script = self._course, self._course.script
        if self._too_late(now):
            return Step.FAULT, data
        lag = now - script.out_at
        early = lag < course.earliest
        place = -1 if early else data.find(script.expected)
        before = data if place < 0 else data[:place]
        if before:
            step = self._odd(before, now, early=early)
            if step is not None:
                return step, data[len(before) :]
            if place < 0:
                return None, b""
        if self._wrong is not None and course.ends(course.surplus(self._wrong)):
            # The frame came after all, so what came before it was one too many.
            reason, wrong = course.surplus(self._wrong), self._wrong
            return course.fail(reason, script.first, now, got=wrong), data[place:]
        course.echo(data[place : place + 1], now, (lag,), script.first)
        # Only one frame was out: what comes in one delivery with its echo is for the next phase to judge.
        return course.accounted_for(), data[place + 1 :]

    def _odd(self, data: bytes, now: float, *, early: bool) -> Step | None:
        """These are not the echo: too soon for it, or other bytes."""
        course, script = self._course, self._course.script
        if early:
            reason = course.surplus(data[0])
            if data[0] == script.expected and reason is Reason.STRAY:
                return course.odd(data, now, Reason.ECHO_EARLY, script.first, script.expected)
            return course.odd(data, now, reason, script.first)
        # In the echo's place, or one too many: what follows tells which, here or in the quiet window.
        if course.ends(Reason.ECHO_WRONG) and course.ends(course.surplus(data[0])):
            return course.odd(data, now, Reason.ECHO_WRONG, script.first, script.expected)
        self._wrong = data[0] if self._wrong is None else self._wrong
        course.stray(data)
        course.hear(data, now, Reason.ECHO_WRONG)
        return None


class HearingSelf(_Returning):
    """A stretch of frames is out on a shared wire, and should be heard as it was sent."""

    __slots__ = ("_times",)

    def __init__(self, course: Course, now: float) -> None:  # noqa: ARG002 -- phases are made alike
        super().__init__(course, course.script.out_until)
        # Where an answer is to follow, the own echo is only taken off, however soon it comes.
        self._times = course.times if course.compares else None

    def received(self, data: bytes, now: float) -> tuple[Step | None, bytes]:
        """Compare what is heard with what was sent, frame by frame."""
        course, script = self._course, self._course.script
        if self._too_late(now):
            return Step.FAULT, data
        while data and self._place < script.next:
            good = own_frames(data, script, self._place, now, self._times)
            if good:
                self._heard(data[:good], now)
            else:
                step = self._differs(data, now)
                if step is not None:
                    return step, b""
            data = data[good or 1 :]
        if self._place < script.next:
            return None, b""
        return course.accounted_for(), data

    def _heard(self, data: bytes, now: float) -> None:
        script, frame = self._course.script, self._course.times.frame
        first = self._place - script.first
        lags = tuple(now - script.out_at - place * frame for place in range(first, first + len(data)))
        self._course.echo(data, now, lags, self._place)
        self._place += len(data)

    def _differs(self, data: bytes, now: float) -> Step | None:
        """The next byte is not our frame: the step, if that ends the attempt."""
        course = self._course
        expected = course.script.data[self._place]
        reason = Reason.ECHO_EARLY if data[0] == expected else Reason.COLLISION
        if course.ends(reason):
            return course.odd(data, now, reason, self._place, expected)
        course.odd(data[:1], now, reason, self._place, expected)
        if reason is Reason.COLLISION:
            self._place += 1
        return None
