"""The echo machine: decides what to write and what became of it, from bytes and times alone.

It owns no port, no thread and no clock. Feed it with ``begin``, ``received``, ``tick``, ``cancel`` and
``link_lost``; each gives a list of effects, in order. ``deadline`` says when ``tick`` is due. Every way
from one state to another stands in controller/echo_states.py.

The four confirmations:

* loop: one frame at a time; the next one goes out when the last has come back round the ring.
* local: a stretch of frames goes out at once and is compared with what is heard of it.
* reply: the own echo is taken off first where the adapter hears itself, then an answer must match.
* none: the frames go out in their time, and that is all that can be said.
"""

from __future__ import annotations

import math

from controller.echo_judging import (
    CLOCKS,
    earliest_echo,
    ends_attempt,
    odd_frame,
    odd_in_settling,
    own_frames,
)
from controller.echo_script import Script
from controller.echo_states import TRANSITIONS, State, Step, WrongStep
from controller.records import Reason, Result
from controller.transmission import (
    Echoed,
    Effect,
    Finished,
    Heard,
    LineTimes,
    Report,
    Transmission,
    Verdict,
    Write,
)
from profiles.compiled import CompiledReply, Meaning
from profiles.stream import Found, StreamMatcher

__all__ = ["EchoMachine"]


