"""Keys that come faster than screens change: none of them may reach the wrong unit."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual import events
from textual.widgets import Input

from controller.api import JournalEntry, JournalQuery
from controller.records import Known
from tests.tui.dashboard_bench import Bench, bench
from tests.tui.editor_bench import area, cursor_to, opened, own_folder_in
from tui.screens.units import UnitsScreen
from tui.widgets.hall_view import HallView


@pytest.mark.parametrize(
    "place", ["f3", *(pytest.param(key, marks=pytest.mark.slow) for key in ("f4", "f5", "f6"))]
)
async def test_a_unit_that_is_typed_right_after_f2_is_the_one_told(tmp_path: Path, place: str) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", place)
        await b.until(lambda: not isinstance(b.app.screen, UnitsScreen))
        for key in ("f2", "2", "o"):
            b.app.post_message(events.Key(key, key if len(key) == 1 else None))
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
        assert b.state("mixer", "power") == (None, Known.UNKNOWN)


async def typed_and_over(b: Bench, *keys: str) -> tuple[list[JournalEntry], list[str]]:
    """Type keys in one go; all that was commanded, oldest first, and all that was told, once it is over."""
    told: list[str] = []
    b.app.notify = lambda message, **_: told.append(message)  # type: ignore[method-assign]  # -- none goes by
    for key in keys:
        b.app.post_message(events.Key(key, key if len(key) == 1 else None))
    await b.until(lambda: any(text.startswith("everything: ") for text in told), "what became of off")
    await b.until(lambda: b.app.settled)
    entries = await b.controller.journal(JournalQuery())
    while not all(each.outcome for each in entries):
        await b.pilot.pause(0.02)
        entries = await b.controller.journal(JournalQuery())
    return entries[::-1], told


@pytest.mark.parametrize("last", ["f9", "X"])
async def test_everything_off_is_the_last_word_over_the_keys_before_it(tmp_path: Path, last: str) -> None:
    async with bench(tmp_path) as b:
        await b.press("2")
        entries, told = await typed_and_over(b, "o", last)
        of_the_amp = [each for each in entries if each.command.unit == "hall-amp"]
        assert of_the_amp[-1].command.action == "standby"
        assert last == "f9" or [each.command.action for each in of_the_amp] == ["power-on", "standby"]
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))
        assert len(told) == 1, "one thing was asked for, and one is told"


async def test_everything_off_is_the_last_word_over_a_click_before_it(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2", "f")  # on a power that is not known a click asks what is wanted
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))
        hall = b.app.screen.query_one(HallView)
        await b.until(lambda: "power off ◉ confirmed" in b.words)
        row = next(at for at, line in enumerate(hall._lines) if line.unit == 2)
        power_at = hall._lines[row].power_at
        assert power_at
        x, y = hall.region.x + power_at[0], hall.region.y + row - hall.scroll_offset.y
        for kind in (events.MouseDown, events.MouseUp):
            b.app.post_message(kind(None, x, y, 0, 0, 1, False, False, False, x, y))
        entries, _ = await typed_and_over(b, "f9")
        told = [each.command.action for each in entries if each.command.unit == "hall-amp"]
        assert told[-1] == "standby"
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))


async def test_what_waits_when_everything_goes_off_is_dropped(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        entries, _ = await typed_and_over(b, "2", "o", "f9", "1")
        assert "standby" in {each.command.action for each in entries}
        assert "power-on" not in {each.command.action for each in entries}
        await b.until(lambda: b.state("hall-amp", "power") == (False, Known.CONFIRMED))
        # What is typed after it goes on.
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen) and b.app.screen.selected == 1)


async def test_characters_do_not_overtake_the_keys_before_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own_folder_in(tmp_path, monkeypatch)
    async with bench(tmp_path) as b:
        await opened(b)
        await cursor_to(b, "schema")
        for key in ("home", "end", *["backspace"] * 3, "x", "left", "y", "delete"):
            b.app.post_message(events.Key(key, key if len(key) == 1 else None))
        await b.until(lambda: area(b).text.split("\n")[1] == "schema y")
        assert area(b).cursor_location == (1, 8)


async def test_a_text_that_is_typed_right_after_find_switches_nothing(tmp_path: Path) -> None:
    """`/` and then a name that has an `o`, an `f`, an `X` and a `p` in it, all in one go."""
    async with bench(tmp_path) as b:
        await b.press("2")
        for key in ("slash", *"foX", "p", "left", "backspace"):
            b.app.post_message(events.Key(key, "/" if key == "slash" else key if len(key) == 1 else None))
        seek = b.app.screen.query_one("#seek", Input)
        await b.until(lambda: seek.value == "fop")
        for event in (events.Key("escape", None), events.Key("slash", "/"), events.Paste("foyer")):
            b.app.post_message(event)
        await b.until(lambda: seek.value == "foyer", "what was pasted")
        assert b.state("hall-amp", "power") == (None, Known.UNKNOWN)
        assert not b.app.model.last


async def test_what_is_typed_right_after_a_form_is_asked_for_is_written_into_it(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("2")
        # Who locks, why, and away again; what is there already is written over.
        for key in ("l", *"of", "enter", *"fo", "escape", "l", *"Xo"):
            b.app.post_message(events.Key(key, key if len(key) == 1 else None))
        await b.until(lambda: [each.value for each in b.app.screen.query(Input)] == ["Xo", ""])
        assert not b.app.model.last
        assert not b.app.model.locks
