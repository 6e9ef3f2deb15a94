"""Open ports: bytes both ways, what they can tell, and one ``LinkLost`` whatever the driver throws."""

from __future__ import annotations

import fcntl
import os
import socket
import termios
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller import port_io
from controller.ports import Port, open_port
from profiles.errors import LinkLost
from tests.controller.line_ends import (
    FarEnd,
    TcpServer,
    nothing_leaks,
    opened,
    settings,
    wait_until,
)
from tests.controller.serial_server import SerialServer, quiet_about_pyserial


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


def read(port: Port, count: int) -> bytes:
    data = bytearray()

    def enough() -> bool:
        data.extend(port.read())
        return len(data) >= count

    wait_until(enough)
    return bytes(data)


# Bytes


def check_both_ways(port: Port, far_write: Callable[[bytes], None], far_read: Callable[[int], bytes]) -> None:
    every = bytes(range(256)) * 2
    assert port.read() == b""
    port.write(every)
    assert far_read(len(every)) == every
    far_write(every)
    assert read(port, len(every)) == every
    assert port.read() == b""


def test_a_tty_carries_every_byte_both_ways() -> None:
    with FarEnd() as far:
        port = opened(far)
        check_both_ways(port, far.write, far.read)
        port.close()


def test_a_network_port_carries_every_byte_both_ways() -> None:
    with TcpServer() as server:
        port = open_port(settings(server.url))
        peer = server.accept()

        def far_read(count: int) -> bytes:
            data = b""
            while len(data) < count:
                data += peer.recv(count)
            return data

        check_both_ways(port, peer.sendall, far_read)
        port.close()


@quiet_about_pyserial
def test_rfc2217_and_loop_carry_every_byte_there_and_back() -> None:
    every = bytes(range(256)) * 2
    with SerialServer() as server:
        for name in (server.url, "loop://"):
            port = open_port(settings(name))
            assert port.read() == b""
            port.write(every)
            assert wait_until(lambda port=port: port._device.in_waiting == len(every))  # type: ignore[misc]  # -- bound now
            assert port.read() == every  # all of it at once: such a port is only looked at now and then
            assert port.fileno() is None
            port.close()


def test_single_bytes_go_out_at_once_and_a_dead_server_is_noticed() -> None:
    with TcpServer() as server:
        port = open_port(settings(server.url))
        descriptor = port.fileno()
        assert descriptor is not None
        with socket.socket(fileno=os.dup(descriptor)) as same:
            assert same.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
            assert same.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)
            idle, interval, count = (
                same.getsockopt(socket.IPPROTO_TCP, option)
                for option in (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
            )
            assert idle + interval * count <= 15
        port.close()


@given(st.binary(min_size=1, max_size=64))
def test_msb_first_turns_each_byte_round_both_ways(data: bytes) -> None:
    turned = bytes(int(f"{value:08b}"[::-1], 2) for value in data)
    with FarEnd() as far:
        port = opened(far, bit_order="msb")
        port.write(data)
        assert far.read(len(data)) == turned
        far.write(turned)
        assert read(port, len(data)) == data
        port.close()


def test_msb_first_with_seven_data_bits_turns_seven() -> None:
    with FarEnd() as far:
        port = opened(far, frame="7E1", bit_order="msb")
        port.write(b"\x01\x40")
        assert far.read(2) == b"\x40\x01"
        port.close()


def test_what_came_before_the_port_was_opened_is_thrown_away() -> None:
    with FarEnd() as far:
        keeper = os.open(far.path, os.O_RDWR | os.O_NOCTTY)
        far.write(b"old news")
        port = opened(far)
        far.write(b"new")
        assert read(port, 3) == b"new"
        port.close()
        os.close(keeper)


def test_another_program_that_changes_how_reads_wait_does_not_look_like_a_lost_port() -> None:
    with FarEnd() as far:
        port = opened(far)
        attributes = termios.tcgetattr(far.master)
        attributes[6][termios.VMIN] = 0  # an empty read is then b"", as on a tty that has gone
        termios.tcsetattr(far.master, termios.TCSANOW, attributes)
        assert port.read() == b""
        far.write(b"\x01")
        assert read(port, 1) == b"\x01"
        far.close()
        with pytest.raises(LinkLost, match="pulled out"):
            port.read()
        port.close()


def test_a_long_message_waits_for_room_and_arrives_whole() -> None:
    message = bytes(value & 0xFF for value in range(200_000))
    got = bytearray()
    with FarEnd() as far:
        port = opened(far)
        reader = threading.Thread(target=lambda: got.extend(far.read(len(message))))
        reader.start()
        port.write(message)
        reader.join()
        port.close()
    assert bytes(got) == message


def test_an_adapter_that_stops_taking_bytes_is_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port_io, "WRITE_PATIENCE", 0.2)
    with FarEnd() as far:  # nobody reads it
        port = opened(far)
        with pytest.raises(LinkLost, match="has stopped taking bytes"):
            port.write(bytes(1_000_000))
        port.close()


def test_a_port_that_is_lost_while_a_write_waits_for_room() -> None:
    with FarEnd() as far:
        port = opened(far)
        closer = threading.Timer(0.1, far.close)
        closer.start()
        with pytest.raises(LinkLost, match="the adapter is gone"):
            port.write(bytes(1_000_000))
        closer.join()
        port.close()


