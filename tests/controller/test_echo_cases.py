"""A ring in single cases: what the machine does at each turn, told by hand."""

from __future__ import annotations

from typing import Any

import pytest

from controller.echo import EchoMachine
from controller.echo_states import State
from controller.records import Reason, Result
from controller.transmission import LineTimes
from profiles.model import Method
from profiles.template import Pause

from .echo_line import Adapter, Corrupt, Delay, Double, Drop, Fault, Order, Ring, Run, Shared, Stray, drive
from .echo_messages import T, rules, sending

RING = LineTimes(T, hops=4, latency=0.0, jitter=0.0)
PANEL = bytes.fromhex("A6 03 56 20")
"""What a unit says by itself."""


def round_four(
    data: bytes,
    *,
    fault: Fault | None = None,
    times: LineTimes = RING,
    orders: tuple[Order, ...] = (),
    others_say: tuple[bytes, ...] = (),
    pauses: tuple[Pause, ...] = (),
    adapter: Adapter | None = None,
    repeatable: bool = True,
    once: int | None = None,
    **confirm: Any,
) -> tuple[Ring, Run]:
    """Send a message round four units."""
    ring = Ring(T, 4, adapter, fault=fault)
    transmission = sending(
        data,
        confirm=rules(**confirm),
        others_say=others_say,
        pauses=pauses,
        repeatable=repeatable,
        once=once,
    )
    run = drive(EchoMachine(times), ring, transmission, orders=orders)
    assert run.told == run.delivered
    return ring, run


def says(at: float, data: bytes) -> Order:
    """Somebody's bytes are read at an instant, all at once."""
    return at, data


def cancels(at: float) -> Order:
    """The command is taken back at an instant."""
    return at, EchoMachine.cancel


# What others say, and when


def test_a_message_of_another_unit_in_the_settle_time_is_a_message() -> None:
    end = 2 * 5 * T
    ring = Ring(T, 4)
    orders = [says(end + (place + 1) * T, bytes([value])) for place, value in enumerate(PANEL)]
    run = drive(EchoMachine(RING), ring, sending(b"\x01\x02", others_say=(PANEL,)), orders=orders)
    assert run.report.result is Result.CONFIRMED
    assert b"".join(heard.data for heard in run.heard) == PANEL
    assert all(heard.fault is None for heard in run.heard)
    assert run.took == pytest.approx(end)
    # It does not cut the settle time short, in which a doubled last frame would still show.
    assert run.finished_at == pytest.approx(end + 5 * T + 2 * T)


def test_a_message_in_one_delivery_with_our_last_echo() -> None:
    machine, ring = EchoMachine(RING), Ring(T, 4)
    ring.adapter.batch = 0.1
    for place, value in enumerate(PANEL, start=6):
        ring.adapter.arrive(value, place * T)
    run = drive(machine, ring, sending(b"\x01", others_say=(PANEL,), confirm=rules(retries=0)))
    assert run.report.result is Result.CONFIRMED
    assert run.delivered == run.told == b"\x01" + PANEL
    assert run.report.lags == [0.1]


def test_it_may_begin_with_the_byte_that_ours_ended_with() -> None:
    end = 2 * 5 * T
    orders = (says(end + T, PANEL[:1]), says(end + 0.2, PANEL[1:]))
    ring = Ring(T, 4)
    run = drive(EchoMachine(RING), ring, sending(b"\x01\xa6", others_say=(PANEL,)), orders=orders)
    assert run.report.result is Result.CONFIRMED
    assert run.finished_at == pytest.approx(end + 0.2)


def test_a_message_that_is_never_finished_is_stray() -> None:
    ring = Ring(T, 4)
    transmission = sending(b"\x01\x02", others_say=(PANEL,), confirm=rules(retries=0))
    run = drive(EchoMachine(RING), ring, transmission, orders=[says(11 * T, PANEL[:2])])
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.STRAY)
    assert run.report.stray == PANEL[:2]
    assert len(run.heard) == 1, "bytes are told once, however they are judged later"
    _, run = round_four(b"\x01\x02", orders=(says(11 * T, PANEL[:2]),), others_say=(PANEL,), ends_attempt=[])
    assert (run.report.result, run.report.stray) == (Result.CONFIRMED, PANEL[:2])


