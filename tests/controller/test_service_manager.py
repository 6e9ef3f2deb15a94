"""What a service manager is told: checked against a socket of our own, as systemd would hold it."""

from __future__ import annotations

import logging
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.service_manager import PriorityFormatter, ServiceManager, reads_our_errors

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="there are no such sockets here")


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as found:
        found.bind(str(tmp_path / "notify"))
        found.settimeout(5)
        yield found


def told(listening: socket.socket) -> dict[str, str]:
    """One message, as sd_notify(3) has it: assignments, one a line."""
    return dict(line.split("=", 1) for line in listening.recv(4096).decode().splitlines())


def test_it_is_told_what_sd_notify_knows(listening: socket.socket) -> None:
    environment = {"NOTIFY_SOCKET": listening.getsockname(), "HOME": "/"}
    manager = ServiceManager(environment)
    assert environment == {"HOME": "/"}  # no child process speaks for us
    assert manager.listens
    assert manager.sign_every is None
    manager.ready("2 of 2\nbuses up")
    assert told(listening) == {"READY": "1", "STATUS": "2 of 2 buses up"}
    manager.reloading(123)
    assert told(listening) == {"RELOADING": "1", "MONOTONIC_USEC": "123"}
    manager.alive()
    assert told(listening) == {"WATCHDOG": "1"}
    manager.status("well")
    assert told(listening) == {"STATUS": "well"}
    manager.stopping()
    assert told(listening)["STOPPING"] == "1"
    manager.close()
    manager.alive()
    assert not manager.listens


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has an abstract space for sockets")
def test_a_name_in_the_abstract_space() -> None:
    name = f"linewarden-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind("\0" + name)
        listening.settimeout(5)
        manager = ServiceManager({"NOTIFY_SOCKET": "@" + name})
        manager.alive()
        assert listening.recv(100) == b"WATCHDOG=1"
        manager.close()


@pytest.mark.parametrize(
    ("span", "whose", "every"),
    [
        ("30000000", "", 10.0),
        ("30000000", "77", 10.0),
        ("30000000", "78", None),  # sd_watchdog_enabled(3): another process is meant
        ("0", "", None),
        ("soon", "", None),
        ("", "", None),
    ],
)
def test_how_often_a_sign_of_life_is_wanted(
    span: str, whose: str, every: float | None, listening: socket.socket
) -> None:
    environment = {"NOTIFY_SOCKET": listening.getsockname(), "WATCHDOG_USEC": span, "WATCHDOG_PID": whose}
    manager = ServiceManager(environment, process=77)
    assert manager.sign_every == every
    manager.close()


@pytest.mark.parametrize("address", ["", "relative", "vsock:2:1234"])
def test_without_one_nothing_is_done(address: str) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"})
    manager.ready("well")
    assert (manager.listens, manager.sign_every) == (False, None)


def test_one_that_has_gone_is_told_in_the_log(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    manager.alive()
    manager.close()
    assert "can't be told WATCHDOG=1" in caplog.text


def test_every_line_has_its_priority() -> None:
    # RFC 5424, table 2: 2 critical, 3 error, 4 warning, 6 informational, 7 debug.
    formatter = PriorityFormatter("%(name)s: %(message)s")
    for level, number in [(50, 2), (40, 3), (30, 4), (20, 6), (10, 7), (35, 4)]:
        record = logging.LogRecord("hall", level, "", 0, "one\ntwo", None, None)
        assert formatter.format(record) == f"<{number}>hall: one\n<{number}>two"
    try:
        raise ValueError("no")
    except ValueError:
        record = logging.LogRecord("hall", logging.ERROR, "", 0, "a fault", None, sys.exc_info())
    lines = formatter.format(record).splitlines()
    assert len(lines) > 2
    assert all(line.startswith("<3>") for line in lines)


def test_whether_errors_go_to_the_journal(tmp_path: Path) -> None:
    with (tmp_path / "errors").open("w") as errors:
        found = os.fstat(errors.fileno())
        theirs = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
        assert reads_our_errors(theirs, errors.fileno()) == (sys.platform == "linux")
        assert not reads_our_errors({"JOURNAL_STREAM": "1:2"}, errors.fileno())
        assert not reads_our_errors({}, errors.fileno())
