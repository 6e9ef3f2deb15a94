"""``linewarden run`` as a service: a real process, real signals, and a socket where systemd's would be."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.tui.conftest import Desk, Program
from tui.arguments import build_parser
from tui.unit_file import unit_file

pytestmark = pytest.mark.skipif(os.name != "posix", reason="there are no such signals and sockets here")


class Manager:
    """The service manager's end."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._socket.settimeout(20)
        self.address = str(path)

    def until(self, part: str) -> list[str]:
        """All messages up to the one that has ``part`` in it."""
        found: list[str] = []
        while not found or part not in found[-1]:
            found.append(self._socket.recv(4096).decode())
        return found

    def count(self, message: str, seconds: float) -> int:
        """How often a message comes within so many seconds."""
        self._socket.settimeout(seconds)
        found = 0
        try:
            while True:
                found += self._socket.recv(4096).decode() == message
        except TimeoutError:
            return found
        finally:
            self._socket.settimeout(20)

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(desk: Desk) -> Iterator[Manager]:
    found = Manager(desk.folder / "notify")
    desk.environment["NOTIFY_SOCKET"] = found.address
    yield found
    found.close()


SITE = """
[site]
id = "larkfield-hall"
title = "Larkfield Hall"
[buses.hall]
port = "sim://pellgate-chain?units=2"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2
[units.mixer]
bus = "hall"
address = 1
"""


def started(desk: Desk) -> Program:
    program = desk.start("run", "--state", "state")
    program.until("running; nothing was sent")
    return program


@pytest.mark.slow
def test_it_is_ready_when_its_ports_are_open_and_says_goodbye(desk: Desk, manager: Manager) -> None:
    desk.write("site.toml", SITE)
    program = started(desk)
    assert manager.until("READY=1")[-1] == "READY=1\nSTATUS=1 of 1 buses up"
    assert desk.run("act", "mixer", "standby", "--state", "state").code == 0
    assert program.end(signal.SIGTERM) == 0
    assert "STOPPING=1" in manager.until("STOPPING=1")[-1]


@pytest.mark.slow
def test_signs_of_life_come_as_often_as_they_are_wanted(desk: Desk, manager: Manager) -> None:
    desk.environment["WATCHDOG_USEC"] = "300000"
    desk.write("site.toml", SITE)
    program = started(desk)
    manager.until("READY=1")
    assert sum("WATCHDOG=1" in manager.until("WATCHDOG=1")[-1] for _ in range(5)) == 5
    # Stopped, it gives none: nothing in it gives them in place of those that have stopped.
    os.kill(program.pid, signal.SIGSTOP)
    manager.count("WATCHDOG=1", 0.2)
    assert manager.count("WATCHDOG=1", 0.4) == 0
    os.kill(program.pid, signal.SIGCONT)
    manager.until("WATCHDOG=1")


def test_the_site_file_is_taken_anew_and_a_faulty_one_changes_nothing(desk: Desk, manager: Manager) -> None:
    desk.write("site.toml", SITE)
    program = started(desk)
    manager.until("READY=1")

    def hang_up() -> list[str]:
        os.kill(program.pid, signal.SIGHUP)
        messages = manager.until("READY=1")
        assert any(re.fullmatch(r"RELOADING=1\nMONOTONIC_USEC=\d+", message) for message in messages)
        return messages

    second = SITE.split("[buses.hall]")[1].replace("mixer", "screen").replace('"hall"', '"lobby"')
    desk.write("site.toml", SITE + "[buses.lobby]" + second.replace("[site]", ""))
    assert "READY=1\nSTATUS=2 of 2 buses up" in hang_up()[-1]
    assert "opened: lobby" in program.until("taken anew")
    assert desk.run("act", "screen", "standby", "--state", "state").code == 0

    desk.write("site.toml", SITE.replace('topology = "ring"', 'topology = "round"'))
    assert "1 alert, the oldest of site" in hang_up()[-1]
    assert "nothing was changed" in program.until("was not taken")
    # The alert says the line and what to put there, and then where to look.
    alert = program.until("alert: site")
    assert "site.toml:" in alert
    assert alert.endswith("; look at the site file: `linewarden check` lists all its faults")
    # The file is faulty, so commands can't read it either; the controller goes on all the same.
    desk.write("good.toml", SITE)
    desk.write("site.toml", SITE)
    assert "STATUS=1 of 1 buses up" in hang_up()[-1]
    assert "closed: lobby" in program.until("taken anew")
    assert desk.run("act", "mixer", "standby", "--state", "state").code == 0
    assert program.end() == 0