def test_a_line_that_never_falls_quiet_does_not_keep_a_confirmed_message_open() -> None:
    # A message and a half at a time, for ever: what is half is judged by what went before it.
    orders = [says(11 * T + place * 0.03, PANEL[2:] + PANEL[:2]) for place in range(200)]
    orders[0] = says(11 * T, PANEL[:2])
    transmission = sending(b"\x01\x02", others_say=(PANEL,), confirm=rules(busy_timeout_ms=1000))
    run = drive(EchoMachine(RING), Ring(T, 4), transmission, orders=orders)
    assert run.report.result is Result.CONFIRMED
    assert run.finished_at < 1.5


def test_a_half_message_at_the_end_of_that_time_is_stray() -> None:
    times = LineTimes(T, hops=4, burst_gap=10.0)
    transmission = sending(b"\x01\xa6", confirm=rules(busy_timeout_ms=1, retries=0))
    ring = Ring(T, 4, fault=Double(1))
    matcher = sending(b"\x01", others_say=(PANEL,)).listener
    transmission = type(transmission)(
        "t", transmission.message, transmission.method, transmission.rules, matcher
    )
    run = drive(EchoMachine(times), ring, transmission)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_DOUBLED)


def test_a_doubled_last_frame_that_is_a_message_by_itself_is_doubled_all_the_same() -> None:
    _, run = round_four(b"\x01\x99", fault=Double(1), others_say=(b"\x99",), retries=0)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_DOUBLED)


def test_another_message_of_one_byte_is_one() -> None:
    _, run = round_four(b"\x01\x02", orders=(says(11 * T, b"\x99"),), others_say=(b"\x99",), retries=0)
    assert run.report.result is Result.CONFIRMED


def test_bytes_between_two_messages_are_heard() -> None:
    machine = EchoMachine(RING)
    effects = machine.received(b"\x01\x02", 1.0)
    assert [type(effect).__name__ for effect in effects] == ["Heard"]
    assert machine.deadline is None
    assert machine.received(b"", 2.0) == []
    assert machine.tick(3.0) == []


def test_nothing_is_sent_while_others_speak() -> None:
    machine, ring = EchoMachine(RING), Ring(T, 4)
    machine.received(b"\x55", 0.99)
    run = drive(machine, ring, sending(b"\x01"), at=1.0, orders=[says(1.02, b"\x55"), says(1.05, b"\x55")])
    assert run.report.began == pytest.approx(1.05 + RING.burst_gap)
    assert run.report.result is Result.CONFIRMED


def test_a_line_that_is_never_quiet_is_told_and_nothing_is_sent() -> None:
    chatter = [says(0.03 * place, b"\x55") for place in range(200)]
    machine, ring = EchoMachine(RING), Ring(T, 4)
    machine.received(b"\x55", -0.01)
    run = drive(machine, ring, sending(b"\x01"), orders=chatter)
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.LINE_BUSY)
    assert run.writes == []
    assert (run.report.attempts, run.report.began, run.report.all_out) == (0, None, False)
    assert run.finished_at == pytest.approx(2.0)


# Doubled, late, early, stray


def test_a_doubled_echo_is_none_of_the_next_frame_though_that_is_equal() -> None:
    _, run = round_four(b"\x55\x55\x55", fault=Double(0), retries=0)
    assert (run.report.reason, run.report.echoed) == (Reason.ECHO_DOUBLED, 1)
    assert len(run.writes) == 2


def test_a_doubled_echo_in_one_delivery() -> None:
    _, run = round_four(b"\x55\x55\x55", fault=Double(0), adapter=Adapter(0, 0.016), retries=0)
    assert (run.report.reason, run.report.failed_at) == (Reason.ECHO_DOUBLED, 0)
    assert len(run.writes) == 1


def test_a_stray_byte_in_one_delivery_with_an_echo() -> None:
    _, run = round_four(
        b"\x01\x02", fault=Stray(0, b"\x77", after=5.5 * T), adapter=Adapter(0, 0.016), retries=0
    )
    assert (run.report.reason, run.report.got) == (Reason.STRAY, 0x77)


