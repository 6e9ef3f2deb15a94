"""The bench in a real terminal, at 80 x 24: from three captures to a profile that check finds sound."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.tui.conftest import Desk
from tests.tui.terminal import Open

pytestmark = [pytest.mark.peer("tmux"), pytest.mark.slow]

EXAMPLES = Path(__file__).parents[1] / "data" / "captures"


def at_rest(shown: str) -> bool:
    """Whether nothing is being read."""
    return "all keys work meanwhile" not in shown


def test_from_captures_to_a_profile_without_a_site(desk: Desk, terminal: Open) -> None:
    for name in ("power-on_1.csv", "replay.csv"):
        shutil.copy(EXAMPLES / name, desk.folder / name)
    screen = terminal("bench power-on_1.csv")
    screen.until("No site: Bench", "● 4800 8N1, idle high", "4 bytes in 4 bursts", "‹A5›", holds=at_rest)
    screen.type("j")
    screen.until("4 bytes in 1 burst", "‹A5›01┈01┈02", holds=at_rest)
    screen.type("m", "Right", "Right")
    screen.until("byte 1 (A5) → byte 3 (01)", "bit times")
    screen.type("+", "+")
    screen.until("↘ falls", "▲")
    screen.type("o")
    screen.until("Open a capture", "replay.csv")
    screen.write("rep")
    screen.until("replay.csv", holds=lambda shown: "power-on_1.csv" not in shown)
    screen.type("Enter")
    screen.until("[3 replay CH1]", holds=at_rest)
    screen.type("1")
    screen.until("[1 power-on_1 CH1]", holds=at_rest)
    screen.type("v")
    screen.until("Lay over power-on_1 CH1", "replay CH1")
    screen.type("Down", "Enter")
    screen.until("= the same but for dead time: no mismatch", "replay  A5", "idle before it", holds=at_rest)
    screen.type("e")
    screen.until("verdict", "idle line", "≠")
    screen.type("e")
    screen.until("lay over", holds=lambda shown: "verdict" not in shown)
    screen.type("a")
    screen.until("Make this burst an action of", "a new profile")
    screen.type("Enter")
    screen.until("A new profile", "new-profile", "power-on")
    # However fast they are typed, each finds the cursor in the next line.
    screen.type("Enter", "Enter", "Enter")
    screen.until("profile new-profile", "[actions.power-on]")
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running
    profile = Path(desk.environment["XDG_CONFIG_HOME"]) / "linewarden" / "profiles" / "new-profile.toml"
    said = desk.run("check", str(profile))
    assert (said.code, said.out) == (0, "1 file checked: no faults\n")


def test_a_terminal_that_is_too_small_and_a_capture_that_is_none(desk: Desk, terminal: Open) -> None:
    desk.write("noise.csv", bytes(range(256)) * 10)
    shutil.copy(EXAMPLES / "power-on_1.csv", desk.folder / "power-on_1.csv")
    screen = terminal("bench noise.csv power-on_1.csv")
    screen.until("[1 noise ✗]", "it is no text", "puts it away", "2 power-on_1 CH1")
    screen.type("2")
    screen.until("‹A5›", "read as")
    screen.resize(20, 5)
    screen.until("‹A5›")
    screen.type("Down")
    screen.until("‹01›")
    screen.resize(80, 24)
    screen.until("‹01›", "read as")
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running


def test_in_a_pipe_it_says_what_else_there_is(desk: Desk) -> None:
    said = desk.run("bench", "power-on_1.csv")
    assert said.code == 2
    assert "needs a terminal" in said.err
    assert "linewarden decode" in said.err
