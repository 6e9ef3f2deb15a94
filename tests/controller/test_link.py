"""A link at work on real ports: transmissions, what others say, taps, rings that we are a part of."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller import link as link_module
from controller import waiting
from controller.link import LineEvent, Link
from controller.ports import Port, PortSettings, open_port
from controller.records import Direction, Reason, Result
from controller.transmission import LineTimes
from profiles.model import Method
from tests.controller.line_ends import (
    FAST,
    Echoing,
    FarEnd,
    Listener,
    TcpServer,
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


@pytest.fixture(autouse=True)
def _nothing_waits_for_the_end_of_a_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is asked or arrives has to end the wait of the link's thread by itself."""
    monkeypatch.setattr(waiting, "_LONGEST", 40.0)


# Transmissions


def test_a_transmission_goes_out_frame_by_frame_and_is_confirmed() -> None:
    with FarEnd() as far, Echoing(far) as plug, linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("one", b"\x05\x06\x07"))
        report = listener.report("one")
        assert (report.result, report.echoed, report.frames) == (Result.CONFIRMED, 3, 3)
        assert bytes(plug.heard) == b"\x05\x06\x07"
    assert listener.data(Direction.SENT) == b"\x05\x06\x07"
    assert listener.data(Direction.ECHOED) == b"\x05\x06\x07"
    echoed = [event for event in listener.events if event.direction is Direction.ECHOED]
    assert [lag for event in echoed for lag in event.lags or ()] == report.lags
    assert {event.transmission for event in listener.events} == {"one"}


def test_everything_is_told_in_the_links_thread_and_in_order() -> None:
    with FarEnd() as far, Echoing(far), linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("one"))
        listener.report("one")
    assert listener.threads == {"link hall"}
    assert listener.order[0] == "up"
    assert listener.order[-1] == "finished one"  # what belongs to it was told before
    assert set(listener.order[1:-1]) == {"events"}


def test_transmissions_keep_their_order() -> None:
    names = [f"number {index}" for index in range(20)]
    with FarEnd() as far, Echoing(far) as plug, linked(settings(far.name)) as (link, listener):
        for index, name in enumerate(names):
            link.transmit(transmission(name, bytes((index, 0x80 + index))))
        assert listener.report(names[-1]).result is Result.CONFIRMED
        assert bytes(plug.heard) == b"".join(bytes((index, 0x80 + index)) for index in range(20))
    assert [report.id for report in listener.reports] == names
    assert all(report.result is Result.CONFIRMED for report in listener.reports)


@pytest.mark.parametrize("count", [1, 400])
def test_on_an_open_line_frames_are_sent(count: int) -> None:
    message = bytes(index & 0xFF for index in range(count))
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("one", message, Method.NONE))
        assert listener.report("one").result is Result.SENT
        assert far.read(count) == message
    assert listener.data(Direction.SENT) == message


def test_msb_first_is_turned_round_at_the_port_alone() -> None:
    with (
        FarEnd() as far,
        Echoing(far) as plug,
        linked(settings(far.name, bit_order="msb")) as (link, listener),
    ):
        link.transmit(transmission("one", b"\x01\x03"))
        assert listener.report("one").result is Result.CONFIRMED
        assert bytes(plug.heard) == b"\x80\xc0"
    assert listener.data(Direction.ECHOED) == b"\x01\x03"


def test_ports_without_a_descriptor_confirm_as_well() -> None:
    with linked(settings("loop://")) as (link, listener):
        link.transmit(transmission("one", bytes(range(40))))
        assert listener.report("one").result is Result.CONFIRMED


@quiet_about_pyserial
def test_a_serial_server_confirms_as_well() -> None:
    with SerialServer() as server, linked(settings(server.url)) as (link, listener):
        link.transmit(transmission("one", b"\x01\xff\x02"))
        assert listener.report("one").result is Result.CONFIRMED
    assert bytes(server.received) == b"\x01\xff\x02"


def test_a_network_port_sends_and_hears() -> None:
    with TcpServer() as server, linked(settings(server.url)) as (link, listener):
        peer = server.accept()
        link.transmit(transmission("one", b"\x01\x02", Method.NONE))
        assert listener.report("one").result is Result.SENT
        assert peer.recv(16) == b"\x01\x02"
        peer.sendall(b"\x03\x04")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x03\x04")