class EchoMachine:
    """Drives one transmission at a time over one line.

    Args:
        times: what is known of time on the line; may be replaced between transmissions.
    """

    def __init__(self, times: LineTimes) -> None:
        self.times = times
        self.state = State.IDLE
        self.deadline: float | None = None
        """When ``tick`` is due, on the caller's monotonic clock; None while nothing is waited for."""
        self._effects: list[Effect] = []
        self._last_heard = -math.inf
        self._last_left = -math.inf
        self._current: tuple[Transmission, Script, Report] | None = None
        self._cancelled = False
        self._limit = 0.0
        self._overtime = False
        self._meanwhile: StreamMatcher[Meaning] | None = None
        self._replies: StreamMatcher[CompiledReply] | None = None

    @property
    def busy(self) -> bool:
        """Whether a transmission is under way."""
        return self.state is not State.IDLE

    @property
    def current_id(self) -> str | None:
        """The transmission that is under way."""
        return self._current[0].id if self._current is not None else None

    # What the machine is told

    def begin(self, transmission: Transmission, now: float) -> list[Effect]:
        """Start a transmission; the machine must be idle."""
        self._step(Step.BEGIN)
        report = Report(transmission.id, Result.FAILED, frames=len(transmission.message.data), attempts=1)
        self._current = transmission, Script(transmission, self.times), report
        self._cancelled = False
        self._limit = now + transmission.rules.busy_timeout_ms / 1000
        self._look_for_quiet(now)
        return self._taken()

    def received(self, data: bytes, now: float) -> list[Effect]:
        """Bytes that were read by ``now``."""
        self._take(data, now)
        return self._taken()

    def tick(self, now: float) -> list[Effect]:
        """The time is ``now``; does nothing before ``deadline``."""
        while self.deadline is not None and now >= self.deadline:
            self._time_is_up(now)
        return self._taken()

    def cancel(self, now: float) -> list[Effect]:
        """Stop as soon as the frame in hand is accounted for; nothing more is written."""
        self._cancelled = self.busy
        if self.state is State.WAITING:
            self._step(Step.CANCEL)
            self._finish(Result.CANCELLED, Reason.CANCELLED)
        elif self.state is State.SPACING:
            self._stop_here(now)
        return self._taken()

    def link_lost(self, now: float) -> list[Effect]:
        """The port is gone: whatever was under way ends here."""
        if self._current is not None:
            _, script, report = self._current
            self._step(Step.LINK_LOST)
            report.failed_at = min(script.first, report.frames - 1)
            report.ended = now
            self._finish(Result.FAILED, Reason.LINK_LOST)
        return self._taken()

    # Dispatch

    def _take(self, data: bytes, now: float) -> None:
        if not data:
            return
        match self.state:
            case State.AWAITING_ECHO:
                self._ring_bytes(data, now)
            case State.HEARING_SELF:
                self._own_bytes(data, now)
            case State.LEAVING:
                # Nothing can answer what is still on its way out.
                early = self._under_way[0].replies is not None
                self._hear(data, now, Reason.ECHO_EARLY if early else None)
            case State.AWAITING_REPLY:
                self._reply_bytes(data, now)
            case State.SETTLING:
                self._settling_bytes(data, now)
            case State.DRAINING:
                self._draining_bytes(data, now)
            case State.SPACING:
                self._between_bytes(data, now)
            case State.WAITING:
                self._hear(data, now)
                self._look_for_quiet(now)
            case State.IDLE:
                self._hear(data, now)

    def _time_is_up(self, now: float) -> None:
        transmission, script, report = self._under_way
        match self.state:
            case State.WAITING:
                self._look_for_quiet(now)
            case State.SPACING:
                self._send(now)
            case State.AWAITING_ECHO:
                self._echo_missing(now)
            case State.HEARING_SELF:
                self._fail(Reason.ECHO_STOPPED if report.echoed else Reason.NO_ECHO, report.echoed, now)
            case State.LEAVING:
                if not script.complete:
                    self._more(now)
                elif transmission.replies is None:
                    report.ended = script.out_until
                    self._step(Step.GONE)
                    self._finish(Result.SENT)
                else:
                    self._await_reply(script)
            case State.AWAITING_REPLY:
                self._fail(Reason.BAD_REPLY if report.stray else Reason.NO_REPLY, None, now)
            case State.SETTLING:
                self._settle(now)
            case State.DRAINING:
                self._drained(now)
            case State.IDLE:
                self.deadline = None

    # Sending

    def _look_for_quiet(self, now: float) -> None:
        quiet = max(self._last_heard + self.times.burst_gap, self._last_left + self.times.dead_time)
        if now >= quiet:
            self._step(Step.QUIET)
            self._send(now)
        elif now >= self._limit:
            self._step(Step.NEVER_QUIET)
            self._finish(Result.FAILED, Reason.LINE_BUSY)
        else:
            self.deadline = min(quiet, self._limit)

    def _send(self, now: float) -> None:
        transmission, script, report = self._under_way
        self._effects.append(Write(script.take(now)))
        if report.began is None:
            report.began = now
        report.all_out = report.all_out or script.complete
        self._last_left = script.out_until
        self._overtime = False
        timeout = transmission.rules.timeout_ms / 1000
        if script.lockstep:
            self._step(Step.FRAME_OUT)
            self.deadline = now + timeout
        elif script.heard:
            self._step(Step.STRETCH_OUT)
            self.deadline = script.out_until + timeout
        else:
            self._step(Step.STRETCH_OUT_UNHEARD)
            self.deadline = script.out_until

    def _more(self, now: float) -> None:
        """What was out is accounted for, and there is more."""
        _, script, _ = self._under_way
        self._step(Step.MORE)
        if self._cancelled:
            self._stop_here(now)
            return
        self.deadline = script.due(now)
        if now >= self.deadline:
            self._send(now)

    def _stop_here(self, now: float) -> None:
        _, _, report = self._under_way
        self._step(Step.CANCEL)
        report.reason = Reason.CANCELLED
        self._begin_draining(now)

    # Loop

    def _ring_bytes(self, data: bytes, now: float) -> None:
        _, script, report = self._under_way
        value, rest = data[0], data[1:]
        lag = now - script.out_at
        earliest = earliest_echo(self.times, report.lags)
        if lag >= earliest and value == script.expected:
            report.echoed += 1
            report.lags.append(lag)
            report.ended = now
            self._effects.append(Echoed(data[:1], now, (lag,)))
            if rest and not script.complete:
                # Only one frame was out: what comes in one delivery with its echo is none of ours.
                reason = Reason.ECHO_DOUBLED if rest[0] == value else Reason.STRAY
                self._odd(rest, now, reason, script.first, script.expected)
                if self.state is not State.AWAITING_ECHO:
                    return
            self._echo_done(now)
            if rest and self.state is State.SETTLING:
                self._take(rest, now)
            return
        reason = odd_frame(value, script, early=lag < earliest)
        self._odd(data[:1], now, reason, script.first, script.expected)
        self._take(rest, now)

    def _echo_done(self, now: float) -> None:
        _, script, _ = self._under_way
        if script.complete:
            self._step(Step.ALL_BACK)
            self._begin_settling(now)
        else:
            self._more(now)

    def _echo_missing(self, now: float) -> None:
        transmission, script, report = self._under_way
        reason = Reason.ECHO_STOPPED if report.echoed else Reason.NO_ECHO
        if not self._overtime and not ends_attempt(Reason.ECHO_LATE, transmission.rules):
            self._overtime = True
            self.deadline = now + transmission.rules.timeout_ms / 1000
        elif ends_attempt(reason, transmission.rules):
            self._fail(reason, script.first, now)
        else:
            self._echo_done(now)

    # Local, and the own echo before a reply

    def _own_bytes(self, data: bytes, now: float) -> None:
        transmission, script, report = self._under_way
        # Where an answer is to follow, the own echo is only taken off, however soon it comes.
        frame = self.times.frame if transmission.replies is None else None
        good = own_frames(data, script, report.echoed, now, frame)
        if good:
            places = range(report.echoed - script.first, report.echoed - script.first + good)
            lags = tuple(now - script.out_at - place * self.times.frame for place in places)
            report.echoed += good
            report.lags += lags
            report.ended = now
            self._effects.append(Echoed(data[:good], now, lags))
        rest = data[good:]
        if report.echoed >= script.next:
            if not script.complete:
                self._more(now)
            elif transmission.replies is not None:
                self._await_reply(script)
            else:
                self._step(Step.ALL_BACK)
                self._begin_settling(now)
            self._take(rest, now)
        elif rest:
            self._odd(rest, now, Reason.COLLISION, report.echoed, script.data[report.echoed])

    # Reply

    def _await_reply(self, script: Script) -> None:
        transmission, _, _ = self._under_way
        self._step(Step.ANSWER_DUE)
        self._replies = transmission.replies() if transmission.replies else None
        timeout = transmission.rules.timeout_ms / 1000
        self.deadline = script.out_until + timeout + self.times.slack
        self._limit = self.deadline + transmission.rules.busy_timeout_ms / 1000

    def _reply_bytes(self, data: bytes, now: float) -> None:
        transmission, script, report = self._under_way
        if self._replies is None or self.deadline is None:
            return
        self.deadline = min(max(self.deadline, now + self.times.burst_gap + self.times.slack), self._limit)
        for found in self._replies.feed(data, now):
            if found.key is None or found.reading is None or transmission.judge is None:
                report.stray += found.data
                self._hear(found.data, now, Reason.BAD_REPLY)
                continue
            begun = script.out_until + len(found.data) * self.times.frame * CLOCKS
            if now < begun:
                # Sooner than its bytes could have followed ours: it is our own echo, not an answer.
                report.stray += found.data
                self._hear(found.data, now, Reason.ECHO_EARLY)
                continue
            self._hear(found.data, now)
            verdict = transmission.judge(found.key, found.reading)
            if verdict is Verdict.OTHER:
                continue
            report.reply, report.reading, report.ended = found.key, found.reading, now
            self._step(Step.ANSWERED)
            if verdict is Verdict.DONE:
                self._finish(Result.ANSWERED)
            else:
                self._finish(Result.FAILED, Reason.REFUSED_BY_UNIT)
            return

    # After the last frame

    def _begin_settling(self, now: float) -> None:
        transmission, _, report = self._under_way
        self._meanwhile = transmission.listener()
        longest = max(report.lags, default=self.times.round_trip)
        jitter = self.times.slack if self.times.jitter is None else self.times.jitter
        self.deadline = now + longest + 2 * self.times.frame + jitter
        self._limit = now + transmission.rules.busy_timeout_ms / 1000

    def _settling_bytes(self, data: bytes, now: float) -> None:
        if self._meanwhile is None:
            return
        self._judge_settling(self._meanwhile.feed(data, now), data, now)

    def _settle(self, now: float) -> None:
        if self._meanwhile is None:
            return
        self._judge_settling(self._meanwhile.tick(now), b"", now)
        if self.state is not State.SETTLING:
            return
        waits_until = self._meanwhile.deadline
        if waits_until is not None and now < self._limit:
            # What has come may be the beginning of what another unit says, or a stray frame.
            self.deadline = min(max(waits_until, math.nextafter(now, math.inf)), self._limit)
            return
        _, _, report = self._under_way
        self._step(Step.SETTLED)
        complete = report.echoed == report.frames
        self._finish(Result.CONFIRMED if complete else Result.SENT)

    def _judge_settling(self, found: list[Found[Meaning]], data: bytes, now: float) -> None:
        _, script, _ = self._under_way
        last = script.data[-1]
        odd = odd_in_settling(found, last)
        if odd is None:
            self._hear(data, now)
        else:
            self._odd(data or odd[0], now, odd[1], len(script.data) - 1, last)

    # Failing

    def _odd(self, data: bytes, now: float, reason: Reason, index: int, expected: int) -> None:
        """Bytes came that should not have."""
        transmission, _, report = self._under_way
        report.stray += data
        self._hear(data, now, reason)
        if ends_attempt(reason, transmission.rules):
            self._fail(reason, index, now, expected=expected, got=data[0])

    def _fail(
        self,
        reason: Reason,
        index: int | None,
        now: float,
        *,
        expected: int | None = None,
        got: int | None = None,
    ) -> None:
        _, _, report = self._under_way
        self._step(Step.FAULT)
        report.reason, report.failed_at, report.expected, report.got = reason, index, expected, got
        report.ended = now
        self._begin_draining(now)

    def _begin_draining(self, now: float) -> None:
        transmission, _, _ = self._under_way
        self.deadline = now + self._drain_time(transmission)
        self._limit = now + transmission.rules.busy_timeout_ms / 1000

    def _drain_time(self, transmission: Transmission) -> float:
        alive = 2 * (self.times.round_trip + self.times.frame) + self.times.slack
        return max(transmission.rules.retry_pause_ms / 1000, alive, self.times.dead_time)

    def _draining_bytes(self, data: bytes, now: float) -> None:
        transmission, script, report = self._under_way
        missing = report.reason in (Reason.NO_ECHO, Reason.ECHO_STOPPED)
        if missing and script.lockstep and data[0] == script.expected:
            report.reason, report.got = Reason.ECHO_LATE, data[0]
            report.expected = script.expected
            report.lags.append(now - script.out_at)
            self._hear(data, now, Reason.ECHO_LATE)
        else:
            self._hear(data, now, report.reason if report.reason is Reason.ECHO_LATE else None)
        self.deadline = min(now + self._drain_time(transmission), self._limit)

    def _drained(self, now: float) -> None:
        transmission, script, report = self._under_way
        reason = report.reason or Reason.INTERNAL
        quiet = now >= min(self._last_heard, now) + self._drain_time(transmission) * 0.999
        again = (
            quiet
            and not self._cancelled
            and report.attempts <= transmission.rules.retries
            and (transmission.repeatable or not script.complete)
        )
        if not again:
            self._step(Step.GIVE_UP)
            self._finish(Result.CANCELLED if self._cancelled else Result.FAILED, reason)
            return
        self._step(Step.RETRY)
        self._current = (
            transmission,
            script,
            Report(
                report.id,
                Result.FAILED,
                frames=report.frames,
                attempts=report.attempts + 1,
                all_out=report.all_out,
            ),
        )
        script.rewind()
        self._send(now)

    def _between_bytes(self, data: bytes, now: float) -> None:
        """Bytes while nothing of ours is out: in lockstep nothing may come then."""
        _, script, _ = self._under_way
        if not script.lockstep:
            self._hear(data, now)
            return
        doubled = data[0] == script.data[script.first]
        reason = Reason.ECHO_DOUBLED if doubled else Reason.STRAY
        self._odd(data, now, reason, script.first, script.data[script.first])

    # Small things

    @property
    def _under_way(self) -> tuple[Transmission, Script, Report]:
        if self._current is None:
            raise RuntimeError("no transmission is under way")
        return self._current

    def _hear(self, data: bytes, now: float, fault: Reason | None = None) -> None:
        if data:
            self._last_heard = now
            self._effects.append(Heard(data, now, fault))

    def _step(self, step: Step) -> None:
        following = TRANSITIONS.get((self.state, step))
        if following is None:
            raise WrongStep(self.state, step)
        self.state = following

    def _finish(self, result: Result, reason: Reason | None = None) -> None:
        _, _, report = self._under_way
        report.result, report.reason = result, reason
        self._current = self._meanwhile = self._replies = None
        self.deadline = None
        self._effects.append(Finished(report))

    def _taken(self) -> list[Effect]:
        effects, self._effects = self._effects, []
        return effects
