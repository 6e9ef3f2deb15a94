"""``dash --broker`` in a real terminal, with Mosquitto and two ``linewarden run`` behind it."""

from __future__ import annotations

import shlex
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.peers.mosquitto import Mosquitto
from tests.tui.conftest import Desk, Program
from tests.tui.remote.two_sites import HALL, MILL
from tests.tui.terminal import Terminal

pytestmark = [
    pytest.mark.peer("tmux", "mosquitto"),
    pytest.mark.slow,
    pytest.mark.timeout(180),
]

Open = Callable[[str], Terminal]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """Mosquitto, open to everybody on loopback."""
    with Mosquitto(tmp_path / "mosquitto") as found:
        yield found


@pytest.fixture
def terminal(desk: Desk) -> Iterator[Open]:
    """Opens a command in a terminal, which stays for a while after it."""
    opened: list[Terminal] = []

    def start(words: str) -> Terminal:
        command = f"{shlex.quote(sys.executable)} -m tui.cli {words}; echo ended with $?; sleep 60"
        opened.append(Terminal(command, desk.folder, desk.environment, (80, 24)))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


def _controller(desk: Desk, broker: Mosquitto, name: str, text: str) -> Program:
    desk.write(f"{name}.toml", f'{text}\n[mqtt]\nbroker = "mqtt://127.0.0.1:{broker.port}"\n')
    program = desk.start("run", "--site", f"{name}.toml", "--state", name)
    program.until("running")
    return program


def test_a_bad_evening_behind_a_broker(desk: Desk, broker: Mosquitto, terminal: Open) -> None:
    _controller(desk, broker, "hall", HALL)
    mill = _controller(desk, broker, "mill", MILL)
    screen = terminal(f"dash --broker mqtt://127.0.0.1:{broker.port}")
    screen.until("Before you switch anything")
    screen.type("Enter")
    screen.until("2 sites at", "larkfield/sound  ring of 2", "mill/sound  ring of 2", "Mill House answers in")
    screen.type("1", "o")
    screen.until("power on ◉ confirmed", "power-on: confirmed", "command ")
    screen.type("F3")
    screen.until("Traffic")
    screen.type("F5")
    screen.until("Journal: local only.", "linewarden journal")
    screen.type("F2")
    # The mill's controller dies.
    mill.end(signal.SIGKILL)
    shown = screen.until("Mill House is lost", "controller lost: nothing is known any more", "since")
    assert "look at the controller's machine" in shown
    assert "power on ◉ confirmed" in shown
    screen.type("X")
    screen.until("2 of 4 orders", "power off ◉ confirmed")
    # Then the broker.
    broker.kill()
    screen.until("broker out of reach", "trying again", "was off")
    screen.type("1", "o")
    screen.until("not sent: the broker is out of reach")
    broker.start()
    shown = screen.until("Mill House is not there", "power off ◉ confirmed", "broker has no word of it")
    assert "out of reach: nothing is known" not in shown
    screen.type("C-q")
    assert "ended with 0" in screen.until("ended with 0")


def test_a_broker_that_is_not_there_is_said_in_a_line(broker: Mosquitto, terminal: Open) -> None:
    broker.kill()
    screen = terminal(f"dash --broker mqtt://127.0.0.1:{broker.port}")
    shown = screen.until("ended with 1")
    assert "the broker can't be reached" in shown
    assert "Traceback" not in shown


def test_no_plain_text_beyond_this_machine(terminal: Open) -> None:
    shown = terminal("dash --broker mqtt://broker.example").until("ended with 2")
    assert "without TLS" in shown