def test_new_times_hold_from_the_next_transmission_on() -> None:
    slow = replace(FAST, frame=0.01)
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("fast", b"\x01\x02", Method.NONE))
        link.set_times(slow)
        link.transmit(transmission("slow", b"\x01\x02", Method.NONE))
        took = {}
        for name in ("fast", "slow"):
            report = listener.report(name)
            assert report.began is not None
            assert report.ended is not None
            took[name] = report.ended - report.began
    assert took["fast"] == pytest.approx(2e-6, rel=0.01)
    assert took["slow"] == pytest.approx(0.02, rel=0.01)


def test_the_adapters_latency_is_told_when_the_port_is_open(tmp_path: Path) -> None:
    with FarEnd() as far:
        device = tmp_path / "class" / "tty" / Path(far.path).name / "device"
        device.mkdir(parents=True)
        (device / "latency_timer").write_text("1")

        def opener(wanted: PortSettings) -> object:
            return open_port(wanted, sysfs=tmp_path)

        with linked(settings(far.name), opener=opener) as (link, listener):
            assert listener.ups == [pytest.approx((0.0, 0.002))]
            assert link.counters() == {}
        assert link.counters() == {}


# Taking back


def test_a_transmission_that_waits_is_taken_back() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("runs"))  # nothing comes back, so it takes its time
        link.transmit(transmission("waits"))
        link.transmit(transmission("waits too"))
        link.transmit(transmission("goes on", method=Method.NONE))
        link.cancel("waits")
        report = listener.report("waits")
        assert (report.result, report.reason) == (Result.CANCELLED, Reason.CANCELLED)
        assert report.began is None
        assert len(listener.reports) == 1
        assert far.read(1) == b"\x01"
        link.cancel("runs")
        link.cancel("waits too")
        assert listener.report("waits too").result is Result.CANCELLED
        far.write(b"\x01")  # the frame in hand is accounted for
        report = listener.report("runs")
        assert (report.result, report.echoed, report.all_out) == (Result.CANCELLED, 1, False)
        assert listener.report("goes on").result is Result.SENT
        assert far.read(3) == b"\x01\x02\x03"
        assert far.read_now() == b""


def test_taking_back_what_is_not_there_does_nothing() -> None:
    with FarEnd() as far, Echoing(far), linked(settings(far.name)) as (link, listener):
        link.cancel("never was")
        link.transmit(transmission("one"))
        listener.report("one")
        link.cancel("one")
        link.transmit(transmission("two"))
        assert listener.report("two").result is Result.CONFIRMED
    assert [report.id for report in listener.reports] == ["one", "two"]


# What others say


def test_many_small_reads_become_few_records_and_nothing_is_lost() -> None:
    message = bytes(index % 251 for index in range(6000))
    with FarEnd() as far, linked(settings(far.name), LineTimes(frame=10 / 115200)) as (_, listener):
        for index in range(0, len(message), 3):
            far.write(message[index : index + 3])
        assert wait_until(lambda: len(listener.data(Direction.HEARD)) == len(message))
        assert listener.data(Direction.HEARD) == message
    assert len(listener.events) < 2000 / 4
    instants = [event.at for event in listener.events]
    assert instants == sorted(instants)


def test_while_nothing_is_under_way_reading_rests_after_each_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(link_module, "_COALESCE", 0.5)
    reads: list[bytes] = []

    def opener(wanted: PortSettings) -> Port:
        port = open_port(wanted)
        true = port.read

        def read() -> bytes:
            reads.append(true())
            return reads[-1]

        monkeypatch.setattr(port, "read", read)
        return port

    with FarEnd() as far, linked(settings(far.name), opener=opener) as (_, listener):
        for value in range(200):
            far.write(bytes((value,)))
            wait_until(lambda wanted=value: len(b"".join(reads)) > wanted, 0.002)  # type: ignore[misc]  # -- bound now
        assert wait_until(lambda: listener.data(Direction.HEARD) == bytes(range(200)))
    assert len(reads) < 50


def test_what_others_have_said_is_known_before_anything_of_ours_goes_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(link_module, "_COALESCE", 30.0)  # what comes now lies unread
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        far.write(b"\x55")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x55")
        far.write(b"\x56")
        link.transmit(transmission("one", b"\x01", Method.NONE))
        assert listener.report("one").result is Result.SENT
    order = [(event.direction, event.data) for event in listener.events]
    assert order == [(Direction.HEARD, b"\x55"), (Direction.HEARD, b"\x56"), (Direction.SENT, b"\x01")]


