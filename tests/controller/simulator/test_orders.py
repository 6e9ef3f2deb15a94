"""The grammar of orders."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.faults import FAULT_KINDS
from controller.simulator.orders import HELP, Clear, Lead, Press, SetControlLine, parse_order
from profiles.errors import InputError, LinewardenError
from tests.controller.simulator.benches import line


def test_orders_are_read_as_they_are_written() -> None:
    assert parse_order("press 1 power-on") == Press(1, "power-on")
    assert parse_order("  press  2 set-volume   level=12 ") == Press(2, "set-volume", (("level", "12"),))
    assert parse_order("lead 1 set-volume to 3 level=4") == Lead(1, "set-volume", 3, (("level", "4"),))
    assert parse_order("line cts on") == SetControlLine("cts", True)
    assert parse_order("plug") == Clear("unplug")
    assert parse_order("clear noise") == Clear("noise")
    assert parse_order("clear cut 2") == Clear(parse_order("cut 2"))  # type: ignore[arg-type]  # -- a fault


@pytest.mark.parametrize(
    "order",
    [
        "cut 2", "no-mains 1", "corrupt 5", "corrupt 5 every at 2 xor 8F", "drop 3 every", "double 1 at 0",
        "delay 2 50ms", "delay 2 1500us every at 1", "noise 0.01", "noise 0.25 at 2 seed 7", "slow 2 8ms",
        "slow 1 2s",
        "talker 2 55", "talker 2 55 late 400us", "refuse 1", "refuse 1 status code=3", "unplug", "saturate 4",
        "press 1 power-on", "press 1 set-volume level=3", "lead 1 standby to 2", "clear all", "clear cut 2",
        "line ri off", "show", "help",
    ],
)  # fmt: skip
def test_an_order_is_printed_as_it_was_written(order: str) -> None:
    assert str(parse_order(order)) == order


@pytest.mark.parametrize(
    ("order", "word"),
    [
        ("", "the order is empty"),
        ("cutt 2", "did you mean `cut K`"),
        ("cut", "the unit is missing; write `cut K`"),
        ("cut two", "the unit must be a whole number from 0 up, not 'two'"),
        ("no-mains 0", "from 1 up"),
        ("cut 2 now", "'now' is too much"),
        ("drop 0", "the frame must be a whole number from 1 up"),
        ("corrupt 1 xor zz", "hexadecimal"),
        ("corrupt 1 xor 00", "changes nothing"),
        ("delay 1", "the delay is missing"),
        ("delay 1 8", "must be a time such as 8ms"),
        ("slow 1 2h", "must be a time such as 8ms"),
        ("slow 1 999999s", "an hour at most"),
        ("noise 1.5", "from 0 to 1"),
        ("noise nan", "from 0 to 1"),
        ("talker 1 5566", "one frame at a time"),
        ("refuse 1 status code", "name=value"),
        ("press 1", "the action is missing"),
        ("press 1 set-volume level=1 level=2", "given twice"),
        ("line cts maybe", "on or off"),
        ("line xyz on", "cts or dsr or dcd or ri"),
        ("clear everything", "is no fault"),
        ("clear cut two", "the unit must be"),
    ],
)
def test_a_wrong_order_says_what_is_wrong_and_how_it_is_written(order: str, word: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_order(order)
    assert word in str(caught.value)


@given(text=st.text(max_size=40) | st.builds(" ".join, st.lists(st.sampled_from(
    ["cut", "drop", "press", "clear", "noise", "1", "2", "-1", "at", "every", "xor", "8ms", "a=b", "²", "to"]
), max_size=6)))  # fmt: skip
def test_whatever_is_written_gives_an_order_or_one_of_our_own_errors(text: str) -> None:
    simulated = line()
    try:
        said = simulated.order(text, 0.0)
    except LinewardenError as error:
        said = str(error)
    assert said


def test_help_tells_of_every_fault_and_order() -> None:
    for word in (*FAULT_KINDS, "press", "lead", "clear", "plug", "line", "show"):
        assert any(usage.startswith(word) for usage in HELP.splitlines()), word
    assert line().order("help", 0.0) == HELP
    # It is read in a terminal of 80 columns, and on a screen there with a margin and a scroll bar.
    assert max(len(each) for each in HELP.splitlines()) <= 75


def test_an_order_to_control_lines_is_refused_where_there_are_none() -> None:
    with pytest.raises(InputError, match="none with control lines"):
        line().order("line cts on", 0.0)
