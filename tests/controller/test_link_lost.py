"""Every way in which a port can go: told once, everything ends with a report, and the link comes back."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller import port_io, waiting
from controller.link import Link
from controller.ports import Port, PortSettings, open_port
from controller.records import Direction, Reason, Result
from controller.waiting import monotonic
from profiles.errors import LinewardenError, LinkLost, PortUnavailable
from profiles.model import Method
from tests.controller.line_ends import (
    FAST,
    Echoing,
    FarEnd,
    Listener,
    TcpServer,
    descriptors,
    linked,
    nothing_leaks,
    settings,
    transmission,
    wait_until,
)
from tests.controller.serial_server import SerialServer, quiet_about_pyserial


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


@pytest.fixture
def name(tmp_path: Path) -> Path:
    """A stable name for the port, as the system has them under /dev/serial/by-id."""
    return tmp_path / "bus"


def check_it_comes_back(name: Path, link: Link, listener: Listener) -> None:
    """Plug an adapter in under the same name: the link is up and works."""
    with FarEnd(link=name) as far, Echoing(far):
        assert listener.is_up(2)
        link.transmit(transmission("afterwards"))
        assert listener.report("afterwards").result is Result.CONFIRMED
        assert len(listener.downs) == 1


def check_lost(listener: Listener, *names: str) -> None:
    """Each of these ended because the link was lost, and that was told once: after what was under way."""
    assert listener.is_down()
    for each in names:
        report = listener.report(each)
        assert (report.result, report.reason) == (Result.FAILED, Reason.LINK_LOST)
    assert len(listener.downs) == 1
    assert isinstance(listener.downs[0], LinkLost)
    if names:
        assert listener.order.index(f"finished {names[0]}") < listener.order.index("down")


# When it goes


def test_while_nothing_is_under_way(name: Path) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        far.write(b"\x01\x02")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x01\x02")
        far.close()
        check_lost(listener)
        check_it_comes_back(name, link, listener)


@pytest.mark.parametrize("echoes", [0, 1, 2])
def test_in_the_middle_of_a_frame(name: Path, echoes: int) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        link.transmit(transmission("under way", b"\x10\x11\x12"))
        link.transmit(transmission("waits"))
        for value in range(0x10, 0x10 + echoes):
            assert far.read(1) == bytes((value,))
            far.write(bytes((value,)))
        assert far.read(1) == bytes((0x10 + echoes,))
        far.close()
        check_lost(listener, "under way", "waits")
        report = listener.report("under way")
        assert (report.failed_at, report.echoed) == (echoes, echoes)
        assert report.all_out == (echoes == 2)
        assert listener.report("waits").began is None
        check_it_comes_back(name, link, listener)
    sent = b"".join(
        e.data for e in listener.events if e.transmission == "under way" and e.direction is Direction.SENT
    )
    assert sent == b"\x10\x11\x12"[: echoes + 1]


def test_while_a_write_waits_for_room(name: Path) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        link.transmit(transmission("under way", bytes(500_000), Method.NONE))
        link.transmit(transmission("waits"))
        assert far.read(1000) == bytes(1000)
        far.close()
        check_lost(listener, "under way", "waits")
        assert listener.report("under way").failed_at is not None
        check_it_comes_back(name, link, listener)


def test_because_it_takes_no_more_bytes(name: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_io, "WRITE_PATIENCE", 0.2)
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        link.transmit(transmission("under way", bytes(500_000), Method.NONE))
        check_lost(listener, "under way")
        assert "has stopped taking bytes" in str(listener.downs[0])
        far.close()
        check_it_comes_back(name, link, listener)


def test_while_a_transmission_waits_for_a_quiet_line(name: Path) -> None:
    talkative = replace(FAST, burst_gap=5.0)  # the line is not quiet for long after others have spoken
    with FarEnd(link=name) as far, linked(settings(str(name)), talkative) as (link, listener):
        far.write(b"\x55")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x55")
        for each in ("waits for quiet", "waits", "taken back"):
            link.transmit(transmission(each))
        link.cancel("taken back")
        assert listener.report("taken back").result is Result.CANCELLED
        far.close()
        check_lost(listener, "waits for quiet", "waits")
        report = listener.report("waits for quiet")
        assert (report.began, report.all_out) == (None, False)
        link.set_times(FAST)
        check_it_comes_back(name, link, listener)
    assert listener.data(Direction.SENT) == b"\x01\x02\x03"  # the one afterwards


def test_while_an_attempt_drains(name: Path) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        link.transmit(transmission("under way", b"\x01", timeout_ms=30_000.0, retries=1))
        assert far.read(1) == b"\x01"
        far.write(b"\x02")  # a wrong echo ends the attempt
        assert wait_until(lambda: any(event.fault for event in listener.events))
        far.close()
        check_lost(listener, "under way")
        check_it_comes_back(name, link, listener)


@pytest.mark.parametrize("where", ["socket", "rfc2217"])
@quiet_about_pyserial
def test_a_serial_server_that_drops_the_connection(where: str) -> None:
    if where == "socket":
        with TcpServer() as server, linked(settings(server.url)) as (link, listener):
            server.accept()
            link.transmit(transmission("under way"))
            assert server.peer is not None
            assert server.peer.recv(1) == b"\x01"
            server.drop()
            check_lost(listener, "under way")
            server.accept()
            assert listener.is_up(2)
    else:
        with SerialServer() as other, linked(settings(other.url)) as (link, listener):
            other.drop()
            check_lost(listener)
            assert listener.is_up(2)
            link.transmit(transmission("afterwards"))
            assert listener.report("afterwards").result is Result.CONFIRMED
    assert listener.downs[0].todo == "look at the network and at the serial server"


# Coming back


def test_a_port_that_is_not_there_at_the_start_is_told_once_and_taken_when_it_comes(name: Path) -> None:
    listener = Listener()
    attempts: list[str] = []

    def opener(wanted: PortSettings) -> Port:
        attempts.append(wanted.port)
        return open_port(wanted)

    link = Link("hall", settings(str(name)), FAST, listener, opener=opener)
    link.transmit(transmission("before it was started"))
    link.start()
    assert listener.report("before it was started").reason is Reason.LINK_LOST
    assert wait_until(lambda: len(attempts) >= 4)
    assert [type(error) for error in listener.downs] == [PortUnavailable]
    with FarEnd(link=name):
        assert listener.is_up()
    link.stop()
    assert listener.faults == []


def test_what_is_asked_while_the_port_is_closed_fails_at_once(name: Path) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (link, listener):
        far.close()
        assert listener.is_down()
        for index in range(20):
            link.transmit(transmission(f"number {index}"))
        link.cancel("number 3")
        assert {listener.report(f"number {index}").reason for index in range(20)} == {Reason.LINK_LOST}
        assert len(listener.ups) == 1
        assert link.counters() == {}


def test_it_fails_at_once_though_an_attempt_to_open_takes_long(name: Path) -> None:
    hang, hung = threading.Event(), threading.Event()
    first = True

    def opener(wanted: PortSettings) -> Port:
        nonlocal first
        if not first:
            hung.set()
            assert hang.wait(30)
        first = False
        return open_port(wanted)

    with FarEnd(link=name) as far, linked(settings(str(name)), opener=opener) as (link, listener):
        far.close()
        assert listener.is_down()
        assert hung.wait(10)
        link.transmit(transmission("meanwhile"))
        assert listener.report("meanwhile").reason is Reason.LINK_LOST
        assert not hang.is_set()
        with FarEnd(link=name):
            hang.set()
            assert listener.is_up(2)


def test_before_the_first_word_of_the_port_what_is_asked_waits_for_it(
    name: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(waiting, "_LONGEST", 40.0)  # it is begun at once, not at the end of some wait
    go_on = threading.Event()

    def opener(wanted: PortSettings) -> Port:
        assert go_on.wait(30)
        return open_port(wanted)

    listener = Listener()
    with FarEnd(link=name) as far, Echoing(far):
        link = Link("hall", settings(str(name)), FAST, listener, opener=opener)
        link.start()
        link.transmit(transmission("one"))
        link.transmit(transmission("two"))
        link.cancel("two")
        assert listener.report("two").result is Result.CANCELLED
        go_on.set()
        assert listener.report("one").result is Result.CONFIRMED
        link.stop()
    assert listener.order[0] == "finished two"
    assert listener.order[1] == "up"


def test_a_new_device_under_the_same_path() -> None:
    """A pty's path is free again as soon as the link lets go of the lost one."""
    with FarEnd() as far, linked(settings(far.path)) as (link, listener):
        path = far.path
        far.close()
        assert listener.is_down()
        assert wait_until(lambda: not any(path in target for target in descriptors().values()))
        with FarEnd() as new:
            if new.path != path:
                pytest.skip(f"the system gave the next pty another path: {new.path}, not {path}")
            with Echoing(new):
                assert listener.is_up(2)
                link.transmit(transmission("afterwards"))
                assert listener.report("afterwards").result is Result.CONFIRMED