def test_what_comes_while_a_transmission_is_under_way_is_marked_as_such() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (link, listener):
        far.write(b"\x70")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x70")
        link.transmit(transmission("one", b"\x01", timeout_ms=200.0))
        assert far.read(1) == b"\x01"
        far.write(b"\x71")  # a wrong echo
        report = listener.report("one")
        assert (report.reason, report.got) == (Reason.ECHO_WRONG, 0x71)
        far.write(b"\x72")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x70\x71\x72")
    heard = [event for event in listener.events if event.direction is Direction.HEARD]
    marks = [(event.data, event.transmission, event.fault) for event in heard]
    assert marks == [
        (b"\x70", None, None),
        (b"\x71", "one", Reason.ECHO_WRONG),
        (b"\x72", None, None),
    ]


def test_the_bytes_that_end_a_transmission_belong_to_it() -> None:
    with FarEnd() as far, Echoing(far), linked(settings(far.name)) as (link, listener):
        link.transmit(transmission("one", b"\x01\x02"))
        listener.report("one")
    last: LineEvent = listener.events[-1]
    assert last.data.endswith(b"\x02")
    assert last.transmission == "one"


# Taps and rings


@pytest.mark.parametrize("pass_on", [False, True])
def test_a_tap_never_writes_whatever_is_asked(pass_on: bool) -> None:
    with FarEnd() as far, linked(settings(far.name), writes=False, pass_on=pass_on) as (link, listener):
        for method in (Method.LOOP, Method.LOCAL, Method.NONE):
            link.transmit(transmission(method.value, b"\x01", method))
            report = listener.report(method.value)
            assert (report.result, report.reason) == (Result.REFUSED, Reason.LISTEN_ONLY)
        far.write(bytes(range(100)))
        assert wait_until(lambda: listener.data(Direction.HEARD) == bytes(range(100)))
        assert far.read_now() == b""
    assert {event.direction for event in listener.events} == {Direction.HEARD}


def test_a_tap_refuses_while_its_port_is_closed_too() -> None:
    listener = Listener()
    link = Link("hall", settings("/dev/ttyNOWHERE"), FAST, listener, writes=False)
    link.start()
    assert listener.is_down()
    link.transmit(transmission("one"))
    assert listener.report("one").reason is Reason.LISTEN_ONLY
    link.stop()


def test_frames_of_others_are_passed_on_where_we_are_a_part_of_the_ring() -> None:
    times = replace(FAST, hops=1)
    with FarEnd() as far, linked(settings(far.name), times, pass_on=True) as (_, listener):
        passed = b""
        sent = 0
        # For a drain window after opening nothing is passed on: what circulated before dies.
        for value in range(1, 200):
            sent = value
            far.write(bytes((value,)))
            assert wait_until(lambda last=value: listener.data(Direction.HEARD).endswith(bytes((last,))))  # type: ignore[misc]  # -- bound now
            passed += far.read_now()
            if len(passed) >= 50:
                break
        assert passed == bytes(range(sent + 1 - len(passed), sent + 1))
        assert wait_until(lambda: listener.data(Direction.PASSED_ON) == passed)
    assert {event.direction for event in listener.events} == {Direction.HEARD, Direction.PASSED_ON}


def test_our_own_frames_are_not_passed_on_again() -> None:
    times = replace(FAST, hops=1)
    with (
        FarEnd() as far,
        Echoing(far) as plug,
        linked(settings(far.name), times, pass_on=True) as (link, listener),
    ):
        for name in ("one", "two"):
            link.transmit(transmission(name, b"\x01\x02\x03"))
            assert listener.report(name).result is Result.CONFIRMED
        assert bytes(plug.heard) == b"\x01\x02\x03" * 2
    assert listener.data(Direction.PASSED_ON) == b""


def test_where_nothing_is_to_be_passed_on_nothing_is() -> None:
    with FarEnd() as far, linked(settings(far.name)) as (_, listener):
        far.write(b"\x01\x02")
        assert wait_until(lambda: listener.data(Direction.HEARD) == b"\x01\x02")
        assert far.read_now() == b""
