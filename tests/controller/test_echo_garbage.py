"""Anything at any time: nothing is raised, everything ends in time, and no more is written than may be."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any
from unittest import mock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.echo import EchoMachine
from controller.echo_script import Script
from controller.records import Reason, Result
from controller.transmission import LineTimes, Transmission, Write
from profiles.model import Method
from profiles.template import Pause

from .echo_line import Adapter, Order, Ring, Run, Shared, drive
from .echo_messages import T, answering, payloads, rules, sending

ENDERS = ["no-echo", "echo-wrong", "echo-late", "stray"]


@dataclass(frozen=True)
class Chaos:
    """A transmission, what is known of its line, and everything that happens to it."""

    transmission: Transmission
    times: LineTimes
    line: Ring | Shared
    orders: tuple[Order, ...]

    @property
    def longest(self) -> float:
        """Seconds in which it must have ended, whatever comes."""
        given, times, frames = self.transmission.rules, self.times, len(self.transmission.message.data)
        timeout, busy = given.timeout_ms / 1000, given.busy_timeout_ms / 1000
        pauses = sum(pause.seconds for pause in self.transmission.message.pauses)
        window = max(given.retry_pause_ms / 1000, times.burst_gap, times.dead_time, pauses) + timeout
        window += 2 * (times.round_trip + 2 * timeout + 3 * times.frame + times.slack)
        one = frames * (2 * timeout + times.frame + times.dead_time) + pauses
        return busy + (given.retries + 1) * (one + timeout + 3 * window + 2 * busy)


@st.composite
def chaos(draw: st.DrawFn) -> Chaos:
    method = draw(st.sampled_from(list(Method)))
    payload = draw(payloads)
    confirm = rules(
        method,
        timeout_ms=draw(st.sampled_from([1.0, 20.0, 250.0])),
        retries=draw(st.integers(0, 3)),
        retry_pause_ms=draw(st.sampled_from([0.0, 100.0])),
        busy_timeout_ms=draw(st.sampled_from([1.0, 100.0, 2000.0])),
        ends_attempt=draw(st.lists(st.sampled_from(ENDERS), unique=True)),
    )
    pauses = draw(st.lists(st.builds(Pause, st.integers(0, len(payload)), st.floats(0, 0.3)), max_size=3))
    more: dict[str, Any] = {}
    if method is Method.REPLY:
        more = answering(done=(b"\x06", payload), refused=(b"\x06\x15",), other=(b"\x07\x01",))
    hears_itself = draw(st.booleans())
    transmission = sending(
        payload,
        method,
        confirm=confirm,
        pauses=tuple(pauses),
        others_say=draw(st.sampled_from([(), (payload[:1],), (b"\xa6\x01\x02", b"\xa6")])),
        repeatable=draw(st.booleans()),
        hears_itself=hears_itself,
        **more,
    )
    latency = draw(st.sampled_from([0.0, 0.001, 0.016]))
    known = draw(st.booleans())
    times = LineTimes(
        T,
        hops=draw(st.integers(0, 4)),
        latency=latency if known else None,
        jitter=latency if known else None,
        dead_time=draw(st.sampled_from([0.0, 0.005])),
        burst_gap=draw(st.sampled_from([0.001, 0.04])),
    )
    adapter = Adapter(latency, latency)
    line: Ring | Shared
    if method is Method.LOOP:
        line = Ring(T, draw(st.integers(0, 4)), adapter)
    else:
        line = Shared(T, adapter, hears_itself=hears_itself, answer=lambda _: (T, b"\x06"))
    # Bytes that are likely to be mistaken for something come more often than others.
    noise = st.one_of(
        st.binary(max_size=5), st.sampled_from([payload, payload[:1], b"\xa6", b"\x06", b"\x07\x01"])
    )
    events = st.tuples(st.floats(0, 3), st.one_of(noise, noise, st.just(EchoMachine.cancel)))
    orders: list[Order] = draw(st.lists(events, max_size=25))
    if draw(st.integers(0, 9)) == 0:
        orders.append((draw(st.floats(0, 3)), EchoMachine.link_lost))
    return Chaos(transmission, times, line, tuple(orders))


def drive_and_note(chaos: Chaos) -> tuple[Run, list[bytes]]:
    """Run it; what was taken from the message, attempt by attempt."""
    attempts = [b""]
    take, rewind = Script.take, Script.rewind

    def noting_take(script: Script, now: float) -> bytes:
        data = take(script, now)
        attempts[-1] += data
        return data

    def noting_rewind(script: Script) -> None:
        rewind(script)
        attempts.append(b"")

    with mock.patch.object(Script, "take", noting_take), mock.patch.object(Script, "rewind", noting_rewind):
        run = drive(EchoMachine(chaos.times), chaos.line, chaos.transmission, orders=chaos.orders)
    return run, [attempt for attempt in attempts if attempt]


def verify_writes(run: Run, attempts: list[bytes], transmission: Transmission) -> None:
    """Only the message is written, each time from its first frame, and no more often than allowed."""
    payload = transmission.message.data
    assert b"".join(run.writes) == b"".join(attempts)
    assert all(payload.startswith(attempt) for attempt in attempts)
    assert len(attempts) == run.report.attempts <= transmission.rules.retries + 1
    assert run.report.all_out is (payload in attempts)
    if not transmission.repeatable:
        assert payload not in attempts[:-1], "sent again after its last frame"


def verify_whatever_comes(chaos: Chaos) -> None:
    """It ends once, in time and with the truth; every byte is told; only what may be written is."""
    run, attempts = drive_and_note(chaos)
    report = run.report
    assert run.told == run.delivered, "every byte is told once, in order"
    assert run.finished_at <= chaos.longest
    verify_writes(run, attempts, chaos.transmission)
    good = report.result.good
    assert good is (report.reason is None) or report.result is Result.CANCELLED
    assert report.result in (
        Result.CONFIRMED,
        Result.ANSWERED,
        Result.SENT,
        Result.FAILED,
        Result.CANCELLED,
    )
    assert report.reason is not Reason.INTERNAL
    if report.result is Result.CONFIRMED:
        assert report.echoed == report.frames == len(report.lags)
        assert chaos.transmission.method is not Method.REPLY
    if report.result is Result.ANSWERED:
        assert report.reply is not None
    if report.began is None:
        assert run.writes == []
    elif report.ended is not None:
        assert report.ended >= report.began
    if good or report.result is Result.FAILED:
        assert report.failed_at is None or 0 <= report.failed_at < report.frames
    assert len(report.stray) <= 256


@given(chaos())
@settings(deadline=None, max_examples=200)
def test_anything_at_any_time(chaos: Chaos) -> None:
    verify_whatever_comes(chaos)


@pytest.mark.slow
@pytest.mark.timeout(600)
@given(chaos())
@settings(deadline=None, max_examples=5000)
def test_anything_at_any_time_thousands_of_times(chaos: Chaos) -> None:
    verify_whatever_comes(chaos)


@given(st.lists(chaos(), min_size=2, max_size=4))
@settings(deadline=None, max_examples=50)
def test_one_message_after_another_over_the_same_machine(several: list[Chaos]) -> None:
    machine, now = EchoMachine(several[0].times), 0.0
    for each in several:
        machine.times = each.times
        # Time goes on for the machine, while each line and each order of it begins at nought.
        orders = [(now + at, order) for at, order in each.orders]
        run = drive(machine, each.line, each.transmission, at=now, orders=orders)
        assert not machine.busy
        assert machine.deadline is None
        assert run.told == run.delivered
        now = max((at for at, _ in run.effects), default=now) + 0.001
        assert math.isfinite(now)


@given(chaos(), st.floats(0, 1))
@settings(deadline=None, max_examples=100)
def test_a_clock_that_leaps(chaos: Chaos, share: float) -> None:
    """Suspended for hours in the middle: what is under way ends, and no more goes out than may."""
    machine = EchoMachine(chaos.times)
    effects = machine.begin(chaos.transmission, 0.0)
    deadline = machine.deadline
    if deadline is None:
        return
    machine.received(b"\x01", share * deadline)
    written = sum(len(e.data) for e in effects if isinstance(e, Write))
    after: list[Any] = []
    for hour in range(1, 400):
        after += machine.tick(3600.0 * hour)
        if not machine.busy:
            break
    assert not machine.busy
    written += sum(len(e.data) for e in after if isinstance(e, Write))
    given = chaos.transmission.rules
    assert written <= (given.retries + 1) * len(chaos.transmission.message.data)
