"""Every wait of the echo machine, to the instant: worked by hand from what each is said to be.

A frame takes a second here and all times are sums of powers of two, so that each comes out exactly.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from controller.echo import EchoMachine
from controller.echo_states import State
from controller.records import Reason, Result
from controller.transmission import CLOCKS, Effect, Finished, Heard, LineTimes, Report, Transmission
from profiles.model import Method
from profiles.template import Pause

from .echo_messages import answering, rules, sending

WIRE = LineTimes(1.0, latency=0.25, jitter=0.25, burst_gap=8.0)
"""The slack is half a second."""
RING = replace(WIRE, hops=1)
"""A round trip takes two seconds."""
HURRY: dict[str, Any] = {"timeout_ms": 16_000, "busy_timeout_ms": 64_000, "retry_pause_ms": 0, "retries": 0}


def begun(times: LineTimes, transmission: Transmission, at: float = 0.0) -> EchoMachine:
    machine = EchoMachine(times)
    machine.begin(transmission, at)
    return machine


def asking(**answers: tuple[bytes, ...]) -> Transmission:
    known = answering(**{"done": (b"\x06\x07",), **answers})
    return sending(b"\x01\x02", Method.REPLY, confirm=rules(Method.REPLY, **HURRY), **known)


def ringing(data: bytes = b"\x01\x02", **more: Any) -> Transmission:
    confirm = rules(**{**HURRY, **more.pop("confirm", {})})
    return sending(data, confirm=confirm, **more)


def report(effects: list[Effect]) -> Report:
    (last,) = [effect.report for effect in effects if isinstance(effect, Finished)]
    return last


# An answer


def test_an_answer_may_begin_until_the_time_out_behind_the_last_frame() -> None:
    machine = begun(WIRE, asking())
    assert (machine.state, machine.deadline) == (State.AWAITING_REPLY, 2.0 + 16.0 + 0.5)
    found = report(machine.received(b"\x06\x07", 18.5))
    assert (found.result, found.ended) == (Result.ANSWERED, 18.5)
    late = begun(WIRE, asking())
    late.received(b"\x06\x07", 18.75)
    assert late.state is State.DRAINING
    found = report(late.tick(1000.0))
    assert (found.reason, found.ended, found.stray) == (Reason.NO_REPLY, 18.75, b"")


def test_an_answer_that_has_begun_is_given_a_burst_gap_more() -> None:
    machine = begun(WIRE, asking())
    machine.received(b"\x06", 18.0)
    # Half an answer is looked at again, but not sooner than a frame later.
    assert machine.deadline == 19.0
    assert machine.tick(19.0) == []
    assert machine.deadline == 18.0 + 8.0 + 0.5
    machine.tick(26.5)
    assert machine.state is State.DRAINING
    assert report(machine.tick(1000.0)).reason is Reason.BAD_REPLY


def test_others_put_the_end_of_the_wait_off_up_to_the_busy_time_out() -> None:
    machine = begun(WIRE, asking())
    machine.received(b"\x55", 1.0)
    assert machine.deadline == 18.5, "it is never brought forward"
    for at in (18.0, 26.0, 34.0, 42.0, 50.0, 58.0, 66.0, 74.0):
        machine.received(b"\x55", at)
        assert machine.deadline == at + 8.5
    machine.received(b"\x55", 82.0)
    assert machine.deadline == 18.5 + 64.0
    found = report(begun(WIRE, asking()).link_lost(3.0))
    assert (found.reason, found.failed_at) == (Reason.LINK_LOST, None)


def test_our_own_bytes_are_told_from_an_answer_that_says_the_same_by_their_time() -> None:
    own_until = 2.0 + 0.25 + 2 * 1.0 * CLOCKS
    transmission = asking(done=(b"\x01\x02", b"\x06\x07"))
    answered = begun(WIRE, transmission)
    assert report(answered.received(b"\x01\x02", own_until)).result is Result.ANSWERED
    own = begun(WIRE, transmission)
    too_soon = math.nextafter(own_until, 0.0)
    assert own.received(b"\x01\x02", too_soon) == [Heard(b"\x01\x02", too_soon, Reason.ECHO_EARLY)]
    assert own.state is State.AWAITING_REPLY
    own.tick(19.0)
    assert report(own.tick(1000.0)).reason is Reason.ECHO_EARLY
    # Where the adapter's time is not known nothing can be told from it, nor where it hears itself anyway.
    blind = begun(replace(WIRE, latency=None), transmission)
    assert report(blind.received(b"\x01\x02", 2.0)).result is Result.ANSWERED
    other = begun(WIRE, transmission)
    assert report(other.received(b"\x06\x07", 2.0)).result is Result.ANSWERED
    hears = begun(WIRE, replace(transmission, hears_itself=True))
    hears.received(b"\x01\x02", 2.0)
    assert hears.state is State.AWAITING_REPLY
    assert report(hears.received(b"\x01\x02", 4.0)).result is Result.ANSWERED


# Waiting for a quiet line


@pytest.mark.parametrize(
    ("times", "pauses", "gap"),
    [
        (WIRE, (), 8.0),
        (replace(WIRE, dead_time=4.0), (), 8.0),
        (replace(WIRE, dead_time=16.0), (), 16.0),
        (WIRE, (Pause(0, 16.0),), 16.0),
        (WIRE, (Pause(0, 4.0),), 8.0),
        (WIRE, (Pause(0, 8.0), Pause(0, 8.0)), 16.0),
    ],
)
@pytest.mark.parametrize("trail", [0.0, 4.0])
def test_a_message_keeps_its_distance_from_our_last(
    times: LineTimes, pauses: tuple[Pause, ...], gap: float, trail: float
) -> None:
    machine = EchoMachine(replace(times, dead_time=0.0))
    behind = (Pause(2, trail),) if trail else ()
    machine.begin(sending(b"\x01\x02", Method.NONE, pauses=behind), 0.0)
    assert machine.deadline == 2.0
    assert report(machine.tick(2.0)).ended == 2.0
    machine.times = times
    machine.begin(sending(b"\x03", Method.NONE, pauses=pauses, confirm=rules(Method.NONE, **HURRY)), 3.0)
    assert (machine.state, machine.deadline) == (State.WAITING, 2.0 + trail + gap)
    # The time given to others is no shorter than that.
    machine.link_lost(3.0)
    patient = rules(Method.NONE, **{**HURRY, "busy_timeout_ms": 1})
    machine.begin(sending(b"\x03", Method.NONE, pauses=pauses, confirm=patient), 3.0)
    assert machine.deadline == 2.0 + trail + gap
    machine.tick(2.0 + trail + gap)
    assert machine.state is State.LEAVING


def test_a_message_that_was_broken_off_wants_no_pause_behind_it() -> None:
    machine = begun(WIRE, sending(b"\x01\x02", Method.NONE, pauses=(Pause(1, 4.0), Pause(2, 4.0))))
    machine.link_lost(2.0)
    machine.begin(sending(b"\x03", Method.NONE), 2.0)
    assert (machine.state, machine.deadline) == (State.WAITING, 1.0 + 8.0)


def test_others_are_waited_for_until_they_are_quiet_or_the_time_is_over() -> None:
    machine = EchoMachine(WIRE)
    machine.received(b"\x55", -1.0)
    machine.begin(ringing(), 0.0)
    assert (machine.state, machine.deadline, machine.attempt) == (State.WAITING, 7.0, None)
    for at in (6.0, 13.0, 20.0, 27.0, 34.0, 41.0, 48.0, 55.0):
        assert machine.received(b"\x55", at) != []
        assert machine.deadline == at + 8.0
    machine.received(b"\x55", 62.0)
    assert machine.deadline == 64.0
    found = report(machine.tick(64.0))
    assert (found.reason, found.attempts, found.ended) == (Reason.LINE_BUSY, 0, None)


# Dead time and pauses


def test_the_next_frame_of_a_ring_waits_for_its_dead_time_and_pause() -> None:
    machine = begun(replace(RING, dead_time=2.0), ringing(pauses=(Pause(1, 4.0),)))
    assert machine.deadline == 16.0
    machine.received(b"\x01", 3.0)
    assert (machine.state, machine.deadline) == (State.SPACING, 3.0 + 2.0 + 4.0)
    machine.tick(8.75)
    assert machine.state is State.SPACING
    machine.tick(9.0)
    assert (machine.state, machine.deadline) == (State.AWAITING_ECHO, 9.0 + 16.0)


# An echo


def test_an_echo_is_early_before_the_line_allows_it() -> None:
    """Two frames for one unit, each handed on with its stop bit half over, and a clock 3 % fast."""
    soonest = CLOCKS * 1.0 * RING.handed_on * 2
    in_time = begun(RING, ringing())
    in_time.received(b"\x01", soonest)
    assert in_time.state is State.AWAITING_ECHO
    assert in_time.attempt == 1
    assert in_time.deadline == soonest + 16.0
    early = begun(RING, ringing())
    early.received(b"\x01", math.nextafter(soonest, 0.0))
    assert early.state is State.DRAINING
    # Where no unit is expected one frame is all.
    alone = begun(WIRE, ringing())
    alone.received(b"\x01", CLOCKS * 1.0 * WIRE.handed_on)
    assert alone.state is State.AWAITING_ECHO


@pytest.mark.parametrize(
    ("data", "reason", "expected"),
    [
        (b"\x01\x77", Reason.ECHO_EARLY, 0x01),
        (b"\x77\x01", Reason.STRAY, None),
        (b"\x77", Reason.STRAY, None),
    ],
)
def test_the_first_of_several_bytes_that_come_too_soon_says_what_they_are(
    data: bytes, reason: Reason, expected: int | None
) -> None:
    machine = begun(RING, ringing())
    assert machine.received(data, 0.5) == [Heard(data, 0.5, reason)]
    found = report(machine.tick(1000.0))
    assert (found.reason, found.expected, found.got, found.stray) == (reason, expected, data[0], data)


def test_the_first_byte_in_the_place_of_a_frame_is_what_came_instead() -> None:
    machine = begun(RING, ringing(confirm={"ends_attempt": ["echo-wrong"]}))
    assert machine.received(b"\x77\x79", 3.0) == [Heard(b"\x77\x79", 3.0, Reason.ECHO_WRONG)]
    assert machine.received(b"\x78", 4.0) == [Heard(b"\x78", 4.0, Reason.ECHO_WRONG)]
    assert machine.tick(16.0) == []
    assert machine.deadline == 32.0, "a late echo ends nothing: it has as long again"
    machine.tick(32.0)
    found = report(machine.tick(1000.0))
    assert (found.reason, found.expected, found.got) == (Reason.ECHO_WRONG, 0x01, 0x77)
    assert found.stray == b"\x77\x79\x78"


def test_a_late_frame_ahead_of_other_bytes_is_late() -> None:
    machine = begun(RING, ringing(confirm={"ends_attempt": ["echo-wrong", "stray"]}))
    machine.tick(16.0)
    machine.tick(32.0)
    assert (machine.state, machine.deadline) == (State.AWAITING_ECHO, 48.0)
    machine.received(b"\x01\x77", 35.0)
    assert machine.deadline == 48.0
    machine.received(b"\x02", 36.0)
    assert machine.state is State.SETTLING
    found = report(machine.tick(1000.0))
    assert (found.result, found.echoed, found.stray) == (Result.SENT, 1, b"\x01\x77")


@pytest.mark.parametrize(("lag", "longest"), [(1.9, 2.0), (2.0, 2.0), (4.0, 4.0)])
def test_the_settle_time_is_the_longest_lag_and_two_frames(lag: float, longest: float) -> None:
    machine = begun(RING, ringing(b"\x01"))
    machine.received(b"\x01", lag)
    assert (machine.state, machine.deadline) == (State.SETTLING, lag + longest + 2.0 + 0.5)
    found = report(machine.tick(lag + longest + 2.5))
    assert (found.result, found.ended, found.lags) == (Result.CONFIRMED, lag, [lag])
    # What was learned holds for the next message, where nothing else was told.
    machine.times = replace(WIRE, burst_gap=1.0)
    machine.begin(ringing(b"\x01"), 100.0)
    machine.received(b"\x01", 101.0)
    assert machine.deadline == 101.0 + lag + 2.0 + 0.5


def test_a_message_that_has_begun_in_the_settle_time_is_waited_for() -> None:
    machine = begun(RING, ringing(b"\x01", others_say=(b"\x30\x31\x32",)))
    machine.received(b"\x01", 2.0)
    assert machine.deadline == 6.5
    machine.received(b"\x30", 6.375)
    # The matcher gives half a message up after a quarter of a second; a frame is longer.
    assert machine.tick(6.5) == []
    assert (machine.state, machine.deadline) == (State.SETTLING, 7.5)
    assert machine.received(b"\x31", 7.0) != []
    assert report(machine.received(b"\x32", 7.25)).result is Result.CONFIRMED
    assert machine.deadline is None


def test_a_message_that_is_never_finished_holds_the_settle_time_up_to_the_busy_time_out() -> None:
    confirm = {"busy_timeout_ms": 250, "ends_attempt": []}
    machine = begun(RING, ringing(b"\x01", others_say=(b"\x30\x31\x32",), confirm=confirm))
    machine.received(b"\x01", 2.0)
    machine.received(b"\x30", 6.375)
    assert machine.tick(6.5) == []
    assert machine.deadline == 6.75
    found = report(machine.tick(6.75))
    assert (found.result, found.stray) == (Result.CONFIRMED, b"\x30")


# The quiet window


@pytest.mark.parametrize(
    ("times", "confirm", "pauses", "window"),
    [
        # Two round trips and frames, and the slack.
        (replace(RING, burst_gap=1.0), {}, (), 2 * (2.0 + 1.0) + 0.5),
        (RING, {}, (), 8.0),
        (RING, {"retry_pause_ms": 9000}, (), 9.0),
        (replace(RING, dead_time=10.0), {}, (), 10.0),
        (RING, {}, (Pause(0, 11.0),), 11.0),
    ],
)
def test_the_quiet_window_is_the_longest_of_what_asks_for_one(
    times: LineTimes, confirm: dict[str, Any], pauses: tuple[Pause, ...], window: float
) -> None:
    machine = begun(times, ringing(confirm={**confirm, "busy_timeout_ms": 1, "retries": 1}, pauses=pauses))
    machine.received(b"\x77", 2.0)
    assert (machine.state, machine.deadline) == (State.DRAINING, 2.0 + window)
    # What still comes puts it off, up to one window more.
    machine.received(b"\x77", 2.5)
    assert machine.deadline == 2.5 + window
    machine.received(b"\x77", 2.0 + window)
    assert machine.deadline == 2.0 + 2 * window
    machine.received(b"\x77", 1.0 + 2 * window)
    assert machine.deadline == 2.0 + 2 * window
    assert report(machine.tick(2.0 + 2 * window)).reason is Reason.ECHO_WRONG


def test_the_quiet_window_lasts_as_long_as_others_may_speak() -> None:
    machine = begun(RING, ringing(confirm={"retries": 1}))
    machine.received(b"\x77", 2.0)
    assert machine.deadline == 10.0
    for at in range(9, 66, 7):
        machine.received(b"\x77", float(at))
        assert machine.deadline == at + 8.0
    machine.received(b"\x77", 70.0)
    assert machine.deadline == 10.0 + 64.0
    assert report(machine.tick(74.0)).attempts == 1


def test_a_missing_echo_is_looked_for_during_a_second_time_out() -> None:
    machine = begun(RING, ringing(confirm={"retries": 1}))
    machine.tick(16.0)
    assert (machine.state, machine.deadline) == (State.DRAINING, 32.0)
    machine.received(b"\x77", 20.0)
    assert machine.deadline == 32.0
    machine.received(b"\x01", 21.0)
    assert machine.deadline == 29.0, "it has come, and nothing is looked for any more"
    machine.tick(29.0)
    assert (machine.state, machine.attempt) == (State.AWAITING_ECHO, 2)
    found = report(machine.link_lost(30.0))
    assert (found.attempts, found.failed_at, found.ended) == (2, 0, 30.0)


def test_where_the_length_of_the_ring_is_not_known_the_frame_has_the_whole_of_its_time_out() -> None:
    stranger = begun(WIRE, ringing())
    stranger.received(b"\x77", 2.0)
    assert stranger.deadline == 16.0
    told = begun(RING, ringing())
    told.received(b"\x77", 2.0)
    assert told.deadline == 10.0
    measured = begun(WIRE, ringing())
    measured.received(b"\x01", 2.0)
    measured.received(b"\x77", 4.0)
    assert (measured.state, measured.deadline) == (State.DRAINING, 12.0)
    learned = begun(WIRE, ringing(b"\x01"))
    learned.received(b"\x01", 2.0)
    assert report(learned.tick(1000.0)).result is Result.CONFIRMED
    learned.begin(ringing(b"\x01"), 1000.0)
    learned.received(b"\x77", 1002.0)
    assert (learned.state, learned.deadline) == (State.DRAINING, 1010.0)


def test_a_shared_wire_has_no_length_and_is_not_waited_for() -> None:
    machine = begun(WIRE, sending(b"\x01\x02", Method.LOCAL, confirm=rules(Method.LOCAL, **HURRY)))
    machine.received(b"\x77", 1.0)
    assert (machine.state, machine.deadline) == (State.DRAINING, 9.0)
    assert report(machine.tick(9.0)).reason is Reason.COLLISION


# The own echo on a shared wire


def test_the_own_echo_has_the_time_out_behind_its_last_frame() -> None:
    confirm = rules(Method.LOCAL, **HURRY)
    machine = begun(WIRE, sending(b"\x01\x02\x03", Method.LOCAL, confirm=confirm))
    assert (machine.state, machine.deadline) == (State.HEARING_SELF, 3.0 + 16.0)
    machine.received(b"\x01\x02", 18.0)
    machine.received(b"\x03", 19.0)
    assert (machine.state, machine.deadline) == (State.SETTLING, 19.0 + 18.0 + 2.0 + 0.5)
    found = report(machine.tick(39.5))
    assert (found.result, found.lags) == (Result.CONFIRMED, [18.0, 17.0, 17.0])
