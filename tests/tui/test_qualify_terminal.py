"""``linewarden qualify`` in a real terminal: it asks, shows where it is, and ends in order on Ctrl-C."""

from __future__ import annotations

import json
import shlex
import sys
from collections.abc import Iterator

import pytest

from tests.tui.conftest import Desk
from tests.tui.terminal import Terminal

pytestmark = [pytest.mark.peer("tmux"), pytest.mark.slow]


@pytest.fixture
def screen(desk: Desk) -> Iterator[Terminal]:
    """A shell's place: the command runs, and what it said stays."""
    desk.chain(units=1)
    words = "qualify unit-1 --cycles 30 --on-for 4 --off-for 0.1 -o report.html"
    command = f"trap : INT; {shlex.quote(sys.executable)} -m tui.cli {words}; echo ended $?; sleep 60"
    terminal = Terminal(f"sh -c {shlex.quote(command)}", desk.folder, desk.environment, (100, 24))
    yield terminal
    terminal.close()


def test_no_sends_nothing(desk: Desk, screen: Terminal) -> None:
    screen.until("Unit 1 will be switched on and off 30 times", "Begin? (yes or no)")
    screen.type("n", "o", "Enter")
    screen.until("nothing was done", "ended 2")
    assert not (desk.folder / "report.html").exists()
    assert desk.run("journal", "--json").document == []


def test_yes_shows_where_it_is_and_ctrl_c_ends_it(desk: Desk, screen: Terminal) -> None:
    screen.until("Begin? (yes or no)")
    screen.type("y", "e", "s", "Enter")
    screen.until("0 of 30 cycles; power-on: confirmed")
    screen.type("C-c")
    shown = screen.until("unit-1: incomplete: ended after 0 of 30 cycles: it was stopped", "ended 1")
    assert "left false (confirmed)" in shown
    assert json.loads((desk.folder / "report.json").read_text())["complete"] is False