def test_a_doubled_echo_in_dead_time() -> None:
    times = LineTimes(T, hops=4, latency=0.0, jitter=0.0, dead_time=0.05)
    _, run = round_four(b"\x01\x02", fault=Double(0), times=times, retries=0)
    assert (run.report.reason, run.report.failed_at, run.report.got) == (Reason.ECHO_DOUBLED, 0, 0x01)
    _, run = round_four(b"\x01\x02", fault=Stray(0, b"\x77", after=9 * T), times=times, retries=0)
    assert (run.report.reason, run.report.failed_at, run.report.got) == (Reason.STRAY, 0, 0x77)


def test_a_wrong_byte_that_equals_the_frame_before_is_wrong() -> None:
    _, run = round_four(b"\x01\x02", fault=Corrupt(1, 0x01), retries=0)
    assert (run.report.reason, run.report.failed_at) == (Reason.ECHO_WRONG, 1)
    assert (run.report.expected, run.report.got) == (0x02, 0x01)


def test_a_byte_ahead_of_an_echo_is_stray_not_wrong() -> None:
    _, run = round_four(b"\x01\x02", fault=Stray(1, b"\x77", after=3 * T), retries=0)
    assert (run.report.reason, run.report.expected, run.report.got) == (Reason.STRAY, None, 0x77)


def test_an_echo_sooner_than_the_ring_can_carry_it() -> None:
    # The adapter hears itself and the ring is open.
    ring = Ring(T, 0)
    run = drive(EchoMachine(RING), ring, sending(b"\x01\x02", confirm=rules(retries=0)))
    assert (run.report.result, run.report.reason) == (Result.FAILED, Reason.ECHO_EARLY)
    assert (run.report.failed_at, run.report.expected, run.report.got) == (0, 0x01, 0x01)


def test_a_byte_in_the_way_of_an_early_echo_changes_nothing() -> None:
    # It comes early, and then once more in the ring's own time.
    _, run = round_four(b"\x01\x02", fault=Stray(0, b"\x01", after=0), retries=0)
    assert (run.report.reason, run.report.failed_at, run.report.got) == (Reason.ECHO_EARLY, 0, 0x01)


def test_a_stray_byte_in_a_ring_whose_length_nobody_told() -> None:
    # At 300 baud eight units hold a frame for 300 ms: longer than any quiet window that is only guessed.
    frame = 10 / 300
    ring = Ring(frame, 8, fault=Stray(0, b"\x77", after=frame))
    transmission = sending(b"\x01\x02", confirm=rules(timeout_ms=500, retries=1))
    run = drive(EchoMachine(LineTimes(frame)), ring, transmission)
    assert (run.report.result, run.report.attempts) == (Result.CONFIRMED, 2)
    transmission = sending(b"\x01\x02", confirm=rules(timeout_ms=500, retries=0))
    run = drive(
        EchoMachine(LineTimes(frame)), Ring(frame, 8, fault=Stray(0, b"\x77", after=frame)), transmission
    )
    assert run.report.reason is Reason.STRAY


def test_bypassed_units_do_not_make_an_echo_early() -> None:
    run = drive(EchoMachine(LineTimes(T, hops=8)), Ring(T, 1), sending(b"\x01\x02"))
    assert run.report.result is Result.CONFIRMED


def test_two_stop_bits_let_an_echo_come_sooner() -> None:
    # A receiver looks at the first stop bit only (ATmega328P data sheet, 19.7): 9.5 of 11 bits at 8N2.
    frame = 11 / 4800
    times = LineTimes(frame, hops=1, handed_on=9.5 / 11)
    ring = Ring(frame, 1, hop=9.5 / 11, last=9.5 / 11)
    assert drive(EchoMachine(times), ring, sending(b"\x01\x02")).report.result is Result.CONFIRMED


