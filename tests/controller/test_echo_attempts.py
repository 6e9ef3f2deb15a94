"""What a second attempt knows of the first, to the instant; and what was taken back."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.echo import EchoMachine
from controller.echo_states import State
from controller.records import Reason, Result
from controller.transmission import Heard
from profiles.template import Message, Pause

from .test_echo_instants import RING, WIRE, asking, begun, report, ringing


def failed_at_first(heard: tuple[tuple[float, bytes], ...], again_at: float) -> EchoMachine:
    """An attempt that failed, and another one that has just begun."""
    machine = begun(RING, ringing(confirm={"retries": 1}))
    for at, data in heard:
        machine.received(data, at)
    while machine.attempt != 2:
        assert machine.deadline is not None
        machine.tick(machine.deadline)
    assert (machine.state, machine.deadline) == (State.AWAITING_ECHO, again_at + 16.0)
    return machine


@pytest.mark.parametrize(
    ("heard", "again_at", "data", "reason"),
    [
        # Nothing came back: the echo that comes at once now is the old one.
        ((), 32.0, b"\x01", Reason.ECHO_LATE),
        ((), 32.0, b"\x77", Reason.STRAY),
        # The first frame came back, the second did not.
        (((3.0, b"\x01"),), 35.0, b"\x02", Reason.ECHO_LATE),
        (((3.0, b"\x01"),), 35.0, b"\x01", Reason.ECHO_EARLY),
        # Another byte came in its place: it is not missing.
        (((3.0, b"\x77"),), 11.0, b"\x01", Reason.ECHO_EARLY),
        (((3.0, b"\x77"),), 11.0, b"\x77", Reason.STRAY),
        (((3.0, b"\x01"), (6.0, b"\x77")), 14.5, b"\x02", Reason.STRAY),
    ],
)
def test_what_comes_too_soon_in_a_second_attempt(
    heard: tuple[tuple[float, bytes], ...], again_at: float, data: bytes, reason: Reason
) -> None:
    machine = failed_at_first(heard, again_at)
    assert machine.received(data, again_at + 0.5) == [Heard(data, again_at + 0.5, reason)]
    found = report(machine.tick(1000.0))
    assert (found.reason, found.got, found.attempts, found.stray) == (reason, data[0], 2, data)


def test_a_second_attempt_begins_its_report_anew() -> None:
    machine = failed_at_first(((3.0, b"\x01"),), 35.0)
    machine.received(b"\x01", 38.0)
    machine.received(b"\x02", 41.0)
    found = report(machine.tick(1000.0))
    assert (found.result, found.began, found.ended, found.echoed) == (Result.CONFIRMED, 35.0, 41.0, 2)
    assert (found.attempts, found.frames, found.lags, found.reason) == (2, 2, [3.0, 3.0], None)
    assert found.all_out


def test_an_answer_that_is_settled_when_the_time_is_over_is_one() -> None:
    """A longer answer might have begun with it, and nobody looked until the time was over."""
    machine = begun(WIRE, asking(done=(b"\x06", b"\x06\x07")))
    assert machine.received(b"\x06", 18.0) == [Heard(b"\x06", 18.0)]
    found = report(machine.tick(1000.0))
    assert (found.result, found.stray) == (Result.ANSWERED, b"")
    # Here the time is over before the idle line could have settled it.
    brief = replace(WIRE, latency=0.0, jitter=0.0, burst_gap=2**-7)
    machine = begun(brief, asking(done=(b"\x06", b"\x06\x07")))
    machine.received(b"\x06", 18.0)
    assert machine.deadline == 18.0 + 2**-7
    found = report(machine.tick(18.0 + 2**-7))
    assert (found.result, found.reason) == (Result.ANSWERED, None)


def test_what_is_taken_back_in_a_pause_ends_there() -> None:
    machine = begun(RING, ringing(pauses=(Pause(1, 4.0),)))
    machine.received(b"\x01", 3.0)
    assert machine.state is State.SPACING
    machine.cancel(5.0)
    found = report(machine.tick(1000.0))
    assert (found.result, found.reason) == (Result.CANCELLED, Reason.CANCELLED)
    assert (found.failed_at, found.ended, found.attempts) == (1, 5.0, 1)


def test_what_is_taken_back_before_a_pause_does_not_wait_for_its_end() -> None:
    machine = begun(RING, ringing(pauses=(Pause(1, 4.0),)))
    machine.cancel(1.0)
    assert machine.deadline == 16.0
    machine.received(b"\x01", 3.0)
    assert machine.state is State.DRAINING
    found = report(machine.tick(1000.0))
    assert (found.result, found.failed_at, found.ended) == (Result.CANCELLED, 1, 3.0)


def test_a_question_that_is_taken_back_lets_its_frame_leave() -> None:
    machine = begun(WIRE, replace(asking(), message=Message(b"\x01\x02", (Pause(1, 4.0),))))
    assert (machine.state, machine.deadline) == (State.LEAVING, 1.0)
    machine.cancel(0.5)
    machine.tick(1.0)
    found = report(machine.tick(1000.0))
    assert (found.result, found.failed_at, found.ended) == (Result.CANCELLED, 1, 1.0)


def test_the_first_of_several_bytes_in_a_pause_says_what_they_are() -> None:
    for data, reason in ((b"\x01\x77", Reason.ECHO_DOUBLED), (b"\x77\x01", Reason.STRAY)):
        machine = begun(RING, ringing(pauses=(Pause(1, 4.0),)))
        machine.received(b"\x01", 3.0)
        assert machine.received(data, 4.0) == [Heard(data, 4.0, reason)]
        found = report(machine.tick(1000.0))
        assert (found.reason, found.failed_at, found.got) == (reason, 0, data[0])


def test_what_is_taken_back_before_its_first_frame_never_began() -> None:
    machine = EchoMachine(RING)
    machine.received(b"\x55", -1.0)
    machine.begin(ringing(), 0.0)
    found = report(machine.cancel(2.0))
    assert (found.result, found.failed_at, found.began, found.ended) == (Result.CANCELLED, None, None, None)


def test_a_retry_that_was_taken_back_is_told_with_why_the_attempt_failed() -> None:
    machine = begun(RING, ringing(confirm={"retries": 1}))
    machine.received(b"\x77", 3.0)
    machine.cancel(4.0)
    found = report(machine.tick(1000.0))
    assert (found.result, found.reason, found.attempts) == (Result.CANCELLED, Reason.ECHO_WRONG, 1)
