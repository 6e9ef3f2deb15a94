"""One fault in one frame: it is never called confirmed, it is named rightly, and one retry mends it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from controller.echo import EchoMachine
from controller.records import Reason, Result
from controller.transmission import Heard, LineTimes
from profiles.model import Method

from .echo_line import Adapter, Corrupt, Delay, Double, Drop, Fault, Ring, Run, Shared, Stray, drive
from .echo_messages import RingCase, T, ring_cases, rules, sending

MESSAGE = bytes.fromhex("A5 01 01 00 00 10 10 10 20 FF 00 A5 A5 7E 55 AA 01 02 02 3C")
"""20 frames, with runs of equal ones, as a hard case for doubled echoes."""

NAMES = {
    Corrupt: {Reason.ECHO_WRONG},
    Drop: {Reason.NO_ECHO, Reason.ECHO_STOPPED},
    Double: {Reason.ECHO_DOUBLED},
    Delay: {Reason.ECHO_LATE},
}
"""What each fault is called."""


def verify_named(fault: Fault, payload: bytes, run: Run) -> None:
    """The reason is the fault's, and so is the frame, as far as it can be told."""
    report, reason = run.report, run.report.reason
    if isinstance(fault, Stray):
        # A stray byte that equals a frame of ours may pass for it until that one comes as well.
        plain = not set(fault.data) & set(payload)
        assert reason in ({Reason.STRAY} if plain else {Reason.STRAY, Reason.ECHO_DOUBLED, Reason.ECHO_EARLY})
        return
    assert reason in NAMES[type(fault)]
    if isinstance(fault, Drop):
        assert reason is (Reason.ECHO_STOPPED if fault.frame else Reason.NO_ECHO)
    if not isinstance(fault, Double):
        assert report.failed_at == fault.frame
        assert report.expected == payload[fault.frame]
    if isinstance(fault, Corrupt):
        assert report.got == fault.value
    if isinstance(fault, Double):
        assert report.got == payload[fault.frame]
        # In a run of equal frames, any of them may be the one.
        if payload[fault.frame : fault.frame + 1] != payload[fault.frame + 1 : fault.frame + 2]:
            assert report.failed_at == fault.frame
    if isinstance(fault, Delay):
        assert report.late is not None
        assert report.late >= fault.seconds


def test_bytes_that_come_too_soon_are_called_by_the_first_of_them() -> None:
    machine = EchoMachine(LineTimes(T, hops=1, latency=0.25 * T, jitter=0.25 * T))
    machine.begin(sending(b"\x01\x02"), 0.0)
    machine.received(b"\x01", 2.25 * T)
    told = machine.received(b"\x01\x77", 2.5 * T)
    assert told == [Heard(b"\x01\x77", 2.5 * T, Reason.ECHO_DOUBLED)]


@st.composite
def ring_faults(draw: st.DrawFn) -> tuple[RingCase, Fault]:
    """A ring with one fault in the first attempt."""
    case = draw(ring_cases())
    frame = draw(st.integers(0, len(case.payload) - 1))
    wire = draw(st.integers(0, case.units))
    timeout = case.confirm().timeout_ms / 1000
    other = draw(st.integers(1, 255)) ^ case.payload[frame]
    faults: list[Fault] = [
        Corrupt(frame, other, wire),
        Drop(frame, wire),
        Double(frame, wire),
        Delay(frame, timeout * draw(st.floats(1.0, 1.3)), wire),
        Stray(
            frame,
            draw(st.binary(min_size=1, max_size=4)),
            after=draw(st.floats(0, 1)) * (case.units + 2) * case.frame,
        ),
    ]
    return case, draw(st.sampled_from(faults))