def test_a_frame_that_comes_when_the_time_is_over_is_late_whoever_notices_first() -> None:
    # The thread was held up: the bytes are read before the time-out is noticed.
    machine = EchoMachine(RING)
    machine.begin(sending(b"\x01\x02", confirm=rules(retries=0)), 0.0)
    machine.received(b"\x01", 0.251)
    assert machine.state is State.DRAINING
    effects = machine.tick(2.0)
    report = effects[-1].report  # type: ignore[union-attr]  # -- it ends with Finished
    assert (report.reason, report.late, report.got) == (Reason.ECHO_LATE, 0.251, 0x01)


def test_a_frame_in_the_very_instant_of_the_time_out_is_in_time() -> None:
    machine = EchoMachine(RING)
    machine.begin(sending(b"\x01", confirm=rules(retries=0)), 0.0)
    machine.received(b"\x01", 0.25)
    assert machine.state is State.SETTLING


def test_one_slow_frame_does_not_make_the_next_ones_early() -> None:
    # A busy computer reads the first echo 100 ms late; the next ones come in the ring's own time.
    _, run = round_four(b"\x01\x02\x03", fault=Delay(0, 0.1), retries=0)
    assert run.report.result is Result.CONFIRMED


def test_the_quiet_window_waits_for_what_is_still_on_its_way() -> None:
    ring, run = round_four(b"\x01\x02", fault=Delay(1, 0.35), retries=1)
    assert run.report.attempts == 2
    late = next(p.at for p in ring.passed if p.frame == 1)
    assert run.report.began is not None
    assert run.report.began >= late + 0.1, "retry_pause_ms after the last byte"


def test_a_late_echo_shortens_the_search_for_it_and_other_bytes_do_not() -> None:
    _, run = round_four(b"\x01\x02", fault=Delay(1, 0.26), retries=1)
    assert run.report.began == pytest.approx(5 * T + 0.26 + 5 * T + 0.1)
    _, run = round_four(b"\x01\x02", fault=Delay(1, 0.45), orders=(says(0.27, b"\x77"),), retries=0)
    assert run.report.reason is Reason.ECHO_LATE
    assert run.report.late == pytest.approx(0.45 + 5 * T)


def test_the_quiet_window_is_two_round_trips_where_the_profile_asks_for_less() -> None:
    times = LineTimes(T, hops=4, latency=0.003, jitter=0.004, burst_gap=0.001)
    _, run = round_four(b"\x01\x02", times=times, fault=Corrupt(0, 0x77), retry_pause_ms=0)
    assert run.report.began == pytest.approx(5 * T + 2 * (5 * T + T) + 0.007)


def test_a_late_echo_may_take_a_whole_window_to_die() -> None:
    # At 50 baud the window is longer than the time that others are given.
    frame = 10 / 50
    transmission = sending(b"\x01\x02", confirm=rules(timeout_ms=2200, retries=1))
    run = drive(EchoMachine(LineTimes(frame)), Ring(frame, 6, fault=Delay(1, 2.8)), transmission)
    assert (run.report.result, run.report.attempts) == (Result.CONFIRMED, 2)


def test_one_slow_frame_does_not_lengthen_the_next_settle_time() -> None:
    machine = EchoMachine(RING)
    first = drive(machine, Ring(T, 4, fault=Delay(0, 0.1)), sending(b"\x01\x02"))
    second = drive(machine, Ring(T, 4), sending(b"\x01\x02"), at=first.finished_at)
    assert second.report.ended is not None
    assert second.finished_at == pytest.approx(second.report.ended + 5 * T + 2 * T)


def test_a_line_that_is_not_quiet_after_a_failure_gets_no_retry() -> None:
    chatter = tuple(says(0.3 + 0.05 * place, b"\x77") for place in range(200))
    _, run = round_four(b"\x01\x02", fault=Drop(1), orders=chatter, retries=3, busy_timeout_ms=500)
    assert (run.report.result, run.report.reason, run.report.attempts) == (
        Result.FAILED,
        Reason.ECHO_STOPPED,
        1,
    )


def test_a_report_keeps_only_the_beginning_of_what_a_babbling_line_says() -> None:
    _, run = round_four(b"\x01\x02", orders=(says(11 * T, bytes(5000)),), retries=0)
    assert run.report.stray == bytes(256)


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


# No confirmation, and the own echo on a shared wire


