"""A ring in single cases: what ends an attempt, what is not said twice, what is taken back, a lost link."""

from __future__ import annotations

import pytest

from controller.echo import EchoMachine
from controller.records import Reason, Result
from controller.transmission import LineTimes
from profiles.template import Pause

from .echo_cases import RING, cancels, round_four, says
from .echo_line import Adapter, Corrupt, Delay, Double, Drop, Fault, Ring, Stray, drive
from .echo_messages import T, sending

# What ends an attempt is the profile's to say


def test_a_wrong_echo_that_is_waited_over_may_be_followed_by_the_right_one() -> None:
    enders = ["no-echo", "echo-late"]
    _, run = round_four(b"\x01\x02", fault=Stray(1, b"\x77", after=3 * T), ends_attempt=enders, retries=0)
    assert run.report.result is Result.CONFIRMED
    assert run.report.stray == b"\x77"


def test_a_wrong_byte_and_the_right_one_in_one_delivery() -> None:
    late = Adapter(0, 0.02)
    fault = Stray(1, b"\x77", after=3 * T)
    _, run = round_four(b"\x01\x02", fault=fault, adapter=late, ends_attempt=["no-echo"], retries=0)
    assert (run.report.result, run.report.stray) == (Result.CONFIRMED, b"\x77")


def test_a_byte_too_many_and_the_frame_in_one_delivery_are_each_told_once() -> None:
    fault = Stray(1, b"\x77", after=3 * T)
    _, run = round_four(b"\x01\x02", fault=fault, adapter=Adapter(0, 0.02), ends_attempt=["stray"], retries=0)
    assert (run.report.reason, run.report.got, run.report.echoed) == (Reason.STRAY, 0x77, 1)


def test_a_wrong_echo_that_is_waited_over_is_not_confirmed() -> None:
    _, run = round_four(b"\x01\x02", fault=Corrupt(0, 0x77), ends_attempt=["no-echo"], retries=0)
    assert (run.report.result, run.report.echoed) == (Result.SENT, 1)


@pytest.mark.parametrize(
    ("enders", "fault", "reason", "got"),
    [
        (["stray"], Stray(1, b"\x77", after=3 * T), Reason.STRAY, 0x77),
        (["echo-wrong"], Corrupt(1, 0x77), Reason.ECHO_WRONG, 0x77),
        (["echo-wrong"], Stray(1, b"\x77", after=3 * T), None, None),
        (["stray"], Corrupt(1, 0x77), None, None),
        (["no-echo"], Drop(1), Reason.ECHO_STOPPED, None),
        (["no-echo"], Drop(0), Reason.NO_ECHO, None),
        (["stray"], Double(0), Reason.ECHO_DOUBLED, 0x01),
        (["no-echo"], Double(0), None, None),
        (["no-echo"], Double(1), None, None),
        ([], Drop(1), None, None),
    ],
)
def test_what_ends_an_attempt(
    enders: list[str], fault: Fault, reason: Reason | None, got: int | None
) -> None:
    _, run = round_four(b"\x01\x02", fault=fault, ends_attempt=enders, retries=0)
    assert (run.report.reason, run.report.got) == (reason, got)
    if reason is None:
        whole = run.report.echoed == 2
        assert run.report.result is (Result.CONFIRMED if whole else Result.SENT)
        assert whole is isinstance(fault, Double | Stray)


def test_a_late_echo_that_is_waited_for_gets_one_time_out_more() -> None:
    enders = ["no-echo", "echo-wrong", "stray"]
    _, run = round_four(b"\x01\x02", fault=Delay(0, 0.4), ends_attempt=enders, retries=0)
    assert run.report.result is Result.CONFIRMED
    assert max(run.report.lags) == pytest.approx(0.4 + 5 * T)
    _, run = round_four(b"\x01\x02", fault=Delay(0, 0.6), ends_attempt=enders, retries=0)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_LATE)


def test_the_echo_of_a_frame_that_was_given_up_is_late() -> None:
    # Nothing was seen of the first frame, the profile goes on, and then it comes.
    enders = ["echo-late", "stray"]
    _, run = round_four(b"\x01\x02", fault=Delay(0, 0.255), ends_attempt=enders, retries=0)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_LATE)
    assert run.report.failed_at == 1


def test_a_byte_in_dead_time_that_is_waited_over() -> None:
    times = LineTimes(T, hops=4, dead_time=0.05)
    _, run = round_four(b"\x01\x02", fault=Double(0), times=times, ends_attempt=["no-echo"], retries=0)
    assert run.report.result is Result.CONFIRMED


def test_a_surplus_byte_in_one_delivery_that_is_waited_over() -> None:
    _, run = round_four(
        b"\x55\x66", fault=Double(0), adapter=Adapter(0, 0.016), ends_attempt=["no-echo"], retries=0
    )
    assert run.report.result is Result.CONFIRMED


def test_ten_thousand_bytes_that_are_waited_over() -> None:
    _, run = round_four(b"\x01\x02", orders=(says(T, bytes([0x77]) * 10_000),), ends_attempt=[], retries=0)
    assert run.report.result is Result.CONFIRMED


# What must not be said twice