def test_a_name_that_was_turned_to_another_device_while_the_old_one_lives_on(name: Path) -> None:
    with FarEnd(link=name) as old, FarEnd() as new, linked(settings(str(name))) as (link, listener):
        new.turn(name)
        assert listener.is_down()
        assert "another device has taken its name" in str(listener.downs[0])
        assert listener.is_up(2)
        new.write(b"\x11")
        old.write(b"\x22")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x11")
        link.transmit(transmission("one", b"\x01", Method.NONE))
        assert listener.report("one").result is Result.SENT
        assert new.read(1) == b"\x01"
        assert old.read_now() == b""


def test_a_lost_port_is_let_go_before_anything_else_is_tried(name: Path) -> None:
    """Its device comes back under another name for as long as the old handle is open."""
    open_at_attempt: list[bool] = []
    ports: list[Port] = []

    def opener(wanted: PortSettings) -> Port:
        open_at_attempt.extend(port.fileno() is not None for port in ports[-1:])
        ports.append(open_port(wanted))
        return ports[-1]

    with FarEnd(link=name) as far, linked(settings(str(name)), opener=opener) as (link, listener):
        far.close()
        assert listener.is_down()
        check_it_comes_back(name, link, listener)
    assert open_at_attempt
    assert not any(open_at_attempt)