def test_an_open_line_sends_in_its_own_time() -> None:
    times = LineTimes(T, dead_time=0.01)
    line = Shared(T, hears_itself=False)
    run = drive(EchoMachine(times), line, sending(b"\x01\x02\x03", Method.NONE, pauses=(Pause(2, 0.1),)))
    assert (run.report.result, run.report.all_out) == (Result.SENT, True)
    assert run.took == pytest.approx(3 * T + 2 * 0.01 + 0.1)
    assert [at for at, _ in line.written] == [pytest.approx(place) for place in (0, T + 0.01, 2 * T + 0.12)]


@pytest.mark.parametrize(("at", "failed_at"), [(0.5 * T, 0), (1.5 * T, 1), (0.05, 2), (0.1 + 2.5 * T, 2)])
def test_a_lost_link_is_told_with_the_frame_that_was_leaving(at: float, failed_at: int) -> None:
    transmission = sending(b"\x01\x02\x03", Method.NONE, pauses=(Pause(2, 0.1),))
    orders = [(at, EchoMachine.link_lost)]
    run = drive(EchoMachine(LineTimes(T)), Shared(T, hears_itself=False), transmission, orders=orders)
    assert (run.report.reason, run.report.failed_at) == (Reason.LINK_LOST, failed_at)


def test_what_others_say_meanwhile_is_heard() -> None:
    line = Shared(T, hears_itself=False)
    orders = [says(0.5 * T, b"\x77"), says(2.1 * T, b"\x78")]
    transmission = sending(b"\x01\x02\x03", Method.NONE, pauses=(Pause(2, 0.1),))
    run = drive(EchoMachine(LineTimes(T)), line, transmission, orders=orders)
    assert run.report.result is Result.SENT
    assert run.told == b"\x77\x78"


def test_taking_back_an_open_line_message_in_its_pause() -> None:
    transmission = sending(b"\x01\x02\x03", Method.NONE, pauses=(Pause(2, 0.1),))
    run = drive(EchoMachine(LineTimes(T)), Shared(T, hears_itself=False), transmission, orders=[cancels(T)])
    assert (run.report.result, run.report.failed_at, run.writes) == (Result.CANCELLED, 2, [b"\x01\x02"])


def heard(data: bytes, *, line: Shared | None = None, **confirm: Any) -> Run:
    """Send on a shared wire that is compared."""
    wire = line or Shared(T)
    transmission = sending(data, Method.LOCAL, confirm=rules(Method.LOCAL, **confirm))
    return drive(EchoMachine(LineTimes(T, latency=0.0, jitter=0.0)), wire, transmission)


def test_a_shared_wire_is_compared_in_one_stretch() -> None:
    run = heard(b"\x01\x02\x02\x03")
    assert (run.report.result, run.writes) == (Result.CONFIRMED, [b"\x01\x02\x02\x03"])
    assert run.report.lags == [pytest.approx(T)] * 4
    assert run.took == pytest.approx(4 * T)


def test_a_shared_wire_with_pauses_is_compared_stretch_by_stretch() -> None:
    transmission = sending(b"\x01\x02\x03", Method.LOCAL, pauses=(Pause(2, 0.1),))
    run = drive(EchoMachine(LineTimes(T)), Shared(T), transmission)
    assert (run.report.result, run.writes) == (Result.CONFIRMED, [b"\x01\x02", b"\x03"])
    assert run.report.lags == [pytest.approx(T)] * 3
    assert run.took == pytest.approx(3 * T + 0.1)


def test_a_difference_is_a_collision() -> None:
    run = heard(b"\x01\x02\x03", line=Shared(T, fault=Corrupt(1, 0x00)), retries=0)
    assert (run.report.reason, run.report.failed_at) == (Reason.COLLISION, 1)
    assert (run.report.expected, run.report.got, run.report.echoed) == (0x02, 0x00, 1)


def test_differences_that_are_waited_over_confirm_nothing() -> None:
    run = heard(b"\x01\x02\x03", line=Shared(T, fault=Corrupt(1, 0x00)), ends_attempt=["no-echo"])
    assert (run.report.result, run.report.echoed, run.report.stray) == (Result.SENT, 2, b"\x00")


