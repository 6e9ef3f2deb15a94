"""A ring without faults: every message is confirmed, in the line's own time."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.echo import EchoMachine
from controller.records import Result
from controller.transmission import Effect, LineTimes, Write, units_answering, wire_time
from profiles.model import Method
from profiles.template import Message, Pause

from .echo_line import Ring, drive
from .echo_messages import RingCase, T, ring_cases, rules, sending


@given(ring_cases())
@settings(deadline=None, max_examples=200)
def test_every_message_is_confirmed(case: RingCase) -> None:
    machine, ring = EchoMachine(case.times), case.ring()
    run = drive(machine, ring, sending(case.payload, confirm=case.confirm(retries=0)))
    assert run.report.result is Result.CONFIRMED
    assert run.report.reason is None
    assert run.report.echoed == run.report.frames == len(case.payload)
    assert b"".join(run.writes) == case.payload
    assert run.told == run.delivered == case.payload
    assert ring.carried(case.payload)
    assert not machine.busy


@given(
    ring_cases(), st.floats(0, 0.02), st.lists(st.tuples(st.integers(1, 19), st.floats(0, 0.1)), max_size=3)
)
@settings(deadline=None, max_examples=100)
def test_without_latency_it_takes_the_least_time_that_the_line_allows(
    case: RingCase, dead_time: float, given_pauses: list[tuple[int, float]]
) -> None:
    pauses = tuple(Pause(before, length) for before, length in given_pauses if before < len(case.payload))
    times = LineTimes(case.frame, hops=case.units, latency=0.0, jitter=0.0, dead_time=dead_time)
    transmission = sending(case.payload, confirm=case.confirm(), pauses=pauses)
    run = drive(EchoMachine(times), Ring(case.frame, case.units), transmission)
    least = wire_time(Message(case.payload, pauses), Method.LOOP, times)
    assert run.took == pytest.approx(least, rel=1e-9, abs=1e-9)
    assert units_answering(run.report.lags, times) == case.units


@given(ring_cases(), st.floats(0, 0.4), st.floats(1e-3, 0.4), st.integers(0, 16))
@settings(deadline=None, max_examples=200)
def test_units_answering_is_right_or_not_told(
    case: RingCase, latency: float, jitter: float, units: int
) -> None:
    # Latency and jitter in frame times: beyond a third nobody can tell.
    case = replace(
        case, units=units, latency=latency * case.frame, batch=jitter * case.frame, phase=0.0, known=True
    )
    run = drive(EchoMachine(case.times), case.ring(), sending(case.payload, confirm=case.confirm()))
    told = units_answering(run.report.lags, case.times)
    assert told in (units, None)
    if max(latency, jitter) > 0.334:
        assert told is None
    elif latency < 0.333 and units <= 8 and case.hop == 1 and jitter < 0.3 and case.format.stop_bits == 1:
        assert told == units


@pytest.mark.parametrize("units", range(9))
def test_a_unit_returns_a_frame_10_bit_times_later(units: int) -> None:
    # Common practice, no source: a store-and-forward unit returns a frame 10 bit times later at 8N1.
    run = drive(EchoMachine(LineTimes(T, hops=units)), Ring(T, units), sending(b"\xa5"))
    assert run.report.lags == [pytest.approx((units + 1) * 10 / 4800)]


def test_a_sender_that_sees_no_echo_stops_after_its_first_byte() -> None:
    # Common practice, no source.
    ring = Ring(T, 4)
    ring.adapter.latency = 1e9
    run = drive(EchoMachine(LineTimes(T, hops=4)), ring, sending(b"\xa5\x01\x02", confirm=rules(retries=0)))
    assert run.writes == [b"\xa5"]


def test_the_next_frame_goes_out_in_the_instant_of_the_echo() -> None:
    run = drive(EchoMachine(LineTimes(T, hops=2)), Ring(T, 2), sending(b"\x01\x02\x03"))
    at = [now for now, effect in run.effects if isinstance(effect, Write)]
    assert at == [pytest.approx(place * 3 * T) for place in range(3)]


def test_two_messages_are_kept_apart_by_the_burst_gap() -> None:
    machine, ring = EchoMachine(LineTimes(T, hops=2, burst_gap=0.5)), Ring(T, 2)
    first = drive(machine, ring, sending(b"\x01\x02"))
    assert first.report.ended is not None
    second = drive(machine, ring, sending(b"\x03"), at=first.finished_at)
    assert second.report.began == pytest.approx(first.report.ended + 0.5)


def test_a_pause_around_a_message_is_so_much_quiet_line() -> None:
    machine, ring = EchoMachine(LineTimes(T, hops=1, burst_gap=0.04)), Ring(T, 1)
    first = drive(machine, ring, sending(b"\x01", pauses=(Pause(1, 0.3),)))
    second = drive(machine, ring, sending(b"\x02"), at=first.finished_at)
    assert second.report.began == pytest.approx(T + 0.3 + 0.04)
    assert second.report.ended is not None
    third = drive(machine, ring, sending(b"\x03", pauses=(Pause(0, 0.2),)), at=second.finished_at)
    assert third.report.began == pytest.approx(second.report.ended + 0.2)


def test_pauses_at_one_place_add_up() -> None:
    # The pause at the end of one copy and the one before its repetition stand at the same place.
    pauses = (Pause(1, 0.1), Pause(1, 0.2))
    run = drive(EchoMachine(LineTimes(T)), Ring(T, 0), sending(b"\x01\x01", pauses=pauses))
    assert run.took == pytest.approx(2 * T + 0.3)
    assert run.took == pytest.approx(wire_time(Message(b"\x01\x01", pauses), Method.LOOP, LineTimes(T)))


def test_new_times_hold_from_the_next_message_on() -> None:
    machine, ring = EchoMachine(LineTimes(T, hops=1, dead_time=0.01)), Ring(T, 1)

    def change(changed: EchoMachine, _now: float) -> list[Effect]:
        changed.times = LineTimes(T, hops=1, dead_time=0.5)
        return []

    run = drive(machine, ring, sending(b"\x01\x02\x03"), orders=[(T, change)])
    assert run.took == pytest.approx(6 * T + 0.02)
    again = drive(machine, ring, sending(b"\x01\x02"), at=run.finished_at)
    assert again.took == pytest.approx(4 * T + 0.5)


def test_a_ring_whose_length_nobody_told_is_known_after_the_first_message() -> None:
    # The single frame of the second message is forged at once; its true echo must still be noticed.
    machine, ring = EchoMachine(LineTimes(T, latency=0.0, jitter=0.0)), Ring(T, 8)
    assert drive(machine, ring, sending(b"\x01\x02")).report.result is Result.CONFIRMED

    def forge(_: EchoMachine, now: float) -> list[Effect]:
        ring.adapter.arrive(0x55, now)
        return []

    transmission = sending(b"\x55", confirm=rules(retries=0))
    run = drive(machine, ring, transmission, at=1.0, orders=[(1.0 + 1.5 * T, forge)])
    assert run.report.result is Result.FAILED