def test_a_port_that_is_lost_each_time_at_once_is_not_tried_without_rest(name: Path) -> None:
    """The time between attempts grows until a port has lasted for a while."""
    waits: list[float] = []

    def opener(wanted: PortSettings) -> Port:
        waits.append(monotonic())
        port = open_port(wanted)
        port._lost("for this test")
        port.close()  # every read of it says that it is gone
        return port

    with FarEnd(link=name) as far:
        listener = Listener()
        link = Link("hall", settings(far.name), FAST, listener, opener=opener)
        link.start()
        assert wait_until(lambda: len(waits) >= 4)
        link.stop()
    least = [later - earlier for earlier, later in itertools.pairwise(waits)]
    assert all(wait >= 0.1 * 0.8 for wait in least)
    assert least[2] > least[0]
    assert listener.faults == []


@pytest.mark.slow
def test_it_is_up_again_within_two_seconds_of_the_ports_return(name: Path) -> None:
    with FarEnd(link=name) as far, linked(settings(str(name))) as (_, listener):
        far.close()
        assert listener.is_down()
        for times in range(2, 6):
            assert not wait_until(lambda: len(listener.ups) >= 5, 0.7 * times)
            began = monotonic()
            with FarEnd(link=name):
                assert listener.is_up(times)
                assert monotonic() - began < 2.0
            assert listener.is_down(times)


# Faults of this program


def test_what_no_port_throws_is_a_fault_and_told_once(name: Path) -> None:
    listener = Listener()
    attempts: list[int] = []

    def opener(_: PortSettings) -> Port:
        attempts.append(1)
        raise ZeroDivisionError("a fault in the opener")

    link = Link("hall", settings(str(name)), FAST, listener, opener=opener)
    link.start()
    link.transmit(transmission("one"))
    assert listener.report("one").reason is Reason.LINK_LOST
    assert wait_until(lambda: len(attempts) >= 3)
    link.stop()
    assert [repr(error) for error in listener.faults] == ["ZeroDivisionError('a fault in the opener')"]


def test_a_wrong_name_is_told_like_a_port_that_is_not_there() -> None:
    listener = Listener()
    link = Link("hall", settings("usb:nonsense"), FAST, listener)
    link.start()
    assert listener.is_down()
    link.stop()
    error: LinewardenError = listener.downs[0]
    assert "write usb:VID:PID" in str(error)
    assert listener.faults == []
