"""Opening ports: what can't be opened says in one line why and what to do; the rest as it should be."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller import tty_driver
from controller.ports import open_port
from tests.controller.line_ends import FarEnd, TcpServer, nothing_leaks, refusal, settings
from tests.controller.serial_server import SerialServer, quiet_about_pyserial

NOBODY = 65534


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


# What is not there, or is no port


def test_a_port_that_does_not_exist() -> None:
    assert refusal(settings("/dev/ttyNOWHERE")) == (
        "/dev/ttyNOWHERE: there is no such port; see `linewarden ports`"
    )
    assert "there is no such port" in refusal(settings("/no/such/folder/ttyS0"))
    assert "there is no such port" in refusal(settings(""))


def test_a_folder_a_file_and_a_pipe_are_no_ports_and_stay_as_they_are(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("as it was")
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    assert "is a folder and no serial port" in refusal(settings(str(tmp_path)))
    assert "is a file and no serial port" in refusal(settings(str(file)))
    assert "no serial port" in refusal(settings(str(pipe)))
    assert file.read_text() == "as it was"


def test_a_device_that_is_no_tty() -> None:
    assert refusal(settings("/dev/null")) == "/dev/null: is no serial port; see `linewarden ports`"


def test_a_name_that_no_system_can_have() -> None:
    assert "/dev/tty" in refusal(settings("/dev/tty\0x"))


@pytest.mark.parametrize(
    ("code", "what"),
    [
        (errno.ENXIO, "there is no hardware behind this port"),
        (errno.ENODEV, "there is no hardware behind this port"),
        (errno.EMFILE, "can't be opened"),
    ],
)
def test_what_a_driver_says_on_opening(monkeypatch: pytest.MonkeyPatch, code: int, what: str) -> None:
    def refuse(*_: object) -> int:
        raise OSError(code, os.strerror(code))

    with FarEnd() as far:  # a fault of hardware can't be had here
        monkeypatch.setattr("serial.serialposix.os.open", refuse)
        assert what in refusal(settings(far.name))
        monkeypatch.undo()


def test_a_tty_without_hardware_fails_when_it_is_asked_for_its_settings(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(*_: object) -> list[Any]:
        raise termios.error(errno.EIO, "Input/output error")

    with FarEnd() as far:
        monkeypatch.setattr(termios, "tcgetattr", refuse)
        assert "there is no hardware behind this port" in refusal(settings(far.name))


# Whose it is


def test_a_port_that_this_program_has_open_already() -> None:
    with FarEnd() as far:
        port = open_port(settings(far.name))
        assert refusal(settings(far.name)) == (
            f"{far.name}: is in use by this program already; give each bus a port of its own"
        )
        port.close()
        open_port(settings(far.name)).close()


HOLDS = """
import fcntl, os, sys, termios
descriptor = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
if sys.argv[2] == "flock":
    fcntl.flock(descriptor, fcntl.LOCK_EX)
else:
    fcntl.ioctl(descriptor, termios.TIOCEXCL)
print("held", flush=True)
sys.stdin.read()
"""


@pytest.mark.parametrize("how", ["flock", "TIOCEXCL"])
def test_a_port_that_another_process_holds(how: str) -> None:
    with (
        FarEnd() as far,
        subprocess.Popen(
            [sys.executable, "-c", HOLDS, far.path, how],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        ) as holder,
    ):
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        text = refusal(settings(far.name))
        assert f"{far.name}: is held by process {holder.pid} (python" in text
        assert text.endswith("; end that program first")
        holder.communicate("")
        if how == "flock":
            open_port(settings(far.name)).close()


@contextlib.contextmanager
def as_an_ordinary_user() -> Iterator[None]:
    """Root may open everything: be somebody else meanwhile."""
    root = os.geteuid() == 0
    if root:
        os.setegid(NOBODY)
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
            os.setegid(0)


def test_a_port_that_this_user_may_not_open() -> None:
    with FarEnd() as far:
        Path(far.path).chmod(0o000)
        with as_an_ordinary_user():
            assert refusal(settings(far.name)) == (
                f"{far.name}: may not be opened by this user; on most Linux systems: add the user to the "
                "group that owns the port (often `dialout`)"
            )


def test_a_port_that_the_kernel_keeps_from_others() -> None:
    with FarEnd() as far:
        Path(far.path).chmod(0o666)
        descriptor = os.open(far.path, os.O_RDWR | os.O_NOCTTY)
        with as_an_ordinary_user():
            open_port(settings(far.name)).close()
        fcntl.ioctl(descriptor, termios.TIOCEXCL)
        with as_an_ordinary_user():
            assert "is in use by this program already" in refusal(settings(far.name))
        os.close(descriptor)


def test_a_pty_is_never_marked_for_a_mark_would_outlive_a_program_that_is_killed() -> None:
    with FarEnd() as far:
        port = open_port(settings(far.name))
        descriptor = port.fileno()
        assert descriptor is not None
        assert not tty_driver.marked_as_held(descriptor)
        port.close()


def test_a_port_of_hardware_is_held_by_the_kernel_too_and_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    # Only a pty can be had here: take its major number for that of hardware.
    monkeypatch.setattr(tty_driver, "_PTY_SLAVES", range(0))
    with FarEnd() as far:
        port = open_port(settings(far.name))
        looker = os.open(far.path, os.O_RDWR | os.O_NOCTTY)
        assert tty_driver.marked_as_held(looker)
        port.close()
        assert not tty_driver.marked_as_held(looker)
        os.close(looker)


# Network ports


@quiet_about_pyserial
def test_a_serial_server_gets_line_settings_and_control_lines_as_the_site_says() -> None:
    with SerialServer() as server:
        open_port(settings(server.url, 4800.0, "7E2", dtr=False, rts=True)).close()
        log = server.device.log
        assert "4800 7E2" in log
        assert "dtr True" not in log
        assert log.index("4800 7E2") < log.index("dtr False") < log.index("rts True")


def test_an_address_at_which_nothing_answers() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    for scheme in ("socket", "rfc2217"):
        name = f"{scheme}://127.0.0.1:{port}"
        assert refusal(settings(name)) == (
            f"{name}: nothing answers at this address; look whether the serial server is on"
        )


@quiet_about_pyserial
def test_a_server_that_does_not_speak_rfc_2217() -> None:
    with TcpServer() as server:
        name = f"rfc2217://127.0.0.1:{server.port}?timeout=0.2"
        assert "what answers there does not speak RFC 2217" in refusal(settings(name))


def test_a_host_that_is_not_known(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*_: object, **__: object) -> None:
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)  # no test asks a name server
    assert "no such host is known; look at the host's name" in refusal(settings("socket://no-such-hall:4001"))


@pytest.mark.parametrize(
    ("name", "what"),
    [
        ("telegraph://hall", "is no URL that a port can have; use a path, or socket://"),
        ("://", "there is no such port"),
        ("socket://127.0.0.1", "its URL does not say where to connect to; write socket://HOST:PORT"),
        ("rfc2217://:4001", "its URL does not say where to connect to; write rfc2217://HOST:PORT"),
        ("socket://127.0.0.1:99999", "its URL does not say where to connect to"),
        ("socket://127.0.0.1:4001?bogus=1", "its URL has an option that such a port does not have"),
        ("loop://?bogus=1", "its URL has an option that such a port does not have; leave out what follows"),
        ("cp2110://0001:004a:00", "needs a package that is not installed (No module named 'hid')"),
    ],
)
def test_urls_that_can_not_be_ports(name: str, what: str) -> None:
    assert what in refusal(settings(name))
