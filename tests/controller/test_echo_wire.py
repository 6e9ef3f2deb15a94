"""An open line and a shared wire in single cases: what goes out when, and the own echo compared."""

from __future__ import annotations

import math
from typing import Any

import pytest

from controller.echo import EchoMachine
from controller.echo_judging import ends_attempt, own_frames
from controller.echo_script import Script
from controller.records import Reason, Result
from controller.transmission import CLOCKS, LineTimes, Write
from profiles.model import Method
from profiles.template import Pause

from .echo_cases import cancels, heard, says
from .echo_line import Adapter, Corrupt, Delay, Run, Shared, Stray, drive
from .echo_messages import T, rules, sending

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


def test_a_read_of_nothing_leaves_the_line_quiet() -> None:
    """A port whose read timed out has seen nobody speak: what is begun then need not wait."""
    machine = EchoMachine(LineTimes(T))
    assert machine.received(b"", 9.999) == []
    assert machine.begin(sending(b"\x01", Method.NONE), 10.0) == [Write(b"\x01")]


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


def test_frames_behind_a_difference_in_one_delivery_are_not_taken_for_it() -> None:
    line = Shared(T, Adapter(0, 0.05), fault=Corrupt(1, 0x00))
    run = heard(b"\x01\x02\x03", line=line, retries=0)
    assert (run.report.reason, run.report.failed_at, run.report.echoed) == (Reason.COLLISION, 1, 1)
    assert (run.report.got, run.report.stray) == (0x00, b"\x00\x03")
    line = Shared(T, Adapter(0, 0.05), fault=Corrupt(1, 0x00))
    run = heard(b"\x01\x02\x03", line=line, ends_attempt=["no-echo"])
    assert (run.report.result, run.report.echoed, run.report.stray) == (Result.SENT, 2, b"\x00")


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


def test_dead_time_counts_from_the_frame_and_not_from_when_it_was_heard() -> None:
    line = Shared(T, Adapter(0.01))
    run = drive(EchoMachine(LineTimes(T, dead_time=0.02)), line, sending(b"\x01\x02\x03", Method.LOCAL))
    assert run.report.result is Result.CONFIRMED
    assert [at for at, _ in line.written] == [pytest.approx(place * (T + 0.02)) for place in range(3)]


def test_our_own_frame_may_be_heard_in_the_first_instant_that_the_line_allows() -> None:
    """With its last stop bit half over, and a clock 3 % fast: not a hair sooner."""
    times = LineTimes(1.0, handed_on=0.5)
    script = Script(sending(b"\x01\x02", Method.LOCAL), times)
    script.take(0.0)
    soonest = CLOCKS * 1.0 * 0.5
    for place, instant in ((0, soonest), (1, CLOCKS * 1.0 * 1.5)):
        own = script.data[place : place + 1]
        assert own_frames(own, script, place, instant, times) == 1
        assert own_frames(own, script, place, math.nextafter(instant, 0.0), times) == 0
    assert own_frames(b"\x01\x02", script, 0, soonest, times) == 1
    assert own_frames(b"\x01\x02", script, 0, 0.0, None) == 2
    assert own_frames(b"\x01\x02\x03", script, 0, 9.0, times) == 2


def test_what_the_profile_does_not_name_always_ends_an_attempt() -> None:
    lenient = rules(ends_attempt=[])
    assert ends_attempt(Reason.BAD_REPLY, lenient)
    assert not ends_attempt(Reason.STRAY, lenient)
