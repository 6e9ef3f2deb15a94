"""The dashboard in a real terminal, at 80 x 24."""

from __future__ import annotations

import pytest
from rich.cells import cell_len

from tests.tui.conftest import Desk
from tests.tui.terminal import Open

pytestmark = pytest.mark.peer("tmux")


def understood(shown: str) -> bool:
    """Whether the cautions are gone."""
    return "understood" not in shown


def test_an_evening_at_the_dashboard(terminal: Open) -> None:
    screen = terminal("demo")
    screen.until("Before you switch anything", "no emergency stop")
    screen.type("Enter")
    screen.until("Stage mixer", "all well", "everything off", holds=understood)
    screen.type("2", "o")
    screen.until("power on ◉ confirmed", "power-on: confirmed", "back to the adapter")
    screen.type("F3")
    shown = screen.until("power-on → hall-amp", "A5✓ 02✓ 01✓ 03✓")
    assert "Traffic" in shown
    screen.type("Enter")
    screen.until("reconstructed", "0  1 0 1 0 0 1 0 1  1")
    screen.type("F6")
    screen.until("orders go to bus sound")
    screen.type("Down", "Enter")
    screen.until("set: cut 2")
    screen.type("F2", "2", "f")
    screen.until("the ring is open", "nothing came back", "look at", "1 alert")
    screen.type("F6")
    screen.until("orders go to bus sound")
    screen.type(*["Down"] * 5, "Enter")
    screen.until("cleared: cut 2")
    screen.type("F2", "2", "f")
    screen.until("back to the adapter", "power off ◉ confirmed", "all well")
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running


HOSTILE = """
schema = 1
name = "hostile"
title = "\\u001b[31mred \\u202eback [bold]markup[/bold] \\u0007"

[line]
baud = 9600

[confirm]
method = "none"

[states.display]
type = "enum"
values = ["\\u001b]0;owned\\u0007", "[red]x[/red]"]

[[observations]]
title = "\\u001b[2J\\u009bcleared \\u2067"
match = [{ hex = "1B" }, { field = "what", table = { "\\u001b]0;owned\\u0007" = 91, "[red]x[/red]" = 93 } }]
sets = { display = "what" }

[actions.wave]
title = "\\u001b[5mblink\\u001b[0m"
effect = "neutral"
send = [{ hex = "1B 5B 32 4A" }]
"""

HOSTILE_SITE = """
[site]
id = "larkfield-hall"
title = "\\u001b[7mLarkfield\\u202e Hall [bold]b[/bold]"

[buses.hall]
port = "sim://{profile}?units=1&topology=shared"
profile = "hostile.toml"
topology = "shared"
hears_itself = true

[units.amp]
bus = "hall"
title = "\\u0000\\u001b[31mAmp \\ud7ff 宽字符宽字符 e\\u0301\\u0301"
"""


def test_nothing_from_the_wire_or_a_file_steers_the_terminal(desk: Desk, terminal: Open) -> None:
    path = desk.write("hostile.toml", HOSTILE)
    desk.write("site.toml", HOSTILE_SITE.replace("{profile}", str(path)).replace("\\u0000", ""))
    screen = terminal("dash")
    screen.until("Before you switch anything")
    screen.type("Enter")
    shown = screen.until("␛[7mLarkfield", "␛[31mAmp", holds=understood)
    assert "[bold]b[/bold]" in shown
    screen.type("1", "Enter")
    screen.until("␛[5mblink␛[0m")
    screen.type("Enter")
    screen.until("wave")
    screen.type("F3")
    screen.until("1B✓ 5B✓ 32✓ 4A✓")
    screen.type("Enter")
    shown = screen.until("␛", "reconstructed")
    assert "\x1b" not in shown
    assert "\u202e" not in shown


ODD_SITE = """
[site]
id = "larkfield-hall"
title = "{long}"

[buses.hall]
port = "sim://pellgate-chain?units=3&topology=ring"
profile = "pellgate-chain"
topology = "ring"
units_expected = 3

[units.one]
bus = "hall"
address = 1
title = "{wide}"
[units.two]
bus = "hall"
address = 2
title = "{joined}"
[units.three]
bus = "hall"
address = 3
title = "{marked}"
"""


@pytest.mark.slow
def test_odd_names_and_a_window_that_becomes_tiny_and_large_again(desk: Desk, terminal: Open) -> None:
    text = ODD_SITE.replace("{long}", "Larkfield Hall " * 13).replace("{wide}", "宽字符" * 60)
    text = text.replace("{joined}", "👩\u200d🔧🎚\ufe0f" * 40).replace("{marked}", "e\u0301\u0327" * 60)
    desk.write("site.toml", text)
    screen = terminal("dash")
    screen.until("Before you switch anything")
    screen.type("Enter")
    before = screen.until("ring of 3", "back to the adapter", "F5 journal", holds=understood)
    screen.resize(20, 5)
    screen.until("Larkfi", "宽", holds=lambda shown: "journal" not in shown)
    screen.type("F3")
    screen.until("Traffic", holds=lambda shown: "宽" not in shown)
    screen.type("F2")
    screen.resize(200, 60)
    screen.until("back to the adapter", "mute ? unknown")
    screen.resize(80, 24)
    rows = [row for row in before.split("\n") if "power ?" in row]
    assert len(rows) == 3
    screen.until(*rows, "back to the adapter", "F5 journal")
    # The ellipses of the titles and the states behind them stand in one column, whatever the titles are.
    assert {cell_len(row.split("power")[0]) for row in rows} == {26}


@pytest.mark.slow
def test_help_says_how_to_watch_the_demos_hall_from_outside(terminal: Open) -> None:
    screen = terminal("demo")
    screen.until("Before you switch anything")
    screen.type("Enter")
    screen.until("Stage mixer", holds=understood)
    shown = ""
    while "mosquitto_sub" not in shown:  # the broker comes a moment after the first paint
        screen.type("?")
        screen.until("esc: back")
        screen.type("End")
        shown = screen.until("licensed people")
        screen.type("Escape")
        screen.until("Stage mixer", holds=lambda each: "esc: back" not in each)
    assert "homie/5/#" in shown
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running
