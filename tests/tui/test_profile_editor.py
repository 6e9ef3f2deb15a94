"""The profile editor by its keys: a real controller on the simulated hall, real files."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import cast

import pytest
from textual.widgets import OptionList, Static

from controller.api import ControllerApi, JournalQuery
from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.records import Record, Result, Traffic
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.site import load_site
from controller.state_folder import Claim
from profiles.library import own_file, own_folder
from tests.tui.test_dashboard import Bench, bench
from tui.app import DashboardApp
from tui.demo.evening import load_hall
from tui.model import HallModel
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.profile_sheets import DifferenceSheet, MovedSheet
from tui.screens.profiles import ProfilesScreen
from tui.screens.sheets import AskSheet, ChoiceSheet, TextForm
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen
from tui.widgets.profile_text import ProfileText
from tui.widgets.traffic_view import TrafficView


@pytest.fixture(autouse=True)
def own_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration folder with nothing of the developer's own in it."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    assert own_folder().is_relative_to(tmp_path)
    return own_folder()


def editor(b: Bench) -> ProfileEditorScreen:
    assert isinstance(b.app.screen, ProfileEditorScreen)
    return b.app.screen


def area(b: Bench) -> ProfileText:
    return b.app.screen.query_one(ProfileText)


def checked(b: Bench) -> bool:
    """Whether what is shown belongs to the text as it stands."""
    screen = b.app.screen
    return (
        isinstance(screen, ProfileEditorScreen)
        and screen.checked is not None
        and screen._checked_text == screen.draft.text == area(b).text
    )


async def opened(b: Bench) -> None:
    """Open one of the listed profiles; the first is the sound bus's."""
    await b.press("f4")
    await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
    await b.until(lambda: b.app.screen.query_one(OptionList).option_count > 4)
    await b.press("enter")
    await b.until(lambda: checked(b))


def place(text: str, index: int) -> tuple[int, int]:
    return text.count("\n", 0, index), index - (text.rfind("\n", 0, index) + 1)


async def cursor_to(b: Bench, part: str) -> None:
    """Put the cursor behind a part of the text."""
    text = area(b).text
    index = text.index(part) + len(part)
    area(b).move_cursor(place(text, index))
    await b.until(lambda: editor(b).draft.cursor == index)


async def typed(b: Bench, text: str) -> None:
    await b.press(*({" ": "space"}.get(c, c) for c in text))


async def replaced(b: Bench, old: str, new: str) -> None:
    """Put another text in the place of one, as pasting over a selection does."""
    text = area(b).text
    start = text.index(old)
    area(b).replace(new, place(text, start), place(text, start + len(old)), maintain_selection_offset=False)
    await b.until(lambda: checked(b) and area(b).text == text.replace(old, new, 1))


async def stepped(b: Bench, key: str) -> None:
    shown = area(b).text
    await b.press(key)
    await b.until(lambda: area(b).text != shown)


def faults(b: Bench) -> list[str]:
    listed = b.app.screen.query_one("#faults", OptionList)
    return [str(listed.get_option_at_index(n).prompt) for n in range(listed.option_count)]


def note(b: Bench) -> str:
    return "\n".join(n.message for n in b.app._notifications)


async def saved(b: Bench) -> None:
    """Save, and say yes to the difference."""
    await b.press("ctrl+s")
    await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
    await b.press("y")
    await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and not editor(b).draft.changed)


@asynccontextmanager
async def listening(controller: Controller) -> AsyncIterator[list[Record]]:
    """All records meanwhile."""
    records: list[Record] = []

    async def listen() -> None:
        async for record in controller.subscribe():
            records.append(record)  # noqa: PERF401 -- the stream has no end

    task = asyncio.create_task(listen())
    try:
        yield records
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


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
        await b.press("f8")
        await b.until(lambda: editor(b).draft.line == line)
        area(b).move_cursor((0, 0))
        await b.press("tab", "down", "enter")
        await b.until(lambda: editor(b).draft.line == line and area(b).has_focus)


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


async def test_a_second_save_keeps_the_version_before_beside_it(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await replaced(b, 'title = "Standby', 'title = "Go to rest')
        await saved(b)
        path = own_file("pellgate-chain", own_profiles)
        first = path.read_text("utf-8")
        await replaced(b, "Go to rest", "Rest")
        await b.press("ctrl+s")
        await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
        assert "kept beside it" in str(b.app.screen.query(".quiet").first(Static).render())
        await b.press("y")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and not editor(b).draft.changed)
        assert path.with_name(f"{path.name}~").read_text("utf-8") == first
        assert path.read_text("utf-8") == first.replace("Go to rest", "Rest")
        assert "made-up make" in path.read_text("utf-8").split("\n")[0]  # comments stay


