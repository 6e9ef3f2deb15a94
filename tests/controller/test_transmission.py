"""Time on the wire and what a transmission may be, against tables and arithmetic."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import Result
from controller.transmission import (
    CLOCKS,
    UNKNOWN_SLACK,
    LineTimes,
    Report,
    handed_on,
    units_answering,
    wire_time,
)
from profiles.frames import FrameFormat
from profiles.model import LineSettings, Method
from profiles.template import Message, Pause

from .echo_messages import T, answering, sending

ADVISED = {5: 3.0, 6: 2.5, 7: 2.0, 8: 2.0, 9: 1.5, 10: 1.5}
"""Recommended receiver error in percent by data and parity bits, normal speed: ATmega328P data sheet 7810C,
table 19-2."""


def test_a_frame_may_pass_as_much_sooner_as_a_receiver_tolerates() -> None:
    assert pytest.approx(1 - max(ADVISED.values()) / 100) == CLOCKS
    # No more: an echo of no hop at all (half the time of one) must stay sooner than the soonest with one.
    assert CLOCKS * 0.95 * 2 > 1.2


@pytest.mark.parametrize(
    ("frame", "bits", "of"),
    [("8N1", 9.5, 10), ("8E1", 10.5, 11), ("8N2", 9.5, 11), ("5N1.5", 6.5, 7.5), ("7E2", 9.5, 11)],
)
def test_a_frame_is_handed_on_in_the_middle_of_its_first_stop_bit(frame: str, bits: float, of: float) -> None:
    # ATmega328P data sheet 7810C, 19.7: the second stop bit is ignored, the first is sampled in its middle.
    assert handed_on(FrameFormat.parse(frame)) == pytest.approx(bits / of)


def test_the_slack_of_an_adapter_that_is_not_known_covers_its_latency_timer() -> None:
    # FTDI AN232B-04: 16 ms by default, and USB frames of 1 ms.
    assert 0.017 < UNKNOWN_SLACK <= 0.02
    assert LineTimes(T).slack == LineTimes(T, latency=0.001).slack == UNKNOWN_SLACK
    assert LineTimes(T, latency=0.001, jitter=0.015).slack == pytest.approx(0.016)


def test_a_line_of_which_nothing_is_said_has_the_burst_gap_of_a_profile_that_says_none() -> None:
    assert LineTimes(T).burst_gap == LineSettings(baud=9600).burst_gap


def test_a_report_on_what_never_began_tells_of_nothing() -> None:
    """As one is made where the port was gone before."""
    report = Report("one", Result.FAILED)
    assert (report.frames, report.echoed, report.attempts, report.all_out) == (0, 0, 0, False)
    assert (report.began, report.ended, report.late, report.lags, report.stray) == (None, None, None, [], b"")


def test_the_round_trip_is_n_plus_1_frame_times() -> None:
    assert LineTimes(T, hops=4).round_trip == pytest.approx(5 * T)
    assert LineTimes(T, hops=4, hop=0.96 * T).round_trip == pytest.approx((1 + 4 * 0.96) * T)


# Units that answer


@pytest.mark.parametrize("units", range(12))
@pytest.mark.parametrize("latency", [0.0, 0.2, 0.33])
def test_the_least_lag_tells_the_units(units: int, latency: float) -> None:
    times = LineTimes(T, latency=latency * T, jitter=0.1 * T)
    lags = [(units + 1 + latency + extra) * T for extra in (0.3, 0.05, 7.0)]
    assert units_answering(lags, times) == units
    # The formula that is agreed on, where it is not a guess.
    assert round((min(lags) - latency * T) / T) - 1 == units


@pytest.mark.parametrize(
    ("latency", "jitter"),
    [(None, None), (0.001, None), (None, 0.0), (0.016, 0.0), (0.0, 0.016), (T / 3 * 1.01, 0.0)],
)
def test_an_adapter_that_is_slow_or_not_known_tells_nothing(
    latency: float | None, jitter: float | None
) -> None:
    assert units_answering([5 * T + (latency or 0)], LineTimes(T, latency=latency, jitter=jitter)) is None


def test_no_echo_tells_nothing() -> None:
    assert units_answering([], LineTimes(T, latency=0.0, jitter=0.0)) is None


def test_a_lag_that_fits_two_numbers_of_units_or_none_tells_nothing() -> None:
    times = LineTimes(1.0, latency=0.0, jitter=0.3)
    assert units_answering([4.55], times) is None, "between three and four units"
    assert units_answering([20.0], times) is None, "19 hops of full length or 20 short ones"
    assert units_answering([0.5], times) is None, "sooner than the line itself"
    assert units_answering([0.3], times) is None, "there are never fewer than none"
    learned = replace(times, hop=1.0)
    assert units_answering([20.0], learned) == 19


@pytest.mark.parametrize(
    ("lag", "units"),
    # Worked by hand from the bounds: a frame is handed on after 0.95 T less 1 % at the soonest and 1.02 T at
    # the latest; its way back into the adapter may add up to T/3.
    [(0.9404, None), (0.9406, 0), (1.32, 0), (1.353, 0), (1.36, None)],
)
def test_no_unit_at_all_is_told_from_the_soonest_to_the_latest(lag: float, units: int | None) -> None:
    assert units_answering([2 * lag + 2 / 3], LineTimes(2.0, latency=2 / 3, jitter=2 / 3)) == units
    assert units_answering([3 * lag + 1.0], LineTimes(3.0, latency=1.0, jitter=1.0)) == units


@pytest.mark.parametrize(
    ("units", "late", "told"), [(60, 0.0, True), (66, 0.0, False), (60, 0.3, True), (70, 0.3, False)]
)
def test_learned_hops_are_off_by_a_hundredth_each(units: int, late: float, told: bool) -> None:
    """Of 60 it adds up to less than another unit; of 66, or of 70 with a late way back, it does not."""
    times = LineTimes(2.0, latency=0.0, jitter=0.5, hop=2.0)
    assert units_answering([2 * (units + 1 + late)], times) == (units if told else None)


@given(
    st.integers(0, 40),
    st.floats(0.95, 1.02),
    st.floats(0.95, 1.0),
    st.floats(0, 1 / 3),
    st.floats(0, 1 / 3),
    st.floats(-0.01, 0.01),
    st.booleans(),
)
def test_it_is_never_a_wrong_number(
    units: int, hop: float, last: float, latency: float, extra: float, learned_off: float, learned: bool
) -> None:
    times = LineTimes(1.0, hop=hop * (1 + learned_off) if learned else None, latency=latency, jitter=1 / 3)
    told = units_answering([units * hop + last + latency + extra], times)
    assert told in (units, None)


# The least time


@pytest.mark.parametrize(
    ("method", "hops", "reply", "expected"),
    [
        (Method.LOOP, 4, 0, 20 * 5),
        (Method.LOOP, 0, 0, 20),
        (Method.LOCAL, 0, 0, 20),
        (Method.NONE, 0, 0, 20),
        (Method.REPLY, 0, 8, 28),
    ],
)
def test_the_least_time_on_the_wire(method: Method, hops: int, reply: int, expected: int) -> None:
    message = Message(bytes(20))
    assert wire_time(message, method, LineTimes(T, hops=hops), reply) == pytest.approx(expected * T)


def test_dead_times_and_pauses_inside_count_and_those_around_do_not() -> None:
    message = Message(bytes(3), (Pause(0, 9.0), Pause(1, 0.25), Pause(3, 9.0)))
    times = LineTimes(T, dead_time=0.01)
    assert wire_time(message, Method.NONE, times) == pytest.approx(3 * T + 2 * 0.01 + 0.25)
    ring = replace(times, hops=2)
    assert wire_time(message, Method.LOOP, ring) == pytest.approx(3 * 3 * T + 2 * 0.01 + 0.25)
    for method in (Method.NONE, Method.LOOP):
        assert wire_time(Message(b"\x01"), method, times) == pytest.approx(T), "there is no other frame"


def test_midi_takes_320_microseconds_a_frame() -> None:
    # MIDI 1.0 specification, hardware: 31250 baud, 320 us a byte.
    frame = FrameFormat.parse("8N1").time(31250)
    assert wire_time(Message(b"\xc0\x05"), Method.NONE, LineTimes(frame)) == pytest.approx(640e-6)


# What a transmission may be


@pytest.mark.parametrize(
    ("data", "method", "more", "complaint"),
    [
        (b"", Method.LOOP, {}, "at least one frame"),
        (b"\x01", Method.REPLY, {}, "with the method `reply`"),
        (b"\x01", Method.LOOP, answering(done=(b"\x06",)), "with the method `reply`"),
        (b"\x01", Method.REPLY, {"replies": answering(done=(b"\x06",))["replies"]}, "a matcher and a judge"),
    ],
)
def test_what_no_line_could_carry_out_is_refused(
    data: bytes, method: Method, more: dict[str, Any], complaint: str
) -> None:
    with pytest.raises(ValueError, match=complaint):
        sending(data, method, **more)