def test_an_adapter_that_does_not_hear_itself() -> None:
    run = heard(b"\x01\x02", line=Shared(T, hears_itself=False), retries=0)
    assert (run.report.reason, run.report.failed_at, run.report.expected) == (Reason.NO_ECHO, 0, 0x01)
    run = heard(b"\x01\x02", line=Shared(T, hears_itself=False), ends_attempt=[], retries=0)
    assert (run.report.result, run.report.echoed) == (Result.SENT, 0)
    run = heard(b"\x01\x02", line=Shared(T, fault=Delay(1, 0.4)), ends_attempt=["no-echo"], retries=0)
    assert run.report.result is Result.CONFIRMED


def test_our_own_frames_after_the_time_are_late_whoever_notices_first() -> None:
    machine = EchoMachine(LineTimes(T))
    machine.begin(sending(b"\x01\x02", Method.LOCAL, confirm=rules(Method.LOCAL, retries=0)), 0.0)
    machine.received(b"\x01\x02", 0.3)
    report = machine.tick(2.0)[-1].report  # type: ignore[union-attr]  # -- it ends with Finished
    assert (report.reason, report.failed_at, report.late) == (Reason.ECHO_LATE, 0, 0.3)


def test_our_own_frames_sooner_than_the_wire_can_carry_them() -> None:
    machine = EchoMachine(LineTimes(T))
    transmission = sending(b"\x01\x02", Method.LOCAL, confirm=rules(Method.LOCAL, retries=0))
    run = drive(machine, Shared(T, hears_itself=False), transmission, orders=[says(0.0001, b"\x01\x02")])
    assert (run.report.reason, run.report.failed_at) == (Reason.ECHO_EARLY, 0)
    lenient = rules(Method.LOCAL, retries=0, ends_attempt=["no-echo"])
    transmission = sending(b"\x01\x02", Method.LOCAL, confirm=lenient)
    run = drive(machine, Shared(T), transmission, at=9.0, orders=[says(9.0001, b"\x01")])
    assert (run.report.result, run.report.stray) == (Result.CONFIRMED, b"\x01")


def test_bytes_of_others_between_two_stretches_of_ours() -> None:
    def run(at: float, data: bytes, **confirm: Any) -> Run:
        transmission = sending(
            b"\x01\x02\x03", Method.LOCAL, confirm=rules(Method.LOCAL, **confirm), pauses=(Pause(2, 0.1),)
        )
        machine = EchoMachine(LineTimes(T))
        return drive(machine, Shared(T, Adapter(0, 0.01)), transmission, orders=[says(at, data)])

    assert run(0.05, b"\x77", retries=0).report.reason is Reason.STRAY
    assert run(0.05, b"\x77", ends_attempt=["no-echo"]).report.result is Result.CONFIRMED


def test_a_stray_byte_in_one_delivery_with_the_end_of_a_stretch() -> None:
    def run(method: Method, **more: Any) -> Run:
        transmission = sending(b"\x01\x02\x03", method, pauses=(Pause(2, 0.1),), **more)
        line = Shared(T, Adapter(0, 0.01), fault=Stray(1, b"\x77", after=1.1 * T))
        return drive(EchoMachine(LineTimes(T)), line, transmission)

    assert run(Method.LOCAL, confirm=rules(Method.LOCAL, retries=0)).report.reason is Reason.STRAY
    lenient = rules(Method.LOCAL, ends_attempt=["no-echo"])
    assert run(Method.LOCAL, confirm=lenient).report.result is Result.CONFIRMED
    # Where nothing is compared, others may speak in our pauses.
    assert run(Method.NONE, hears_itself=True).report.result is Result.CONFIRMED


def test_frames_with_dead_time_on_a_shared_wire() -> None:
    times = LineTimes(T, dead_time=0.02)
    run = drive(EchoMachine(times), Shared(T), sending(b"\x01\x02\x03", Method.LOCAL))
    assert (run.report.result, len(run.writes)) == (Result.CONFIRMED, 3)
    assert run.took == pytest.approx(3 * T + 2 * 0.02)