# Lost ports

METHODS: dict[str, Callable[[Port], object]] = {
    "prepare": lambda port: port.prepare(),
    "fileno": lambda port: port.fileno(),
    "read": lambda port: port.read(),
    "write": lambda port: port.write(b"\x01"),
    "check": lambda port: port.check(),
    "latency": lambda port: port.latency(),
    "control_lines": lambda port: port.control_lines(),
    "counters": lambda port: port.counters(),
    "close": lambda port: port.close(),
}


def loss(port: Port, method: str) -> LinkLost | None:
    """What a method raises; anything but ``LinkLost`` goes through and fails the test."""
    try:
        METHODS[method](port)
    except LinkLost as error:
        return error
    return None


MUST_TELL = {"prepare", "read", "write", "control_lines", "counters"}
"""Those of a tty that can't but notice."""


def test_every_method_is_among_those_that_are_tried() -> None:
    assert {name for name in vars(Port) if not name.startswith("_")} == set(METHODS)


@pytest.mark.parametrize("method", METHODS)
def test_a_tty_whose_far_end_closes_raises_link_lost_and_nothing_else(method: str) -> None:
    with FarEnd() as far:
        port = opened(far)
        far.close()
        lost = loss(port, method)
        port.close()
        assert (lost is not None) == (method in MUST_TELL)
        if lost is not None:
            assert (lost.where, lost.todo) == (far.name, "look at its plug and cable")
            assert "\n" not in str(lost)


@pytest.mark.parametrize("method", METHODS)
def test_a_closed_port_raises_link_lost_and_nothing_else(method: str) -> None:
    with FarEnd() as far:
        for name in (far.name, "loop://"):
            port = open_port(settings(name))
            port.close()
            lost = loss(port, method)
            assert lost is not None or method not in {"read", "write"}
            assert lost is None or lost.where == name


def test_a_network_port_whose_server_goes_raises_link_lost_and_nothing_else() -> None:
    with TcpServer() as server:
        port = open_port(settings(server.url))
        server.accept()
        server.drop()
        # A first write may still be taken by this end's buffer.
        assert wait_until(lambda: loss(port, "write") is not None)
        lost = {method: loss(port, method) for method in METHODS}
    assert lost["read"] is not None
    assert lost["write"] is not None
    assert {e.todo for e in lost.values() if e} == {"look at the network and at the serial server"}
    assert {e.where for e in lost.values() if e} == {server.url}


@quiet_about_pyserial
def test_an_rfc2217_port_whose_server_goes_raises_link_lost_and_nothing_else() -> None:
    with SerialServer() as server:
        port = open_port(settings(server.url + "?timeout=0.2"))
        server.drop()
        assert wait_until(lambda: loss(port, "read") is not None)
        lost = {method: loss(port, method) for method in METHODS}
    assert lost["read"] is not None
    assert lost["prepare"] is not None
    assert {e.where for e in lost.values() if e} == {port.name}


def test_closing_twice_is_once() -> None:
    with FarEnd() as far:
        port = opened(far)
        port.close()
        port.close()
        open_port(settings(far.name)).close()
    assert port.fileno() is None


# A path that is turned to another device


def test_a_name_that_leads_to_another_device_by_now_is_a_lost_port(tmp_path: Path) -> None:
    name = tmp_path / "bus"
    with FarEnd(link=name) as old, FarEnd() as new:
        port = open_port(settings(str(name)))
        port.check()
        new.turn(name)
        with pytest.raises(LinkLost, match="another device has taken its name"):
            port.check()
        port.close()
        assert old.name == new.name


def test_a_name_that_is_removed_is_no_lost_port(tmp_path: Path) -> None:
    name = tmp_path / "bus"
    with FarEnd(link=name) as far:
        port = open_port(settings(str(name)))
        name.unlink()
        port.check()
        far.write(b"\x01")
        assert read(port, 1) == b"\x01"
        port.close()


# What else they tell


def test_a_pty_counts_no_line_errors_and_has_no_control_lines() -> None:
    with FarEnd() as far:
        port = opened(far)
        assert port.counters() == {}
        assert port.control_lines() == {}
        port.close()


def test_line_errors_are_told_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    # No driver here counts them. The struct is that of linux/serial.h: cts, dsr, rng, dcd, rx, tx, frame,
    # overrun, parity, brk, buf_overrun, and nine that are reserved.
    def ioctl(_: int, request: int, counts: Any) -> int:
        assert request == 0x545D  # TIOCGICOUNT, asm-generic/ioctls.h
        assert len(counts) * counts.itemsize == 80
        for place in range(20):
            counts[place] = place
        return 0

    with FarEnd() as far:
        port = opened(far)
        monkeypatch.setattr(fcntl, "ioctl", ioctl)
        counts = port.counters()
        monkeypatch.undo()
        port.close()
    assert counts == {
        "frame_errors": 6,
        "overruns": 7,
        "parity_errors": 8,
        "breaks": 9,
        "buffer_overruns": 10,
    }


def test_control_lines_are_told_by_name() -> None:
    port = open_port(settings("loop://", rts=True, dtr=False))
    assert port.control_lines() == {"cts": True, "dsr": False, "dcd": True, "ri": False}
    port.close()
