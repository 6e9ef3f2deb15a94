"""An action added and used by a person at a real terminal of 80 x 24."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterator

import pytest

from tests.tui.conftest import Desk
from tests.tui.terminal import Terminal

pytestmark = [pytest.mark.peer("tmux"), pytest.mark.slow]


@pytest.fixture
def screen(desk: Desk) -> Iterator[Terminal]:
    opened = Terminal(
        f"{shlex.quote(sys.executable)} -m tui.cli demo", desk.folder, desk.environment, (80, 24)
    )
    yield opened
    opened.close()


def row(screen: Terminal) -> str:
    """The line that the cursor is in."""
    return screen._tmux("display-message", "-p", "#{cursor_y}")


def fill(screen: Terminal, word: str) -> None:
    """Write a word into a form's line, and go on to the next line."""
    before = row(screen)
    screen.write(word)
    screen.until(word)
    screen.type("Enter")
    screen.until(holds=lambda _: row(screen) != before)


def test_an_action_is_added_from_what_was_seen_and_used(desk: Desk, screen: Terminal) -> None:
    screen.until("Before you switch anything")
    screen.type("Enter")
    screen.until("Stage mixer", "all well", holds=lambda shown: "understood" not in shown)
    # Something to be seen on the wire, and made an action of.
    screen.type("2", "o")
    screen.until("power-on: confirmed")
    screen.type("F3")
    screen.until("power-on → hall-amp", "a new action")
    screen.type("a")
    screen.until("A new action", "A5 02 01 03", "knows it already: power-on")
    fill(screen, "wake")
    fill(screen, "Wake up")
    screen.until("[actions.wake]", "not saved", "says the same bytes as power-on")
    # Its order becomes another one: the text is edited as any text is, and so is the evidence.
    screen.type("Down", "Down", "Down", "Down", "End")
    screen.type(*["BSpace"] * len('1" }, { check = "sum-8", from = 1 }]'))
    screen.until('{ address = 1 }, { hex = "0', "is no TOML")
    screen.write('4" }, { check = "sum-8", from = 1 }]')
    screen.until("wake to Stage mixer (address 1) would send", "A5 01 04 05", "evidence[4]")
    screen.type("C-g")
    screen.until('bytes = "A5 02 01 03"', ", evidence   came")
    screen.type("End", *["BSpace"] * len('01 03"'))
    screen.write('04 06"')
    screen.until("● not saved   ✓ no faults")
    # Leaving asks, and the text waits.
    screen.type("Escape")
    screen.until("Leave pellgate-chain without saving?")
    screen.type("n")
    screen.until("● not saved   ✓ no faults", holds=lambda shown: "without saving?" not in shown)
    screen.type("C-s")
    screen.until("Save pellgate-chain?", "+[actions.wake]")
    screen.type("y")
    screen.until("saved   ✓ no faults", holds=lambda shown: "not saved" not in shown)
    screen.type("F2")
    screen.until("X everything off", "back to the adapter")
    screen.type("1")
    screen.until("1  Stage mixer")
    screen.type("Enter")
    screen.until("Stage mixer: what it can be told")
    screen.type("End")
    screen.until("Wake up  may energise")
    screen.type("Enter")
    screen.until("wake: confirmed")
    screen.type("F3")
    shown = screen.until("wake → mixer", "A5✓ 01✓ 04✓ 05✓")
    assert "? not in the profile" not in shown


def test_edit_save_and_use(desk: Desk, screen: Terminal) -> None:
    screen.until("Before you switch anything")
    screen.type("Enter")
    screen.until("Stage mixer", "all well", holds=lambda shown: "understood" not in shown)
    screen.type("F4")
    screen.until("● pellgate-chain", "came with Linewarden", "modbus-relay")
    screen.type("Enter")
    screen.until("✓ no faults", "schema = 1")
    screen.type("C-n")
    screen.until("Put into the profile")
    screen.type("Enter")
    screen.until("A new action")
    fill(screen, "say-hello")
    fill(screen, "Say hello")
    fill(screen, "A5 01 60 61")
    screen.until("[actions.say-hello]", "say-hello to Stage mixer (address 1) would send", "A5 01 60 61")
    screen.type("C-s")
    screen.until("Save pellgate-chain?", "+[actions.say-hello]", "one of your own", "y saves")
    screen.type("y")
    screen.until("saved   ✓ no faults", holds=lambda shown: "not saved" not in shown)
    own = desk.folder / "home" / "config" / "linewarden" / "profiles" / "pellgate-chain"
    assert "[actions.say-hello]" in (own / "pellgate-chain.toml").read_text("utf-8")
    screen.type("F3")
    screen.until("Traffic", "0 sayings")  # nothing was sent by saving
    screen.type("F2")
    screen.until("X everything off", "back to the adapter")
    screen.type("3")
    screen.until("3  Foyer amplifier")
    screen.type("Enter")
    screen.until("Foyer amplifier: what it can be told")
    screen.type("End")
    screen.until("Say hello  may energise")
    screen.type("Enter")
    screen.until("Foyer amplifier: Say hello?")
    screen.type("y")
    screen.until("say-hello: confirmed")
    screen.type("F3")
    screen.until("say-hello → foyer-amp", "A5✓ 03✓ 60✓ 63✓")
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running
