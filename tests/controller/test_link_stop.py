"""Stopping a link in every phase, and its faults: each transmission gets its one report; nothing is left."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller import waiting
from controller.echo import EchoMachine
from controller.link import Link
from controller.ports import Port, PortSettings, open_port
from controller.records import Direction, Reason, Result
from controller.transmission import Report
from profiles.errors import LinewardenError
from profiles.model import Method
from tests.controller.line_ends import (
    FAST,
    Echoing,
    FarEnd,
    Listener,
    linked,
    nothing_leaks,
    settings,
    transmission,
    wait_until,
)

NAMES = ("one", "two", "three")
Starts = Callable[[FarEnd, Listener], Link]


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


@pytest.fixture(autouse=True)
def _nothing_waits_for_the_end_of_a_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """A stop, or whatever is asked, has to end the wait of the link's thread by itself."""
    monkeypatch.setattr(waiting, "_LONGEST", 40.0)


def check_each_has_one_report(listener: Listener, *names: str) -> None:
    assert sorted(report.id for report in listener.reports) == sorted(names)


def transmit_all(link: Link, **more: Any) -> None:
    for name in NAMES:
        link.transmit(transmission(name, **more))


# Phases


def test_before_it_was_started() -> None:
    listener = Listener()
    with FarEnd() as far:
        link = Link("hall", settings(far.name), FAST, listener)
        transmit_all(link)
        link.cancel("two")
        link.stop()
        check_each_has_one_report(listener, *NAMES)
        assert {report.result for report in listener.reports} == {Result.CANCELLED}
        link.start()  # as when a profile is changed while all is stopped
        link.stop()
        assert listener.ups == []
        open_port(settings(far.name)).close()


def test_while_the_port_is_being_opened_for_the_first_time() -> None:
    go_on, began = threading.Event(), threading.Event()
    ports: list[Port] = []

    def opener(wanted: PortSettings) -> Port:
        began.set()
        assert go_on.wait(30)
        ports.append(open_port(wanted))
        return ports[-1]

    listener = Listener()
    with FarEnd() as far:
        link = Link("hall", settings(far.name), FAST, listener, opener=opener)
        link.start()
        transmit_all(link)
        assert began.wait(10)
        link.stop()
        check_each_has_one_report(listener, *NAMES)
        assert {report.reason for report in listener.reports} == {Reason.CANCELLED}
        go_on.set()  # the port opens all the same, and is closed again
        assert wait_until(lambda: bool(ports) and ports[0].fileno() is None)
        assert listener.ups == []


def test_while_there_is_no_port(tmp_path: Path) -> None:
    listener = Listener()
    link = Link("hall", settings(str(tmp_path / "bus")), FAST, listener)
    link.start()
    assert listener.is_down()
    transmit_all(link)
    link.stop()
    check_each_has_one_report(listener, *NAMES)


def test_while_nothing_is_under_way() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        far.write(b"\x01\x02")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x01\x02")
        link.stop()
        link.stop()
        assert far.read_now() == b""
    assert listener.reports == []
    assert listener.downs == []  # it did not go, it was let go


def test_the_frame_in_hand_is_finished_and_nothing_more_is_written() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        transmit_all(link, timeout_ms=30_000.0)
        assert far.read(1) == b"\x01"
        stopper = threading.Thread(target=link.stop, kwargs={"timeout": 20.0})
        stopper.start()
        assert wait_until(lambda: link._taken_back)
        far.write(b"\x01")
        stopper.join()
        check_each_has_one_report(listener, *NAMES)
        report = listener.report("one")
        assert (report.result, report.reason) == (Result.CANCELLED, Reason.CANCELLED)
        assert (report.echoed, report.all_out) == (1, False)
        assert {listener.report(name).result for name in NAMES} == {Result.CANCELLED}
        assert listener.report("two").began is None
        assert far.read_now() == b""
    assert listener.data(Direction.SENT) == listener.data(Direction.ECHOED) == b"\x01"


