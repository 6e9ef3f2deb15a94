"""The profile editor by its keys: a real controller on the simulated hall, real files."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import pytest
from textual.widgets import OptionList, Static

from controller.api import ControllerApi, JournalQuery
from controller.records import Result, Traffic
from controller.service import Controller
from profiles.library import own_file
from tests.tui.dashboard_bench import Bench, bench
from tests.tui.editor_bench import (
    area,
    checked,
    cursor_to,
    editor,
    faults,
    listening,
    opened,
    own_folder_in,
    place,
    replaced,
    stepped,
    typed,
)
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.profile_sheets import DifferenceSheet
from tui.screens.profiles import ProfilesScreen
from tui.screens.sheets import AskSheet, ChoiceSheet, TextForm
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen
from tui.widgets.traffic_view import TrafficView


@pytest.fixture(autouse=True)
def own_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return own_folder_in(tmp_path, monkeypatch)


async def test_the_sites_profiles_come_first_and_are_marked(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f4")
        await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
        listed = b.app.screen.query_one(OptionList)
        await b.until(lambda: listed.option_count > 4)
        lines = [str(listed.get_option_at_index(n).prompt) for n in range(listed.option_count)]
        used = [line for line in lines if line.startswith("●")]
        assert lines[: len(used)] == used
        assert [line.split()[1] for line in used] == [bus.profile for bus in b.app.model.site.buses]
        assert any("modbus-relay" in line and "came with Linewarden" in line for line in lines[len(used) :])


async def test_a_fault_is_told_as_it_is_typed_with_its_line(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        assert "✓ no faults" in b.text("#figures")
        await replaced(b, 'effect = "energise', 'effect = "energize')
        line = area(b).text[: area(b).text.index("energize")].count("\n") + 1
        assert len(faults(b)) == 1
        assert f"✗ {line}  actions.power-on.effect" in faults(b)[0]
        assert "● not saved" in b.text("#figures")
        assert "✗ 1 fault" in b.text("#figures")
        area(b).move_cursor((0, 0))
        await b.press("ctrl+g")
        await b.until(lambda: editor(b).draft.line == line)
        area(b).move_cursor((0, 0))
        await b.press("tab", "down", "enter")
        await b.until(lambda: editor(b).draft.line == line and area(b).has_focus)


@pytest.mark.slow
async def test_undo_and_redo_in_the_text(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        before = area(b).text
        await cursor_to(b, "schema = 1")
        await typed(b, " # one")
        after = area(b).text
        assert "schema = 1 # one\n" in after
        while area(b).text != before:
            await stepped(b, "ctrl+z")
        await b.until(lambda: not editor(b).draft.changed)
        while area(b).text != after:
            await stepped(b, "ctrl+y")
        assert editor(b).draft.text == after


async def test_the_bytes_of_the_action_under_the_cursor_are_shown(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await cursor_to(b, "baud = 4800")  # 10 bits at 4800 a second
        await b.until(lambda: "4800 baud, 8N1, lsb first: a frame takes 2.08 ms" in b.text("#bytes"))
        await cursor_to(b, 'title = "Standby"')
        await b.until(lambda: "standby to Stage mixer (address 1) would send" in b.text("#bytes"))
        assert "A5 01 02 03" in b.text("#bytes")
        assert "sets power false; effect de-energise" in b.text("#bytes")
        await replaced(b, '{ hex = "02', '{ hex = "05')
        await b.until(lambda: "A5 01 05 06" in b.text("#bytes"))
        await cursor_to(b, 'title = "Volume told"')
        await b.until(lambda: "A6 <address> 56 <level> <sum-8>" in b.text("#bytes"))


@pytest.mark.slow
async def test_a_burst_becomes_an_action_that_works(tmp_path: Path, own_profiles: Path) -> None:
    """The whole way: a press on a front panel is seen, made an action, saved, used, and seen again."""
    async with bench(tmp_path) as b:
        await b.press("2", "o")
        await b.until(lambda: len(b.app.traffic) >= 1 and b.app.model.last["hall-amp"].outcome is not None)
        await b.press("f3")
        await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
        await b.until(lambda: b.app.screen.query_one(TrafficView).selected is not None)
        await b.press("a")
        await b.until(lambda: isinstance(b.app.screen, TextForm))
        await typed(b, "wake")
        await b.press("enter")
        await typed(b, "Wake up")
        await b.press("enter")
        await b.until(lambda: checked(b))
        assert "[actions.wake]" in area(b).text.split("\n")[editor(b).draft.line - 1]
        assert any("says the same bytes as power-on" in fault for fault in faults(b))
        await b.press("ctrl+s")
        await b.until(lambda: "nothing was saved" in "".join(n.title for n in b.app._notifications))
        assert not own_file("pellgate-chain", own_profiles).exists()
        # An order of another number, in the action and in its evidence.
        found = area(b).text.index('hex = "01', area(b).text.index("[actions.wake]")) + len('hex = "01')
        area(b).move_cursor(place(area(b).text, found))
        await b.press("backspace", "backspace", "4", "1")
        found = area(b).text.rindex('bytes = "A5 02 01 03') + len('bytes = "A5 02 01 03')
        area(b).move_cursor(place(area(b).text, found))
        await b.press(*["backspace"] * 5)
        await typed(b, "41 43")
        await b.until(lambda: checked(b))
        assert faults(b) == []
        async with listening(b.controller) as records:
            commands = len(await b.controller.journal(JournalQuery(limit=1000)))
            await b.press("ctrl+s")
            await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
            assert "came with Linewarden and is never changed" in str(
                b.app.screen.query(".quiet").first(Static).render()
            )
            shown = b.text("#difference")
            assert "+[actions.wake]" in shown
            assert '+bytes = "A5 02 41 43"' in shown
            assert not [line for line in shown.split("\n") if line.startswith("-") and line[:3] != "---"]
            await b.press("y")
            await b.until(lambda: not isinstance(b.app.screen, DifferenceSheet))
            units = b.app.model
            await b.until(lambda: any(a.name == "wake" for a in units.site.units[1].actions))
            assert not editor(b).draft.changed
            assert len(await b.controller.journal(JournalQuery(limit=1000))) == commands
            assert not [record for record in records if isinstance(record, Traffic)]
        assert "[actions.wake]" in own_file("pellgate-chain", own_profiles).read_text("utf-8")
        await b.press("f2", "1", "enter")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        listed = b.app.screen.query_one(OptionList)
        names = [str(listed.get_option_at_index(n).prompt) for n in range(listed.option_count)]
        down = next(n for n, name in enumerate(names) if name.startswith("Wake up"))
        await b.press(*["down"] * down, "enter")
        await b.until(lambda: b.app.model.last.get("mixer") is not None)
        await b.until(lambda: b.app.model.last["mixer"].outcome is not None)
        outcome = b.app.model.last["mixer"].outcome
        assert outcome is not None
        assert outcome.result is Result.CONFIRMED
        await b.press("f3")
        await b.until(
            lambda: any(b.app.traffic[n].meaning == "wake → mixer" for n in range(len(b.app.traffic)))
        )
        said = next(
            b.app.traffic[n] for n in range(len(b.app.traffic)) if b.app.traffic[n].meaning == "wake → mixer"
        )
        assert bytes(said.data) == bytes.fromhex("A5 01 41 42")


async def test_a_burst_becomes_an_observation(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.controller.simulate("sound", "press 2 power-on")
        await b.until(lambda: any(b.app.traffic[n].data for n in range(len(b.app.traffic))))
        await b.press("f3")
        await b.until(lambda: b.app.screen.query_one(TrafficView).selected is not None)
        await b.press("home", "o")
        await b.until(lambda: isinstance(b.app.screen, TextForm))
        await typed(b, "Woken")
        await b.press("enter")
        await b.until(lambda: checked(b))
        at = area(b).text.index('title = "Woken"')
        assert area(b).text.rindex("[[observations]]", 0, at) > area(b).text.index('title = "Mute told"')
        assert editor(b).part.kind == "observations"


async def test_leaving_asks_about_what_is_not_saved(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await cursor_to(b, "schema = 1")
        await typed(b, " ")
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        await b.press("f2")  # other screens may be looked at meanwhile: the text waits
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        await b.press("f4")
        await b.until(lambda: checked(b))
        assert "schema = 1 \n" in area(b).text
        await b.press("ctrl+q")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert b.app.is_running
        await b.press("escape", "y")
        await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
        assert b.app.draft is None


async def test_leaving_an_unchanged_text_asks_nothing(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        assert b.app.draft is None


async def _put_in(b: Bench, what: str, *words: str) -> None:
    before = area(b).text
    await b.press("ctrl+n")
    await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
    listed = b.app.screen.query_one(OptionList)
    names = [listed.get_option_at_index(n).id for n in range(listed.option_count)]
    await b.press(*["down"] * names.index(what), "enter")
    await b.until(lambda: not listed.is_attached)
    for word in words:
        await typed(b, word)
        await b.press("enter")
    if words:
        await b.until(lambda: checked(b) and area(b).text != before)


@pytest.mark.slow
async def test_things_can_be_put_in_without_knowing_how_they_are_written(tmp_path: Path) -> None:
    async with bench(tmp_path, size=(140, 45)) as b:
        await opened(b)
        await _put_in(b, "action", "set-tone", "Tone", "A5 01 60 61")
        assert "[actions.set-tone]" in area(b).text
        assert faults(b) == []
        await _put_in(b, "parameter", "tone", "", "0 to 9")
        assert "parameters.tone = { type = " in area(b).text
        assert any("add { field" in fault for fault in faults(b))
        await replaced(b, '{ hex = "60" }', '{ hex = "60" }, { field = "tone" }')
        assert faults(b) == []
        await _put_in(b, "effect")
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        await b.press("down", "down", "enter")
        await b.until(lambda: checked(b))
        at = area(b).text.index("[actions.set-tone]")
        assert area(b).text.index('effect = "neutral"', at) < area(b).text.index("send", at)
        await _put_in(b, "state", "tone", "", "0 to 9")
        assert any("states.tone: is never set" in fault for fault in faults(b))
        await replaced(
            b,
            '{ field = "tone" }, { check = "sum-8", from = 1 }]',
            '{ field = "tone" }, { check = "sum-8", from = 1 }]',
        )
        await b.press("enter")
        await typed(b, 'sets = { tone = "tone" }')
        await b.until(lambda: checked(b) and faults(b) == [])
        await _put_in(b, "evidence", "", "A5 02 60 04 66", "seen")
        assert 'address = 2\nbytes = "A5 02 60 04 66"' in area(b).text
        assert faults(b) == []
        await _put_in(b, "observation", "Tone told", "A6 01 60 61")
        assert 'title = "Tone told"' in area(b).text
        await b.until(lambda: "A6 <address> 60 <sum-8>" in b.text("#bytes") or faults(b))


class Remote:
    """A controller whose profiles are out of reach, as over MQTT."""

    def __init__(self, api: Controller) -> None:
        self._api = api

    def __getattr__(self, name: str) -> object:
        return getattr(self._api, name)

    async def profile(self, name: str) -> object:
        from profiles.errors import ControllerError

        raise ControllerError(
            "profiles are edited on the spot only", where=name, todo="use the hall's computer"
        )


async def test_where_profiles_can_not_be_had_the_reason_is_shown(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        b.app.api = cast("ControllerApi", Remote(b.controller))
        await b.press("f4")
        await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
        await b.press("enter")
        await b.until(lambda: "profiles are edited on the spot only" in b.text("#figures"))
        assert isinstance(b.app.screen, ProfilesScreen)


@pytest.mark.parametrize("size", [(20, 5), (80, 24), (140, 45), (200, 60)])
@pytest.mark.slow
async def test_every_size_has_its_text(tmp_path: Path, size: tuple[int, int]) -> None:
    async with bench(tmp_path, size=size) as b:
        await opened(b)
        await b.press("ctrl+end", "down", "pagedown")
        assert area(b).size.height >= min(3, size[1] - 2)
        found = b.app.screen.query_one("#found")
        assert found.display == (size[1] >= 12)
        if found.display:
            beside = found.region.x > 0
            assert beside == (size[0] >= 110)
        await b.pilot.resize_terminal(20, 5)
        await b.pilot.resize_terminal(*size)
        await b.until(lambda: checked(b))


async def test_what_steers_a_terminal_is_shown_as_a_symbol(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        area(b).move_cursor((0, 0))
        area(b).insert("# \x1b[31mred \u202eback \u0007 [bold]b[/bold]\n", (0, 0))
        await b.until(lambda: checked(b))
        shown = "".join(segment.text for segment in area(b).render_line(0))
        assert "␛[31mred �back ␇ [bold]b[/bold]" in shown
        assert any("is no TOML" in fault for fault in faults(b))