def test_repeated_steps_are_not_sent_again_once_one_is_out() -> None:
    # Three times volume up, of two frames each: with the first one out a unit has moved.
    _, run = round_four(b"\x01\x02" * 3, fault=Drop(2), repeatable=False, once=2, retries=2)
    assert (run.report.result, run.report.attempts, run.report.all_out) == (Result.FAILED, 1, True)
    _, run = round_four(b"\x01\x02" * 3, fault=Drop(0), repeatable=False, once=2, retries=2)
    assert (run.report.result, run.report.attempts) == (Result.CONFIRMED, 2)


def test_all_out_is_remembered_over_attempts() -> None:
    _, run = round_four(b"\x01\x02", fault=Corrupt(1, 0x77), orders=(cancels(0.125),))
    assert (run.report.result, run.report.attempts) == (Result.CANCELLED, 2)
    assert run.report.failed_at == 1
    assert run.report.all_out


# Taken back


@pytest.mark.parametrize(
    ("at", "pauses", "result", "failed_at", "written"),
    [
        (2 * T, (), Result.CANCELLED, 1, 1),  # the frame in hand comes back, and no other goes out
        (7 * T, (), Result.CANCELLED, 2, 2),
        (12 * T, (), Result.CONFIRMED, None, 3),  # too late: all is out
        (17 * T, (), Result.CONFIRMED, None, 3),  # in the settle time
        (0.03, (Pause(1, 0.5),), Result.CANCELLED, 1, 1),  # in a pause
    ],
)
def test_taking_back_stops_at_the_frame_in_hand(
    at: float, pauses: tuple[Pause, ...], result: Result, failed_at: int | None, written: int
) -> None:
    ring, run = round_four(b"\x01\x02\x03", orders=(cancels(at), cancels(at)), pauses=pauses)
    assert (run.report.result, run.report.failed_at) == (result, failed_at)
    assert run.report.reason is (Reason.CANCELLED if result is Result.CANCELLED else None)
    assert len(ring.written) == written


def test_taking_back_while_the_line_is_busy() -> None:
    machine = EchoMachine(RING)
    machine.received(b"\x55", -0.01)
    run = drive(machine, Ring(T, 4), sending(b"\x01"), orders=[cancels(0.01)])
    assert (run.report.result, run.report.reason) == (Result.CANCELLED, Reason.CANCELLED)
    assert (run.report.failed_at, run.report.began, run.writes) == (None, None, [])


def test_taking_back_a_failed_attempt_calls_off_its_retry() -> None:
    _, run = round_four(b"\x01\x02", fault=Drop(0), orders=(cancels(0.1),), retries=2)
    assert (run.report.result, run.report.reason) == (Result.CANCELLED, Reason.NO_ECHO)
    assert run.report.attempts == 1
    _, run = round_four(b"\x01\x02", fault=Drop(0), orders=(cancels(0.3),), retries=2)
    assert (run.report.result, run.report.reason) == (Result.CANCELLED, Reason.NO_ECHO)


def test_a_failure_that_nothing_would_have_followed_stays_one() -> None:
    _, run = round_four(b"\x01\x02", fault=Drop(0), orders=(cancels(0.1),), retries=0)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.NO_ECHO)


def test_taking_back_nothing_does_nothing() -> None:
    machine = EchoMachine(RING)
    assert machine.cancel(1.0) == []
    assert machine.link_lost(1.0) == []
    assert not machine.busy


def test_a_message_after_one_that_was_taken_back_is_not() -> None:
    machine = EchoMachine(RING)
    first = drive(machine, Ring(T, 4), sending(b"\x01\x02"), orders=[cancels(T)])
    second = drive(machine, Ring(T, 4), sending(b"\x01\x02"), at=first.finished_at)
    assert second.report.result is Result.CONFIRMED


# A lost link


@pytest.mark.parametrize(
    ("at", "failed_at"),
    [(2 * T, 0), (5.5 * T, 1), (11 * T, None), (0.08, None)],
)
def test_a_lost_link_is_told_with_the_first_frame_that_is_not_accounted_for(
    at: float, failed_at: int | None
) -> None:
    fault = Stray(1, b"\x77", after=6 * T) if at == 0.08 else None
    _, run = round_four(b"\x01\x02", fault=fault, orders=((at, EchoMachine.link_lost),))
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.LINK_LOST)
    assert run.report.failed_at == failed_at
    assert run.finished_at == pytest.approx(at)


def test_a_link_that_is_lost_before_the_first_frame() -> None:
    machine = EchoMachine(RING)
    machine.received(b"\x55", -0.01)
    run = drive(machine, Ring(T, 4), sending(b"\x01"), orders=[(0.01, EchoMachine.link_lost)])
    assert (run.report.reason, run.report.failed_at, run.report.began) == (Reason.LINK_LOST, None, None)


def test_the_machine_knows_what_it_is_at() -> None:
    machine = EchoMachine(RING)
    assert (machine.busy, machine.current_id, machine.deadline) == (False, None, None)
    machine.begin(sending(b"\x01"), 0.0)
    assert (machine.busy, machine.current_id, machine.deadline) == (True, "t", 0.25)


def test_the_machine_knows_which_attempt_is_under_way() -> None:
    machine = EchoMachine(RING)
    assert machine.attempt is None
    machine.received(b"\x55", 0.0)
    machine.begin(sending(b"\x01"), 0.01)
    assert machine.attempt is None, "nothing is out yet"
    for attempt in (1, 2, 3):
        while machine.attempt != attempt:
            assert machine.deadline is not None
            machine.tick(machine.deadline)
    assert machine.attempt == 3
