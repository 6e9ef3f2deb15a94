"""The dashboard by its keys, on the simulated hall: a real controller, real lines, no terminal."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual.widgets import OptionList, Static

from controller.records import Command, Known, Origin, OriginKind
from tests.tui.dashboard_bench import bench
from tui.screens.cautions import CautionsScreen
from tui.screens.help import HelpScreen
from tui.screens.sheets import ActionForm, AskSheet
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen
from tui.widgets.traffic_view import TrafficView


async def test_a_unit_is_switched_on_with_two_keys(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "o")
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        await b.until(lambda: "power on ◉ confirmed" in b.words)
        assert "power-on: confirmed" in b.text("#detail")
        await b.press("f")
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))


async def test_the_cautions_come_first_and_help_has_them(tmp_path: Path) -> None:
    async with bench(tmp_path, cautions=True) as b:
        assert isinstance(b.app.screen, CautionsScreen)
        await b.press("enter")
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        await b.press("question_mark")
        await b.until(lambda: isinstance(b.app.screen, HelpScreen))
        said = " ".join(str(static.render()) for static in b.app.screen.query(Static))
        assert "everything off" in said
        assert "no emergency stop" in said
        await b.press("escape")
        assert isinstance(b.app.screen, UnitsScreen)


async def test_what_energises_asks_where_the_site_says_so(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("3", "o")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        assert b.state("foyer-amp", "power") == (None, Known.UNKNOWN)
        await b.press("o", "y")
        await b.until(lambda: b.state("foyer-amp", "power") == (True, Known.CONFIRMED))
        await b.press("f")  # taking energy away never asks
        await b.until(lambda: b.state("foyer-amp", "power") == (False, Known.CONFIRMED))


async def test_a_form_checks_as_it_is_typed(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", "enter")
        await b.until(lambda: b.app.screen.query(OptionList))
        for _ in range(3):
            await b.press("down")
        await b.press("enter")
        await b.until(lambda: isinstance(b.app.screen, ActionForm))
        await b.press("7", "7")
        await b.until(lambda: "from 0 to 63" in b.text("#wrong"))
        await b.press("enter")
        assert isinstance(b.app.screen, ActionForm)
        await b.press("backspace", "enter")
        await b.until(lambda: b.state("mixer", "volume") == (7, Known.CONFIRMED))


async def test_everything_off_is_one_key_from_anywhere(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.press("f3", "f9")
        await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        assert b.state("hall-amp", "power") == (False, Known.CONFIRMED)


async def test_a_lock_is_set_shown_holds_and_is_cleared(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "l", "enter", *"fuse", "enter")
        await b.until(lambda: "locked by Ada" in b.words, "the lock")
        await b.press("o")
        await b.until(lambda: "refused (locked)" in b.text("#detail"))
        await b.press("u", "enter")
        await b.until(lambda: "locked by" not in b.words)
        assert await b.controller.locks() == []


async def test_a_state_is_set_right_by_hand(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "equals_sign", "enter", *"true", "enter")
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.PRESUMED))
        assert "power on ◌ presumed" in b.words


async def test_a_broken_chain_is_drawn_told_and_over_when_mended(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.controller.simulate("sound", "cut 2")
        await b.press("2", "o")
        await b.until(lambda: "the ring is open" in b.words)
        assert "nothing came back" in b.text("#alerts")
        assert "look at" in b.text("#alerts")
        await b.controller.simulate("sound", "clear all")
        await b.press("o")
        await b.until(lambda: "back to the adapter" in b.words)


async def test_finding_a_unit_and_showing_all_again(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("slash", *"blind")
        await b.until(lambda: "Hall amplifier" not in b.words)
        assert "Left blind" in b.words
        await b.press("enter")
        assert isinstance(b.app.screen, UnitsScreen)
        assert b.app.screen.selected == 5
        await b.press("escape")
        await b.until(lambda: "Hall amplifier" in b.words)


async def test_the_burst_that_did_it_is_found_bit_by_bit(tmp_path: Path) -> None:
    async with bench(tmp_path, size=(100, 30)) as b:
        await b.press("2", "o")
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        await b.press("f3")
        await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
        view = b.app.screen.query_one(TrafficView)
        await b.until(lambda: view.selected is not None and view.selected.meaning == "power-on → hall-amp")
        await b.press("enter")
        await b.until(lambda: "reconstructed" in b.text("#bits"))
        # A5 hex at 8N1, least significant bit first (any UART data sheet): 1 0 1 0 0 1 0 1.
        assert "0  1 0 1 0 0 1 0 1  1" in b.text("#bits")


async def test_holding_the_picture_keeps_what_comes(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f3", "space")
        await b.until(lambda: "held" in b.text("#figures"))
        view = b.app.screen.query_one(TrafficView)
        before = view.shown
        await b.controller.simulate("sound", "press 1 set-volume level=31")
        await b.until(lambda: len(b.app.traffic) > before)
        assert view.shown == before
        await b.until(lambda: "came since" in b.text("#figures"))
        await b.press("space")
        await b.until(lambda: view.shown > before)


async def test_the_journal_tells_what_was_commanded_and_from_where(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "o")
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        await b.press("f5")
        await b.until(lambda: b.app.screen.query(OptionList))
        entries = b.app.screen.query_one(OptionList)
        await b.until(lambda: entries.option_count == 1)
        assert "hall-amp power-on  confirmed  screen Ada" in str(entries.get_option_at_index(0).prompt)
        # What others command meanwhile comes above it; what one reads stays selected.
        await b.press("enter")
        kim = Origin(OriginKind.COMMAND_LINE, "Kim")
        await b.controller.submit(Command("mixer", "power-on", {}, kim))
        await b.until(lambda: "mixer power-on  confirmed" in str(entries.get_option_at_index(0).prompt), "it")
        assert "Kim" in str(entries.get_option_at_index(0).prompt)
        await b.until(lambda: entries.highlighted == 1, "the line that is read")
        assert "hall-amp power-on" in b.text("#entry")


async def test_the_simulator_takes_orders(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f6", "enter")
        await b.press("f2", "2", "o")
        await b.until(lambda: "the ring is open" in b.words)
        assert "cut 1" in await b.controller.simulate("sound", "show")


async def test_the_palette_knows_every_units_actions(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        names = [command.title for command in b.app.get_system_commands(b.app.screen)]
        assert "Hall amplifier: Power on" in names
        assert {"Sequence Evening: start", "Sequence Evening: stop"} <= {*names}
        assert len([name for name in names if name.startswith("Stage lights: ")]) >= 3


@pytest.mark.parametrize("size", [(20, 5), (40, 10), (80, 24), (200, 60)])
async def test_any_size_can_be_worked_with(tmp_path: Path, size: tuple[int, int]) -> None:
    async with bench(tmp_path) as b:
        await b.pilot.resize_terminal(*size)
        for key in ("f3", "f5", "f6", "f2"):
            await b.press(key)
            await b.pilot.pause()
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.pilot.resize_terminal(80, 24)
        await b.until(lambda: "Stage mixer" in b.words)
        assert "power-on: confirmed" in b.text("#detail")


async def test_a_controller_that_ends_is_told_and_nothing_is_known_any_more(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.controller.close()
        await b.until(lambda: b.app.gone)
        assert b.state("mixer", "power") == (None, Known.UNKNOWN)
        await b.until(lambda: "out of reach" in b.text("#top"))


async def test_each_attempt_of_a_command_is_a_row_of_its_own(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.controller.simulate("sound", "cut 2")
        await b.press("2", "o")
        await b.until(lambda: "the ring is open" in b.words)
        sayings = [b.app.traffic[row] for row in range(len(b.app.traffic))]
        assert [saying.attempt for saying in sayings] == [1, 2, 3]
        assert all(bytes(saying.data) == b"\xa5" for saying in sayings)


async def test_traffic_is_exported_and_recorded(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f3", "r", "enter")
        field = b.app.screen.query("Input").last()
        field.value = str(tmp_path / "evening.jsonl")  # type: ignore[attr-defined]  # -- an Input
        await b.press("enter")
        await b.until(lambda: b.app.files.recording is not None)
        await b.controller.simulate("sound", "press 1 set-volume level=31")
        await b.until(
            lambda: (
                "volume 31"
                in "".join(s.meaning for s in map(b.app.traffic.__getitem__, range(len(b.app.traffic))))
            )
        )
        await b.until(lambda: b.app.files.recording)
        await b.press("r")
        await b.until(lambda: b.app.files.recording is None)
        await b.press("e")
        await b.until(lambda: b.app.screen.query("Input"))
        b.app.screen.query("Input").last().value = str(tmp_path / "traffic.csv")  # type: ignore[attr-defined]  # -- an Input
        await b.press("enter")
        await b.until((tmp_path / "traffic.csv").exists)
    lines = (tmp_path / "evening.jsonl").read_text().splitlines()
    assert '"linewarden_recording"' in lines[0]
    assert "A6 01 56 1F 76" in lines[1] or "a60156" in lines[1]
    exported = (tmp_path / "traffic.csv").read_text().splitlines()
    assert "A6 01 56 1F 76" in exported[1]