@pytest.mark.slow
def test_what_is_logged_has_priorities_where_the_journal_reads_it(desk: Desk) -> None:
    desk.write("site.toml", SITE.replace("sim://pellgate-chain?units=2", "/dev/no-such-port"))
    with (desk.folder / "errors").open("w") as errors:
        found = os.fstat(errors.fileno())
        desk.environment["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
        program = desk.start("run", "--state", "state", errors=errors)
        program.until("running")
        assert program.end() == 0
    lines = (desk.folder / "errors").read_text().splitlines()
    assert any(line.startswith("<4>linewarden: alert: hall: the adapter is not there") for line in lines)
    assert all(re.match(r"<[2-7]>", line) for line in lines)


def test_the_unit_file_calls_what_there_is(desk: Desk) -> None:
    said = desk.run("run", "--unit-file")
    assert said.code == 0
    assert said.out == unit_file()
    keys = dict(line.split("=", 1) for line in said.out.splitlines() if re.match(r"[A-Z]\w+=", line))
    assert "@LINEWARDEN@" not in said.out
    program, *words = keys["ExecStart"].replace("%i", "larkfield").split()
    assert Path(program).exists()
    arguments = build_parser().parse_args([word for word in words if word not in ("-m", "tui.cli")])
    assert arguments.module == "tui.commands.run"
    assert (arguments.site, arguments.state) == (
        "/etc/linewarden/larkfield.toml",
        "/var/lib/linewarden/larkfield",
    )
    assert keys["Type"] == "notify"
    assert keys["StateDirectoryMode"] == "0700"
    assert int(keys["WatchdogSec"]) > 10  # longer than a link's thread may be silent


@pytest.mark.peer("systemd-analyze")
@pytest.mark.parametrize(
    ("key", "wrong"),
    [("WatchdogSec=", False), ("WatchdogSeconds=", True), ("WatchdogSec=soon", True)],
    ids=["as_it_is", "unknown_key", "no_time"],
)
def test_systemd_finds_nothing_wrong_with_the_unit_file(desk: Desk, key: str, wrong: bool) -> None:
    """Judged by systemd itself; what is wrong on purpose it does find (systemd-analyze(1), verify)."""
    path = desk.write("linewarden@larkfield.service", unit_file().replace("WatchdogSec=", key))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(path)], capture_output=True, text=True, check=False
    )
    if wrong:
        assert f"{path.name}:" in done.stderr
    else:
        assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.slow
def test_locks_that_stand_are_in_the_log_and_in_the_status_after_a_restart(
    desk: Desk, manager: Manager
) -> None:
    desk.write("site.toml", SITE.replace("units_expected", "pass_on = true\nunits_expected"))
    said = desk.run("lock", "mixer", "--who", "Ada", "--why", "new fuse", "--state", "state")
    assert "It stops our own commands only" in said.out
    assert "On hall pass_on is set" in said.out
    program = desk.start("run", "--state", "state")
    program.until("locked: mixer, by Ada: new fuse")
    assert manager.until("READY=1")[-1] == "READY=1\nSTATUS=1 of 1 buses up; locked: mixer"
    assert program.end() == 0


@pytest.mark.slow
def test_it_ends_though_a_port_takes_long_to_open(desk: Desk) -> None:
    """A server whose queue is full: a connection to it takes until it is given up."""
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        for _ in range(3):
            waiting = stack.enter_context(socket.socket())
            waiting.setblocking(False)
            waiting.connect_ex(server.getsockname())
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        desk.write("site.toml", SITE.replace("sim://pellgate-chain?units=2", port))
        program = desk.start("run", "--state", "state")
        while not list(desk.folder.glob("state/controller.socket")):
            time.sleep(0.05)
        assert program.end(signal.SIGTERM) == 0
        said = program.soon(0.0)
    assert "ended" in said
    assert "running" not in said