def verify_found(case: RingCase, fault: Fault) -> None:
    """With no retry, the fault is the reason why it failed."""
    ring = case.ring(fault)
    run = drive(EchoMachine(case.times), ring, sending(case.payload, confirm=case.confirm(retries=0)))
    assert run.told == run.delivered
    if run.report.result is Result.CONFIRMED:
        # Where nobody said how long the ring is, a byte that equals a message's only frame may pass for its
        # echo, and its echo come when all is over: the ring carried it all the same.
        assert isinstance(fault, Stray)
        assert ring.carried(case.payload, alone=case.expected)
        return
    assert run.report.result is Result.FAILED
    assert run.report.attempts == 1
    verify_named(fault, case.payload, run)


@given(ring_faults())
@settings(deadline=None, max_examples=200)
def test_a_fault_is_found_and_named(given_ring: tuple[RingCase, Fault]) -> None:
    verify_found(*given_ring)


def verify_mended(case: RingCase, fault: Fault, repeatable: bool) -> None:
    """With retries, one is enough; what must not be said twice is not."""
    ring = case.ring(fault)
    transmission = sending(case.payload, confirm=case.confirm(retries=2), repeatable=repeatable)
    run = drive(EchoMachine(case.times), ring, transmission)
    assert run.told == run.delivered
    if run.report.result is Result.CONFIRMED:
        assert ring.carried(case.payload, alone=case.expected)
        assert run.report.attempts == (2 if len(ring.written) > len(case.payload) else 1)
        assert run.report.reason is None
        return
    # Only what must not be said twice is not said again, and only once all of it is out.
    assert run.report.result is Result.FAILED
    assert not repeatable
    assert run.report.all_out
    assert run.report.attempts == 1
    assert bytes(value for _, value in ring.written) == case.payload
    verify_named(fault, case.payload, run)


@given(ring_faults(), st.booleans())
@settings(deadline=None, max_examples=200)
def test_one_retry_mends_it(given_ring: tuple[RingCase, Fault], repeatable: bool) -> None:
    verify_mended(*given_ring, repeatable)


@pytest.mark.slow
@pytest.mark.timeout(600)
@given(ring_faults(), st.booleans())
@settings(deadline=None, max_examples=5000)
def test_thousands_of_faults(given_ring: tuple[RingCase, Fault], repeatable: bool) -> None:
    verify_found(*given_ring)
    verify_mended(*given_ring, repeatable)


@given(ring_faults())
@settings(deadline=None, max_examples=100)
def test_what_must_not_be_said_twice_is_said_again_before_its_last_frame(
    given_ring: tuple[RingCase, Fault],
) -> None:
    case, fault = given_ring
    assume(isinstance(fault, Corrupt | Drop | Delay) and fault.frame < len(case.payload) - 1)
    transmission = sending(case.payload, confirm=case.confirm(retries=1), repeatable=False)
    run = drive(EchoMachine(case.times), case.ring(fault), transmission)
    assert (run.report.result, run.report.attempts) == (Result.CONFIRMED, 2)


@given(ring_cases(), st.data())
@settings(deadline=None, max_examples=200)
def test_an_echo_that_comes_in_a_later_attempt_is_late_and_confirms_nothing(
    case: RingCase, data: st.DataObject
) -> None:
    frame = data.draw(st.integers(0, len(case.payload) - 1))
    timeout = case.confirm().timeout_ms / 1000
    fault = Delay(frame, timeout * data.draw(st.floats(2.0, 2.6)), case.units)
    ring = case.ring(fault)
    run = drive(EchoMachine(case.times), ring, sending(case.payload, confirm=case.confirm(retries=2)))
    assert run.told == run.delivered
    assert run.report.result is Result.CONFIRMED
    assert ring.carried(case.payload)
    assert run.report.attempts in (2, 3)