async def test_nothing_is_saved_without_a_yes(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await b.press("ctrl+s")
        await b.until(lambda: "nothing to save" in note(b))
        await replaced(b, 'title = "Standby', 'title = "Rest')
        await b.press("ctrl+s")
        await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert editor(b).draft.changed
        assert not own_file("pellgate-chain", own_profiles).exists()


async def _somebody_saves(b: Bench, old: str, new: str) -> str:
    """Another front end saves the same profile; gives its text."""
    theirs = await b.controller.profile("pellgate-chain")
    text = theirs.text.replace(old, new)
    assert text != theirs.text
    await b.controller.put_profile("pellgate-chain", text, theirs.revision)
    return text


async def _both_changed(b: Bench) -> str:
    await opened(b)
    await replaced(b, 'title = "Standby', 'title = "Rest')
    theirs = await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
    await b.until(lambda: "somebody else has saved" in note(b), "a warning")
    assert 'title = "Rest"' in area(b).text
    await b.press("ctrl+s")
    await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
    await b.press("y")
    await b.until(lambda: isinstance(b.app.screen, MovedSheet))
    return theirs


async def test_two_people_and_nothing_is_overwritten_unseen(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        path = own_file("pellgate-chain", own_profiles)
        assert path.read_text("utf-8") == theirs
        assert '+title = "Wake"' in b.text("#difference")
        await b.press("2")
        assert '+title = "Rest"' in b.text("#difference")
        await b.press("m")  # not seen yet what it does to theirs: that is shown first
        assert isinstance(b.app.screen, MovedSheet)
        assert {'-title = "Wake"', '+title = "Power on"'} <= set(b.text("#difference").split("\n"))
        assert path.read_text("utf-8") == theirs
        await b.press("m")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and not editor(b).draft.changed)
        assert 'title = "Rest"' in path.read_text("utf-8")
        assert path.with_name(f"{path.name}~").read_text("utf-8") == theirs


async def test_theirs_can_be_taken_and_ones_own_brought_back(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        await b.press("t")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and area(b).text == theirs)
        assert not editor(b).draft.changed
        await b.press("ctrl+z")
        await b.until(lambda: 'title = "Rest"' in area(b).text)
        assert own_file("pellgate-chain", own_profiles).read_text("utf-8") == theirs


async def test_deciding_later_leaves_both_as_they_are(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert 'title = "Rest"' in area(b).text
        assert own_file("pellgate-chain", own_profiles).read_text("utf-8") == theirs


async def test_what_others_save_shows_where_nothing_is_lost_by_it(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        theirs = await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
        await b.until(lambda: area(b).text == theirs)
        assert not editor(b).draft.changed


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


async def test_over_the_local_socket_it_is_the_same(tmp_path: Path, own_profiles: Path) -> None:
    """A dashboard beside a running controller: saved, taken by the bus, and told when another was quicker."""
    with Claim(tmp_path / "state") as claim:
        controller = await Controller.open(load_hall(), claim.folder)
        try:
            await controller.ready()
            async with LocalServer(controller, claim), await LocalClient.connect(claim.folder) as client:
                app = DashboardApp(client, await HallModel.read(client), who="Ada", cautions=False)
                async with app.run_test(size=(80, 24)) as pilot:
                    b = Bench(app, controller, pilot)
                    await b.until(lambda: isinstance(app.screen, UnitsScreen))
                    await opened(b)
                    await replaced(b, 'title = "Standby', 'title = "Rest')
                    await saved(b)
                    await b.until(lambda: any(a.title == "Rest" for a in app.model.site.units[0].actions))
                    await replaced(b, 'title = "Rest', 'title = "Sleep')
                    await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
                    await b.press("ctrl+s")
                    await b.until(lambda: isinstance(app.screen, DifferenceSheet))
                    await b.press("y")
                    await b.until(lambda: isinstance(app.screen, MovedSheet))
                    await b.press("t")
                    await b.until(lambda: isinstance(app.screen, ProfileEditorScreen))
                    assert 'title = "Wake"' in area(b).text
        finally:
            await controller.close()
            stop_all()
    assert 'title = "Rest"' in own_file("pellgate-chain", own_profiles).read_text("utf-8")


SITE = """
[site]
id = "larkfield-hall"
title = "Larkfield Hall"

[buses.hall]
port = "socket://127.0.0.1:{port}"
profile = "hall.toml"
topology = "open"

[units.amp]
bus = "hall"
title = "Hall amplifier"
"""

PROFILE = """
schema = 1
name = "hall"

[line]
baud = 9600

[confirm]
method = "none"

[states.power]
type = "boolean"
set = { true = "power-on", false = "standby" }

[actions.power-on]
effect = "energise"
send = [{ hex = "A5 01" }]
sets = { power = true }

[actions.standby]
effect = "de-energise"
send = [{ hex = "A5 02" }]
sets = { power = false }
"""


async def test_a_running_bus_takes_it_and_its_far_end_hears_nothing(tmp_path: Path) -> None:
    """The far end is a socket that keeps every byte; even other line settings send none."""
    heard = bytearray()
    opened_ports = 0

    async def keep(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal opened_ports
        opened_ports += 1
        while data := await reader.read(1000):
            heard.extend(data)
        writer.close()

    server = await asyncio.start_server(keep, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    (tmp_path / "hall.toml").write_text(PROFILE, "utf-8")
    (tmp_path / "site.toml").write_text(SITE.replace("{port}", str(port)), "utf-8")
    controller = await Controller.open(load_site(tmp_path / "site.toml"), tmp_path)
    try:
        await controller.ready()
        app = DashboardApp(controller, await HallModel.read(controller), who="Ada", cautions=False)
        async with app.run_test(size=(80, 24)) as pilot:
            b = Bench(app, controller, pilot)
            await b.until(lambda: isinstance(app.screen, UnitsScreen))
            await opened(b)
            await replaced(b, 'send = [{ hex = "A5 01', 'send = [{ hex = "A5 03')
            await replaced(b, "baud = 9600", "baud = 4800")
            before = opened_ports
            await saved(b)
            await b.until(lambda: opened_ports > before and app.model.site.buses[0].baud == 4800)
            assert bytes(heard) == b""
            await b.press("f2", "1", "o")
            await b.until(lambda: bytes(heard) != b"" and app.model.last["amp"].outcome is not None)
            assert bytes(heard) == bytes.fromhex("A5 03")
        assert (tmp_path / "hall.toml~").read_text("utf-8") == PROFILE
    finally:
        await controller.close()
        stop_all()
        server.close()
        await server.wait_closed()
