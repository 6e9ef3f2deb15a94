"""A ring in single cases: what others say meanwhile, and echoes that are doubled, late, early or wrong."""

from __future__ import annotations

import pytest

from controller.echo import EchoMachine
from controller.echo_states import State
from controller.records import Reason, Result
from controller.transmission import LineTimes

from .echo_cases import PANEL, RING, round_four, says
from .echo_line import Adapter, Corrupt, Delay, Double, Drop, Ring, Stray, drive
from .echo_messages import T, rules, sending

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


def test_the_first_of_several_bytes_in_the_settle_time_says_what_they_are() -> None:
    for data, reason in ((b"\x02\x77", Reason.ECHO_DOUBLED), (b"\x77\x02", Reason.STRAY)):
        _, run = round_four(b"\x01\x02", orders=(says(11 * T, data),), retries=0)
        assert (run.report.reason, run.report.got, run.report.stray) == (reason, data[0], data)
        assert run.report.failed_at == 1
        assert [heard.fault for heard in run.heard] == [reason]


def test_the_first_byte_of_a_message_that_is_never_finished_says_what_it_is() -> None:
    _, run = round_four(b"\x01\xa6", orders=(says(11 * T, PANEL[:2]),), others_say=(PANEL,), retries=0)
    assert (run.report.reason, run.report.failed_at) == (Reason.ECHO_DOUBLED, 1)
    assert (run.report.got, run.report.stray) == (0xA6, PANEL[:2])


def test_a_byte_between_a_message_and_the_beginning_of_another_is_stray() -> None:
    """A short message that a longer one begins with: the idle line tells which it was, and what is left."""
    others = (b"\x10\x20", b"\x10\x20\x30\x40\x50\x60\x70", b"\x40\x41")
    orders = (says(11 * T, b"\x10\x20\x30\x40"), says(11 * T + 0.06, b"\x41"))
    _, run = round_four(b"\x01\x02", orders=orders, others_say=others, retries=0)
    assert (run.report.reason, run.report.got, run.report.stray) == (Reason.STRAY, 0x30, b"\x30")
    _, run = round_four(b"\x01\x02", orders=orders[:1], others_say=others[:2], retries=0)
    assert (run.report.reason, run.report.got) == (Reason.STRAY, 0x30)


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


def test_a_message_of_one_byte_behind_another_message_is_no_doubled_frame() -> None:
    orders = (says(11 * T, PANEL), says(12 * T, b"\x02"))
    _, run = round_four(b"\x01\x02", orders=orders, others_say=(PANEL, b"\x02"), retries=0)
    assert run.report.result is Result.CONFIRMED
    _, run = round_four(b"\x01\x02", orders=orders[1:], others_say=(PANEL, b"\x02"), retries=0)
    assert run.report.reason is Reason.ECHO_DOUBLED


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
