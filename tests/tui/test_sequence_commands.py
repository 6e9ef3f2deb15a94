"""``linewarden sequence`` and ``triggers`` as a person calls them, on a chain behind a real pty."""

from __future__ import annotations

import pytest

from tests.tui.conftest import Desk

MORE = """
[sequences.evening]
title = "Evening"
up = [
    { unit = "unit-1", action = "power-on" },
    { wait_s = 0.1 },
    { unit = "unit-2", action = "power-on" },
]

[sequences.slow]
up = [{ wait_s = 60 }, { unit = "unit-1", action = "power-on" }]

[triggers.night]
title = "Night"
when = { at = "23:30", days = ["fri", "sat"], zone = "Europe/London" }
on = { off = "all" }
"""


@pytest.fixture
def hall(desk: Desk) -> Desk:
    """A chain of two, with sequences and a trigger."""
    desk.chain(units=2)
    site = desk.folder / "site.toml"
    site.write_text(site.read_text() + MORE)
    return desk


def test_a_sequence_tells_each_step_and_its_end(hall: Desk) -> None:
    said = hall.run("sequence", "evening", "start")
    assert (said.code, said.err) == (0, "")
    assert said.out.splitlines() == [
        "done      unit-1 power-on",
        "done      wait 0.1 s",
        "done      unit-2 power-on",
        "evening up: done",
    ]
    told = hall.run("sequence", "evening", "stop", "--json").document
    assert (told["direction"], told["phase"]) == ("down", "done")
    assert [step["words"] for step in told["steps"]] == ["unit-2 standby", "wait 0.1 s", "unit-1 standby"]


@pytest.mark.slow
def test_what_there_is_can_be_read(hall: Desk) -> None:
    listed = hall.run("sequence")
    assert listed.code == 0
    assert [line.split()[0] for line in listed.out.splitlines()] == ["SEQUENCE", "evening", "slow"]
    shown = hall.run("sequence", "evening").out
    assert "up (stop where a step fails)\n  unit-1 power-on\n" in shown
    assert "down (go-on where a step fails)\n  unit-2 standby\n" in shown
    triggers = hall.run("triggers")
    assert triggers.out.splitlines() == [
        "night: Night",
        "  waits for  23:30:00, fri sat, Europe/London",
        "  does       everything off",
    ]
    assert hall.run("triggers", "--json").document[0]["source"] == "time"


@pytest.mark.slow
def test_a_sequence_goes_on_in_the_running_controller_and_is_cancelled_there(hall: Desk) -> None:
    controller = hall.start("run")
    controller.until("nothing was sent")
    follows = hall.start("sequence", "slow", "start")
    while '"running"' not in hall.run("sequence", "slow", "--json").out:
        pass
    assert "on its way: slow up, begun by command line" in hall.run("status").out
    refused = hall.run("sequence", "evening", "start")
    assert refused.code == 1
    assert refused.err.startswith("linewarden: evening up: refused: slow is on its way up on bus")
    cancelled = hall.run("sequence", "slow", "cancel")
    assert (cancelled.code, cancelled.err) == (0, "")
    assert follows.end_of_itself() == 1


@pytest.mark.slow
def test_a_step_that_fails_ends_with_one_and_says_why(hall: Desk) -> None:
    hall.run("lock", "unit-2", "--why", "new fuse", "--who", "Kim")
    said = hall.run("sequence", "evening", "start")
    assert said.code == 1
    assert "failed    unit-2 power-on: unit-2 is under a service lock of Kim: new fuse" in said.out
    assert said.err.startswith("linewarden: evening up: failed: unit-2 power-on: ")
    assert len(said.err.splitlines()) == 1


@pytest.mark.slow
def test_what_asks_first_wants_a_yes(hall: Desk) -> None:
    site = hall.folder / "site.toml"
    site.write_text(site.read_text().replace("address = 2", "address = 2\nask_before_energise = true"))
    refused = hall.run("sequence", "evening", "start")
    assert refused.code == 1
    assert "unit-2 asks before it is energised, and nobody was asked" in refused.err
    assert hall.run("act", "unit-2", "power-on", "--json").document["reason"] == "not-agreed"
    assert hall.run("act", "unit-2", "power-on", "--yes").code == 0
    assert hall.run("sequence", "evening", "stop").code == 0
    assert hall.run("sequence", "evening", "start", "--yes").code == 0


@pytest.mark.slow
def test_wrong_names_are_told(hall: Desk) -> None:
    for arguments in (("sequence", "evning", "start"), ("sequence", "evning")):
        said = hall.run(*arguments)
        assert said.code == 2
        assert "no sequence is called 'evning'" in said.err


@pytest.mark.slow
def test_a_running_controller_tells_what_the_site_warns_of(hall: Desk) -> None:
    site = hall.folder / "site.toml"
    text = site.read_text().replace("address = 1", 'address = 1\nrole = "power-amplifier"')
    site.write_text(text.replace("address = 2", 'address = 2\nrole = "source"'))
    controller = hall.start("run")
    told = controller.until("evening.up[2]")
    assert "unit-2 (source) comes on after unit-1, a power amplifier" in told
    checked = hall.run("check", "site.toml")
    assert "unit-2 (source) comes on after unit-1, a power amplifier" in checked.out + checked.err