@pytest.mark.parametrize("repeatable", [True, False])
@pytest.mark.parametrize("latency", [0.0, 0.001, 0.016])
@pytest.mark.parametrize("kind", ["corrupted", "dropped", "doubled", "delayed past the time-out"])
@pytest.mark.parametrize("frame", range(20))
def test_every_frame_of_twenty_round_four_units(
    frame: int, kind: str, latency: float, repeatable: bool
) -> None:
    faults: dict[str, Fault] = {
        "corrupted": Corrupt(frame, MESSAGE[frame] ^ 0x20, wire=2),
        "dropped": Drop(frame, wire=2),
        "doubled": Double(frame, wire=2),
        "delayed past the time-out": Delay(frame, 0.3, wire=2),
    }
    fault = faults[kind]
    times = LineTimes(T, hops=4, latency=latency, jitter=latency)

    def run(retries: int) -> tuple[Ring, Run]:
        ring = Ring(T, 4, Adapter(latency, latency), fault=fault)
        transmission = sending(MESSAGE, confirm=rules(retries=retries), repeatable=repeatable)
        return ring, drive(EchoMachine(times), ring, transmission)

    _, failed = run(retries=0)
    assert failed.report.result is Result.FAILED
    verify_named(fault, MESSAGE, failed)
    if latency == 0:
        assert failed.report.failed_at == frame
    ring, mended = run(retries=2)
    if repeatable or not mended.report.all_out or mended.report.result is Result.CONFIRMED:
        assert (mended.report.result, mended.report.attempts) == (Result.CONFIRMED, 2)
        assert ring.carried(MESSAGE)
    else:
        assert (mended.report.result, mended.report.attempts) == (Result.FAILED, 1)


@given(st.binary(min_size=1, max_size=12), st.data(), st.sampled_from([0.0, 0.001, 0.016]), st.booleans())
@settings(deadline=None, max_examples=150)
def test_a_fault_on_a_shared_wire(payload: bytes, data: st.DataObject, latency: float, known: bool) -> None:
    frame = data.draw(st.integers(0, len(payload) - 1))
    faults: list[Fault] = [
        Corrupt(frame, data.draw(st.integers(1, 255)) ^ payload[frame]),
        Drop(frame),
        Double(frame),
        Delay(frame, 0.3),
    ]
    fault = data.draw(st.sampled_from(faults))
    given = latency if known else None
    times = LineTimes(T, latency=given, jitter=given)
    line = Shared(T, Adapter(latency, latency), fault=fault)
    run = drive(
        EchoMachine(times), line, sending(payload, Method.LOCAL, confirm=rules(Method.LOCAL, retries=0))
    )
    assert run.told == run.delivered
    assert run.report.result is Result.FAILED
    assert run.report.reason in {
        Reason.COLLISION,
        Reason.ECHO_DOUBLED,
        Reason.ECHO_EARLY,
        Reason.ECHO_LATE,
        Reason.ECHO_STOPPED,
        Reason.NO_ECHO,
    }
    if isinstance(fault, Corrupt):
        assert (run.report.reason, run.report.failed_at) == (Reason.COLLISION, frame)
        assert run.report.got == fault.value
    line = Shared(T, Adapter(latency, latency), fault=fault)
    run = drive(
        EchoMachine(times), line, sending(payload, Method.LOCAL, confirm=rules(Method.LOCAL, retries=1))
    )
    assert (run.report.result, run.report.attempts) == (Result.CONFIRMED, 2)
    assert line.carried(payload)


@given(ring_cases(), st.data())
@settings(deadline=None, max_examples=150)
def test_noise_is_never_taken_for_an_echo(case: RingCase, data: st.DataObject) -> None:
    # A whole burst of noise while the message goes round: whatever happens, `confirmed` is the truth.
    case = replace(case, expected=True)
    frame = data.draw(st.integers(0, len(case.payload) - 1))
    noise = data.draw(st.binary(min_size=1, max_size=40))
    ring = case.ring(Stray(frame, noise, after=data.draw(st.floats(0, 3)) * case.frame))
    run = drive(EchoMachine(case.times), ring, sending(case.payload, confirm=case.confirm(retries=2)))
    assert run.told == run.delivered
    if run.report.result is Result.CONFIRMED:
        assert ring.carried(case.payload)
    else:
        assert run.report.reason in {
            Reason.STRAY,
            Reason.ECHO_DOUBLED,
            Reason.ECHO_EARLY,
            Reason.ECHO_WRONG,
        }