def test_a_message_that_leaves_in_one_go_leaves_whole() -> None:
    slow = replace(FAST, frame=0.02)
    with FarEnd() as far, linked(settings(far.name), slow) as (link, listener):
        transmit_all(link, data=bytes(range(10)), method=Method.NONE)
        assert far.read(10) == bytes(range(10))
        link.stop()
        check_each_has_one_report(listener, *NAMES)
        assert listener.report("one").result is Result.SENT
        assert {listener.report(name).result for name in ("two", "three")} == {Result.CANCELLED}
        assert far.read_now() == b""


@pytest.mark.parametrize("phase", ["awaiting an echo", "draining", "waiting for a quiet line"])
def test_what_would_take_too_long_is_cut_short(phase: str) -> None:
    times = replace(FAST, burst_gap=30.0) if phase == "waiting for a quiet line" else FAST
    with FarEnd() as far, linked(settings(far.name), times) as (link, listener):
        if times is not FAST:
            far.write(b"\x55")
            assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x55")
        transmit_all(link, timeout_ms=60_000.0, busy_timeout_ms=60_000.0, retries=3)
        link.cancel("two")
        listener.report("two")
        if times is FAST:
            assert far.read(1) == b"\x01"
        if phase == "draining":
            far.write(b"\x44")
            assert wait_until(lambda: any(event.fault for event in listener.events))
        link.stop(timeout=0.5)
        check_each_has_one_report(listener, *NAMES)
        assert {report.result for report in listener.reports} == {Result.CANCELLED}
        assert listener.report("one").all_out is False
        open_port(settings(far.name)).close()


def test_between_two_frames() -> None:
    spaced = replace(FAST, dead_time=20.0)
    with FarEnd() as far, Echoing(far) as plug, linked(settings(far.name), spaced) as (link, listener):
        transmit_all(link)
        assert wait_until(lambda: listener.data(Direction.ECHOED) == b"\x01")
        link.stop(timeout=1.0)
        check_each_has_one_report(listener, *NAMES)
        assert (listener.report("one").result, listener.report("one").echoed) == (Result.CANCELLED, 1)
        assert bytes(plug.heard) == b"\x01"


def test_from_within_what_it_tells() -> None:
    class Stopping(Listener):
        link: Link | None = None

        def finished(self, report: Report) -> None:
            super().finished(report)
            if self.link is not None:
                self.link.stop()

    listener = Stopping()
    with FarEnd() as far, Echoing(far):
        listener.link = Link("hall", settings(far.name), FAST, listener)
        transmit_all(listener.link)
        listener.link.start()
        assert wait_until(lambda: len(listener.reports) == len(NAMES))
        check_each_has_one_report(listener, *NAMES)
        assert listener.report("one").result is Result.CONFIRMED
        assert listener.report("three").result is Result.CANCELLED


def test_what_is_asked_of_a_stopped_link_is_answered_too() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        link.stop()
        transmit_all(link)
        check_each_has_one_report(listener, *NAMES)
        assert {report.result for report in listener.reports} == {Result.CANCELLED}
        link.cancel("one")
        link.set_times(FAST)
        assert link.counters() == {}
        assert far.read_now() == b""


# Faults: they can't be had without a listener or a machine that is at fault


@pytest.fixture
def started() -> Iterator[Starts]:
    links: list[Link] = []

    def start(far: FarEnd, listener: Listener) -> Link:
        links.append(Link("hall", settings(far.name), FAST, listener))
        links[-1].start()
        return links[-1]

    yield start
    for link in links:
        link.stop()


class Failing(Listener):
    """Fails once in the method that is named."""

    def __init__(self, method: str) -> None:
        super().__init__()
        self._method = method

    def _note(self, what: str) -> None:
        super()._note(what)
        if what.split(maxsplit=1)[0] == self._method:
            self._method = "none"
            raise ZeroDivisionError(what)


@pytest.mark.parametrize("method", ["up", "events", "finished"])
def test_a_listener_that_fails_loses_no_report_and_the_link_begins_anew(started: Starts, method: str) -> None:
    listener = Failing(method)
    with FarEnd() as far, Echoing(far):
        link = started(far, listener)
        transmit_all(link)
        assert wait_until(lambda: len(listener.reports) == len(NAMES))
        assert listener.is_up(2)
        link.transmit(transmission("afterwards"))
        assert listener.report("afterwards").result is Result.CONFIRMED
    check_each_has_one_report(listener, *NAMES, "afterwards")
    assert [type(fault) for fault in listener.faults] == [ZeroDivisionError]


