"""Groups that a site defines: shown alone, switched together, in the order that spares loudspeakers."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.records import Command, Known, Outcome, Result
from tests.tui.dashboard_bench import Bench, bench
from tui.screens.sheets import AskSheet, ChoiceSheet

AUDIO = ("mixer", "hall-amp", "foyer-amp")


async def show_audio(b: Bench) -> None:
    await b.press("g")
    await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
    await b.press("enter")
    await b.until(lambda: "group audio" in b.text("#detail"))


@pytest.mark.slow
async def test_a_group_is_shown_alone_until_all_are_wanted_again(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await show_audio(b)
        assert "Foyer amplifier" in b.words
        assert "Left blind" not in b.words
        assert "3 units: 3 unknown" in b.text("#detail")
        await b.press("escape")
        await b.until(lambda: "Left blind" in b.words)
        assert "type a unit's number" in b.text("#detail")


async def test_a_group_goes_on_with_power_amplifiers_last_and_off_with_them_first(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await show_audio(b)
        await b.press("o")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))  # the site asks for one of its units
        assert "Stage mixer, Hall amplifier, Foyer amplifier" in str(b.app.screen.query("Static")[1].render())
        await b.press("y")
        await b.until(lambda: all(b.state(unit, "power") == (True, Known.CONFIRMED) for unit in AUDIO))
        await b.until(lambda: "3 units: 3 on" in b.text("#detail"))
        await b.press("f")
        await b.until(lambda: all(b.state(unit, "power") == (False, Known.CONFIRMED) for unit in AUDIO))
        entries = await b.controller.journal(JournalQuery())
        told = [(each.command.unit, each.command.action) for each in reversed(entries)]
        assert told[:3] == [(unit, "power-on") for unit in AUDIO]
        assert {unit for unit, action in told[3:5]} == {"hall-amp", "foyer-amp"}
        assert told[5] == ("mixer", "standby")
        assert all(unit in AUDIO for unit, _ in told)


@pytest.mark.slow
async def test_who_fails_stops_those_behind(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.controller.lock("hall-amp", "Kim", "fuse")
        await show_audio(b)
        await b.press("o", "y")
        await b.until(lambda: any("stopped after 1 of 3" in said for said in b.told))
        assert any("hall-amp power-on: refused (locked)" in said for said in b.told)
        entries = await b.controller.journal(JournalQuery())
        assert [each.outcome.result for each in entries if each.outcome] == [Result.REFUSED, Result.CONFIRMED]
        assert b.state("foyer-amp", "power") == (None, Known.UNKNOWN)


async def test_a_group_that_goes_on_goes_no_further_once_everything_is_off(tmp_path: Path) -> None:
    """Over a slow line an outcome reaches the screen only after F9: nothing may go on because of it."""
    async with bench(tmp_path) as b:
        submit, slow = b.controller.submit, asyncio.Event()

        async def late(command: Command) -> Outcome:
            outcome = await submit(command)
            if (command.unit, command.action) == ("mixer", "power-on"):
                await slow.wait()
            return outcome

        b.controller.submit = late  # type: ignore[method-assign]  # -- a line's delay, at a chosen place
        await show_audio(b)
        await b.press("o", "y")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.press("f9")
        await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        slow.set()
        await b.until(
            lambda: any("audio: stopped after 1 of 3: it was switched off" in said for said in b.told)
        )
        told = [
            (each.command.unit, each.command.action) for each in await b.controller.journal(JournalQuery())
        ]
        assert [unit for unit, action in told if action == "power-on"] == ["mixer"]


@pytest.mark.slow
async def test_a_group_is_locked_and_freed_as_one(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await show_audio(b)
        await b.press("l", "enter", *"fuse", "enter")
        await b.until(lambda: b.words.count("locked by Ada") == 3)
        assert "locked by Ada: fuse" in b.text("#detail")
        await b.press("u", "enter")
        await b.until(lambda: "locked by" not in b.words)


@pytest.mark.slow
async def test_a_unit_that_is_selected_takes_the_orders(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await show_audio(b)
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        assert b.state("hall-amp", "power") == (None, Known.UNKNOWN)


@pytest.mark.slow
async def test_the_palette_switches_groups_and_buses_off(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        commands = {each.title: each for each in b.app.get_system_commands(b.app.screen)}
        await b.press("2", "o")
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        commands["Group audio: off"].callback()
        await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        assert {"Group audio: on", "Bus sound: off", "Bus screen: off"} <= commands.keys()
