"""The profile editor under test: what its tests do by its keys, and read off its screen."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from textual.widgets import OptionList

from controller.records import Record
from controller.service import Controller
from profiles.library import own_folder
from tests.tui.dashboard_bench import Bench
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.profile_sheets import DifferenceSheet
from tui.screens.profiles import ProfilesScreen
from tui.widgets.profile_text import ProfileText


def own_folder_in(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of one's own profiles with nothing of the developer's own in it."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(folder / "config"))
    assert own_folder().is_relative_to(folder)
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