def test_a_listener_that_fails_when_the_port_is_lost(started: Starts, tmp_path: Path) -> None:
    name = tmp_path / "bus"
    listener = Failing("down")
    with FarEnd(link=name) as far:
        link = started(far, listener)
        assert listener.is_up()
        transmit_all(link, timeout_ms=30_000.0)
        assert far.read(1) == b"\x01"
    assert wait_until(lambda: bool(listener.faults))
    with FarEnd(link=name) as far, Echoing(far):
        assert listener.is_up(2)
        link.transmit(transmission("afterwards"))
        assert listener.report("afterwards").result is Result.CONFIRMED
    check_each_has_one_report(listener, *NAMES, "afterwards")


def test_a_listener_that_always_fails_does_not_end_the_thread(
    started: Starts, caplog: pytest.LogCaptureFixture
) -> None:
    class Hopeless(Listener):
        def _note(self, what: str) -> None:
            super()._note(what)
            raise ZeroDivisionError(what)

    listener = Hopeless()
    with FarEnd() as far, Echoing(far):
        link = started(far, listener)
        assert listener.is_up(3)
        transmit_all(link)
        assert wait_until(lambda: len(listener.reports) == len(NAMES))
    check_each_has_one_report(listener, *NAMES)
    assert len(listener.faults) >= 2
    assert "whom it tells is at fault" in caplog.text


def failing_once(true: Callable[..., Any]) -> Callable[..., Any]:
    failed: list[int] = []

    def call(*values: Any) -> Any:
        if not failed:
            failed.append(1)
            raise ZeroDivisionError("a fault in the machine")
        return true(*values)

    return call


@pytest.mark.parametrize("method", ["begin", "received", "tick"])
def test_a_fault_of_the_machine_ends_what_is_under_way_and_the_link_begins_anew(
    started: Starts, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    monkeypatch.setattr(EchoMachine, method, failing_once(getattr(EchoMachine, method)))
    listener = Listener()
    with FarEnd() as far, Echoing(far):
        link = started(far, listener)
        link.transmit(transmission("one"))
        link.transmit(transmission("two"))
        assert listener.report("one").reason is Reason.INTERNAL
        assert listener.report("one").all_out == (method == "tick")  # by then the whole message was out
        assert listener.report("two").reason in (Reason.INTERNAL, Reason.LINK_LOST)
        assert listener.is_up(2)
        link.transmit(transmission("three"))
        assert listener.report("three").result is Result.CONFIRMED
    check_each_has_one_report(listener, *NAMES)
    assert [str(fault) for fault in listener.faults] == ["a fault in the machine"]


def test_a_fault_leaves_it_open_whether_the_unit_obeyed(
    started: Starts, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the machine can't even say how far it came, the whole message may have been out."""
    monkeypatch.setattr(EchoMachine, "received", failing_once(EchoMachine.received))
    monkeypatch.setattr(EchoMachine, "link_lost", failing_once(EchoMachine.link_lost))
    listener = Listener()
    with FarEnd() as far, Echoing(far):
        link = started(far, listener)
        link.transmit(transmission("one"))
        report = listener.report("one")
        assert (report.result, report.reason, report.all_out) == (Result.FAILED, Reason.INTERNAL, True)
        assert listener.is_up(2)


def test_no_word_of_a_stopped_link_comes_late() -> None:
    with FarEnd() as far, Echoing(far), linked(settings(far.name)) as (link, listener):
        transmit_all(link)
        link.stop()
        told: list[str] = list(listener.order)
        check_each_has_one_report(listener, *NAMES)
        assert not any(thread.name.startswith("link hall") for thread in threading.enumerate())
        assert listener.order == told


def test_errors_of_the_link_are_ours() -> None:
    listener = Listener()
    link = Link("hall", settings("/dev/ttyNOWHERE"), FAST, listener)
    link.start()
    assert listener.is_down()
    link.stop()
    assert all(isinstance(error, LinewardenError) for error in listener.downs)
