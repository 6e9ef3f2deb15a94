"""What a link does with its echo machine, step by step: no thread, no clock, and a port that is a list."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import replace
from typing import cast

import pytest

from controller.echo import EchoMachine
from controller.link_driving import LinkDriver
from controller.link_telling import HAND_OVER, Teller
from controller.ports import Port
from controller.records import Direction, Reason, Result
from controller.transmission import Effect, Finished, Heard, LineTimes, Report, Write
from profiles.errors import LinkLost
from profiles.model import Method
from tests.controller.line_ends import Listener, transmission

TIMES = LineTimes(frame=0.001, latency=0.0, jitter=0.0, burst_gap=0.002)
GONE = LinkLost("pulled out", where="/dev/ttyUSB0")


class Recorder:
    """A port that keeps what is written, and is lost after so many writes."""

    def __init__(self, lasts: int | None = None) -> None:
        self.written: list[bytes] = []
        self._lasts = lasts

    def write(self, data: bytes) -> None:
        if self._lasts is not None and len(self.written) >= self._lasts:
            raise GONE
        self.written.append(data)

    @property
    def port(self) -> Port:
        return cast("Port", self)


class Bench:
    def __init__(self, *, pass_on: bool = False, writes: bool = True, times: LineTimes = TIMES) -> None:
        self.listener = Listener()
        self.tell = Teller(self.listener, "bench")
        self.driver = LinkDriver(times, self.tell, pass_on=pass_on, writes=writes)
        self.recorder = Recorder()
        self.now = 100.0

    def transmit(self, name: str, data: bytes = b"\x01\x02", method: Method = Method.LOOP) -> None:
        self.driver.order(transmission(name, data, method), self.recorder.port, self.now)
        self.driver.begin_next(self.recorder.port, self.now)

    def after(self, seconds: float, data: bytes = b"") -> None:
        self.now += seconds
        if data:
            self.driver.received(data, self.recorder.port, self.now)
        self.driver.tick(self.recorder.port, self.now)
        self.driver.begin_next(self.recorder.port, self.now)

    def told(self) -> list[Report]:
        self.tell.flush()
        return self.listener.reports


def with_effects(bench: Bench, monkeypatch: pytest.MonkeyPatch, effects: list[Effect]) -> None:
    """Have the machine say this to the next bytes; its own tests are elsewhere."""
    monkeypatch.setattr(bench.driver._machine, "received", lambda _data, _now: effects)


def test_a_transmission_is_driven_frame_by_frame() -> None:
    bench = Bench()
    bench.transmit("one")
    assert bench.recorder.written == [b"\x01"]
    assert bench.driver.busy
    bench.after(0.001, b"\x01")
    assert bench.recorder.written == [b"\x01", b"\x02"]
    bench.after(0.001, b"\x02")
    assert bench.told() == []
    while bench.driver.deadline is not None:
        bench.after(bench.driver.deadline - bench.now)
    assert [report.result for report in bench.told()] == [Result.CONFIRMED]
    assert not bench.driver.busy


def test_the_next_one_begins_when_one_is_over() -> None:
    bench = Bench()
    for name in ("one", "two", "three"):
        bench.transmit(name, method=Method.NONE)
    for _ in range(50):
        bench.after(0.002)
    assert [report.id for report in bench.told()] == ["one", "two", "three"]
    assert bench.recorder.written == [b"\x01\x02"] * 3


def test_thousands_that_wait_all_fail_when_the_link_is_lost() -> None:
    bench = Bench()
    for index in range(5000):
        bench.transmit(str(index))
    bench.driver.lost(GONE, bench.now)
    assert [report.id for report in bench.told()] == [str(index) for index in range(5000)]
    assert {report.reason for report in bench.told()} == {Reason.LINK_LOST}
    assert len(bench.listener.downs) == 1


def test_before_it_is_known_whether_there_is_a_port_transmissions_wait() -> None:
    bench = Bench()
    bench.driver.order(transmission("one"), None, bench.now)
    bench.driver.begin_next(None, bench.now)
    assert bench.told() == []
    bench.driver.down = True
    bench.driver.begin_next(None, bench.now)
    assert [report.reason for report in bench.told()] == [Reason.LINK_LOST]


def test_a_report_is_not_lost_with_the_port_that_is_lost_just_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """A write that fails in the middle of what the machine says must not swallow the rest of it."""
    bench = Bench()
    bench.transmit("one")
    bench.recorder = Recorder(lasts=0)
    report = Report("one", Result.CONFIRMED, frames=2, echoed=2)
    with_effects(
        bench, monkeypatch, [Write(b"\x55"), Heard(b"\x66", 100.0), Finished(report), Write(b"\x77")]
    )
    with pytest.raises(LinkLost):
        bench.after(0.001, b"\x01")
    assert bench.told() == [report]
    assert bench.listener.data(Direction.HEARD) == b"\x66"
    assert bench.listener.data(Direction.SENT) == b"\x01"  # only what was written is told as sent
    assert bench.recorder.written == []
    monkeypatch.setattr(bench.driver, "_machine", EchoMachine(TIMES))  # one that has said so is idle
    bench.driver.lost(GONE, bench.now)
    assert bench.told() == [report]


def test_a_lost_link_ends_what_is_under_way_at_its_frame() -> None:
    bench = Bench()
    bench.transmit("one", b"\x01\x02\x03")
    bench.transmit("two")
    bench.after(0.001, b"\x01")
    bench.driver.lost(GONE, bench.now)
    one, two = bench.told()
    assert (one.id, one.reason, one.failed_at, one.echoed) == ("one", Reason.LINK_LOST, 1, 1)
    assert (two.id, two.reason, two.began) == ("two", Reason.LINK_LOST, None)
    assert bench.listener.order[-3:] == ["finished one", "finished two", "down"]


def test_of_an_instant_the_bytes_are_told_before_the_report(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench()
    bench.transmit("one")
    report = Report("one", Result.FAILED, Reason.STRAY)
    with_effects(bench, monkeypatch, [Heard(b"\x66", 100.0), Finished(report), Heard(b"\x67", 100.0)])
    bench.after(0.001, b"\x66\x67")
    bench.tell.hand_over()
    bench.told()
    assert bench.listener.order == ["events", "finished one", "events"]
    assert [(event.data, event.transmission) for event in bench.listener.events] == [
        (b"\x01", "one"),
        (b"\x66", "one"),
        (b"\x67", None),
    ]


# New times


def test_new_times_wait_for_the_end_of_what_is_under_way() -> None:
    bench = Bench()
    bench.transmit("one", method=Method.NONE)
    assert bench.driver.deadline == pytest.approx(bench.now + 2 * 0.001)
    bench.driver.order(replace(TIMES, frame=0.01), bench.recorder.port, bench.now)
    bench.driver.begin_next(bench.recorder.port, bench.now)
    assert bench.driver.frame_time == 0.001
    for _ in range(10):
        bench.after(0.001)
    assert [report.result for report in bench.told()] == [Result.SENT]
    assert bench.driver.frame_time == 0.01
    bench.after(1.0)
    bench.transmit("two", method=Method.NONE)
    assert bench.driver.deadline == pytest.approx(bench.now + 2 * 0.01)


def test_new_times_outlast_a_fault() -> None:
    bench = Bench()
    bench.driver.order(replace(TIMES, frame=0.01), None, bench.now)
    bench.driver.begin_next(None, bench.now)
    bench.driver.begin_anew(ZeroDivisionError("a fault"), bench.now)
    assert bench.driver.frame_time == 0.01
    assert bench.driver.down


# Passing on


def test_after_opening_and_after_a_failure_nothing_is_passed_on_for_a_drain_window() -> None:
    bench = Bench(pass_on=True, times=replace(TIMES, hops=2))
    bench.driver.opened(None, bench.now)
    bench.after(0.001, b"\x41")
    assert bench.recorder.written == []
    bench.after(1.0, b"\x42")
    assert bench.recorder.written == [b"\x42"]
    bench.after(1.0)
    bench.transmit("one", b"\x01")
    while bench.driver.busy and bench.driver.deadline is not None:
        bench.after(bench.driver.deadline - bench.now)
    assert [report.result for report in bench.told()] == [Result.FAILED]
    before = list(bench.recorder.written)
    bench.after(0.001, b"\x43")
    assert bench.recorder.written == before
    bench.after(1.0, b"\x44")
    assert bench.recorder.written == [*before, b"\x44"]


def test_while_a_transmission_is_under_way_nothing_is_passed_on() -> None:
    bench = Bench(pass_on=True)
    bench.after(1.0)
    bench.transmit("one", b"\x01\x02")
    assert bench.recorder.written == [b"\x01"]
    bench.after(0.0001, b"\x99")
    assert bench.recorder.written == [b"\x01"]


def test_a_port_that_is_lost_while_passing_on_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(pass_on=True)
    bench.recorder = Recorder(lasts=0)
    with pytest.raises(LinkLost):
        bench.after(1.0, b"\x41")
    bench.tell.hand_over()
    bench.tell.flush()
    assert bench.listener.data(Direction.HEARD) == b"\x41"
    assert bench.listener.data(Direction.PASSED_ON) == b""


def test_a_tap_writes_nothing_though_the_machine_should_ask_for_it(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(pass_on=True, writes=False)
    with_effects(bench, monkeypatch, [Write(b"\x01"), Heard(b"\x02", 100.0)])
    bench.after(1.0, b"\x02")
    assert bench.recorder.written == []
    assert not bench.driver.repeats


# Endings


def test_breaking_off_says_what_is_known_and_gives_the_reason_that_is_asked_for() -> None:
    bench = Bench()
    bench.transmit("one", b"\x01\x02\x03")
    bench.after(0.001, b"\x01")
    bench.driver.break_off(Result.CANCELLED, Reason.CANCELLED, bench.now)
    (report,) = bench.told()
    assert (report.result, report.reason) == (Result.CANCELLED, Reason.CANCELLED)
    assert (report.echoed, report.failed_at, report.all_out) == (1, 1, False)
    bench.driver.break_off(Result.CANCELLED, Reason.CANCELLED, bench.now)
    assert len(bench.told()) == 1


@pytest.mark.parametrize("wrote", [True, False])
def test_where_the_machine_is_at_fault_a_unit_may_have_obeyed_if_anything_was_written(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, wrote: bool
) -> None:
    def fault(*_: object) -> list[Effect]:
        raise ZeroDivisionError("a fault")

    bench = Bench()
    if wrote:
        bench.transmit("one")
    else:
        bench.after(0.0, b"\x55")  # the line is not quiet, so it waits
        bench.transmit("one")
        assert bench.recorder.written == []
    monkeypatch.setattr(bench.driver._machine, "link_lost", fault)
    with caplog.at_level(logging.ERROR):
        bench.driver.begin_anew(ZeroDivisionError("another"), bench.now)
    (report,) = bench.told()
    assert (report.result, report.reason, report.all_out) == (Result.FAILED, Reason.INTERNAL, wrote)
    assert "the echo machine is at fault" in caplog.text
    assert [str(fault) for fault in bench.listener.faults] == ["another"]
    assert not bench.driver.busy


# Telling


def test_traffic_is_handed_over_when_the_line_falls_quiet_or_after_a_while() -> None:
    bench = Bench()
    assert bench.tell.due(idle=True) is None
    bench.after(0.0, b"\x01")
    first = bench.now
    due = bench.tell.due(idle=True)
    assert due is not None
    assert first < due < first + HAND_OVER
    bench.after(0.005, b"\x02")
    later = bench.tell.due(idle=True)
    assert later == pytest.approx(due + 0.005)
    for _ in range(10):
        bench.after(0.005, b"\x03")
    assert bench.tell.due(idle=True) == pytest.approx(first + HAND_OVER)  # a line that never pauses
    assert bench.tell.due(idle=False) == pytest.approx(first + HAND_OVER)
    bench.tell.hand_over()
    bench.tell.flush()
    assert bench.listener.data(Direction.HEARD) == b"\x01\x02" + b"\x03" * 10
    assert bench.tell.due(idle=True) is None


def test_the_same_fault_is_told_once_until_there_is_a_port_again() -> None:
    bench = Bench()
    say: Callable[[], None] = lambda: bench.tell.failed(ZeroDivisionError("the same"))  # noqa: E731 -- said three times
    say()
    say()
    bench.tell.failed(ZeroDivisionError("another"))
    bench.tell.up(None)
    say()
    bench.tell.flush()
    assert [str(fault) for fault in bench.listener.faults] == ["the same", "another", "the same"]
