"""The keys of every screen: none does two things, none hides another; help names all and no others."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from textual.keys import _character_to_key
from textual.screen import Screen
from textual.widgets import Input, OptionList, TextArea

from tests.tui.bench_lines import POWER_ON, write_logic
from tests.tui.dashboard_bench import bench, dashboard_on
from tests.tui.still_hall import EVENING, evening_hall
from tui.app import DashboardApp
from tui.screens.main_screen import MainScreen
from tui.screens.units import UnitsScreen

_WORDS = {"esc": "escape", "page up": "pageup", "page down": "pagedown"}
_BY_ITSELF = {"tab", "enter", "up", "down", "left", "right", "home", "end", "pageup", "pagedown"}
"""What moves within the list or text that has the cursor."""
_OF_THE_APP = {"f1", "f2", "f3", "f4", "f5", "f6", "f7", "f8", "f9", "ctrl+p", "ctrl+q", "question_mark"}


def _told(explanation: str) -> set[str]:
    """The keys that an explanation names in its first column, and after 'as ... do'."""
    keys: set[str] = set()
    for line in explanation.split("\n"):
        found = re.match(r"  (\S.*?)  +\S", line)
        if found is None or not _are_keys(found[1]):
            continue
        keys |= {_key(word) for word in _words(found[1])}
        for also in re.findall(r"as (\w) and (\w) do", line):
            keys |= set(also)
        keys |= {_key(each) for each in re.findall(r"\((\S) as well\)", line)}
        keys |= {_key(each) for each in re.findall(r"(page up|page down|\bhome|\bend)\b", line)}
    return keys


def _are_keys(words: str) -> bool:
    return not re.search(r"[●◉◌→←✓✗~·┈▁█▒▸○]", words) and words not in ("? unknown", "?  !  ▁▁b")


def _words(words: str) -> list[str]:
    if words == "1 to 9, c":
        return [*"123456789", "c"]
    if words == "ctrl+z, y":
        return ["ctrl+z", "ctrl+y"]
    if words.startswith(("1 2 3", "help ")):
        return []
    if re.fullmatch(r"\S( \S)+", words):
        return words.split()
    return [part.strip() for part in re.split(r",(?=\s)|\s\.\.\.", words) if part.strip()]


def _key(word: str) -> str:
    if word in _WORDS:
        return _WORDS[word]
    return word.lower() if len(word) > 1 else word if word.isalnum() else _character_to_key(word)


def _own(screen: MainScreen) -> set[str]:
    """The keys that a screen binds itself."""
    inherited = set(Screen._merged_bindings.key_to_bindings) if Screen._merged_bindings else set()
    return set(screen._bindings.key_to_bindings) - inherited


def verify_keys(app: DashboardApp) -> None:
    """See that on this screen each key has one meaning, and that help knows it."""
    screen = app.screen
    assert isinstance(screen, MainScreen)
    bound: dict[str, list[str]] = {}
    for namespace, bindings in screen._binding_chain:
        for key, several in bindings.key_to_bindings.items():
            bound.setdefault(key, []).extend(f"{type(namespace).__name__}: {b.action}" for b in several)
    name = type(screen).__name__
    # Copying is Textual's: the innermost that has something to copy does it.
    twice = {key: does for key, does in bound.items() if len(does) > 1 and key not in ("ctrl+c", "super+c")}
    assert twice == {}, name
    told = _told(screen.EXPLANATION)
    assert told - set(bound) - _BY_ITSELF == set(), f"{name} explains keys that do nothing"
    secret = _own(screen) - told - _OF_THE_APP
    assert secret == set(), f"{name} has keys that it does not explain"


async def test_every_screen_has_one_meaning_for_a_key_and_explains_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    capture = tmp_path / "power-on.csv"
    write_logic(capture, [POWER_ON])
    seen = set()
    async with dashboard_on(evening_hall(), utc=lambda: EVENING) as (app, pilot):
        app.captures = (capture,)
        for keys in (["f2"], ["f3"], ["f5"], ["f6"], ["f7"], ["f8"], ["f4"], ["b"], ["f4", "enter"]):
            await pilot.press(*keys)
            while app.focused is None:
                await pilot.pause(0.02)
            verify_keys(app)
            seen.add(type(app.screen).__name__)
        while not isinstance(app.focused, TextArea):
            await pilot.pause(0.02)
        verify_keys(app)
        seen.add(type(app.screen).__name__)
    assert len(seen) == 9


async def test_a_list_ends_at_its_ends(tmp_path: Path) -> None:
    """A key that is held too long must not come round from the last action to the first: power on."""
    async with bench(tmp_path) as b:
        await b.press("1", "enter")
        actions = b.app.screen.query_one(OptionList)
        await b.press("up")
        assert actions.highlighted == 0
        await b.press(*["down"] * (actions.option_count + 2))
        assert actions.highlighted == actions.option_count - 1


@pytest.mark.slow
async def test_function_keys_lead_away_from_what_is_only_read_and_say_why_they_do_not(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("question_mark", "f5")
        assert b.app.screen.name == "journal"
        await b.press("f2", "1", "l")
        await b.press(*"why")
        await b.press("f3")
        await b.until(lambda: any("has to be left first: esc" in text for text in b.told))
        assert b.app.screen.query(Input).first().value == "why"
        await b.press("escape", "f3")
        assert b.app.screen.name == "traffic"
        await b.press("f2")
        assert isinstance(b.app.screen, UnitsScreen)
