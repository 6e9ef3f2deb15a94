"""Every screen as it is kept in tests/data/screens, at 80 x 24 and at 140 x 45.

A change of a screen is seen in the diff of these files: DEVELOPERS.md says how they are made anew.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import OptionList

from tests.tui.contrast import contrast, hard_to_read
from tests.tui.dashboard_bench import dashboard_on
from tests.tui.screens import difference_to_kept, picture_of
from tests.tui.still_hall import EVENING, StillHall, evening_hall, evening_traffic
from tui.app import DashboardApp
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.units import UnitsScreen

SIZES = [(80, 24), pytest.param((140, 45), marks=pytest.mark.slow)]


@pytest.fixture(autouse=True)
def still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """One time zone, and nobody's own profiles."""
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


class Walk:
    """A walk through the screens, with a picture of each."""

    def __init__(self, app: DashboardApp, pilot: Pilot[int], size: tuple[int, int]) -> None:
        self.app = app
        self.pilot = pilot
        self.size = size
        self.seen: set[str] = set()
        self.differences: list[str] = []
        self.hard_to_read: list[str] = []

    async def picture(self, name: str, *keys: str) -> None:
        """Press keys, let the screen come to rest, and compare it."""
        picture = await self.read(name, *keys)
        if not self.app.current_theme.dark and not name.startswith("light"):
            return
        name = f"{name}-{self.size[0]}x{self.size[1]}"
        self.seen.add(name)
        if difference := difference_to_kept(name, picture):
            self.differences.append(difference)

    async def read(self, name: str, *keys: str) -> str:
        """Press keys, let the screen come to rest, and see whether all of it can be read; gives it."""
        await self.pilot.press(*keys)
        picture = ""
        for _ in range(200):
            await self.pilot.pause()
            busy = [each for each in self.app.workers if each.group != "records" and not each.is_finished]
            before, picture = picture, picture_of(self.app)
            if picture == before and not busy:
                break
        self.hard_to_read += [f"{name}: {what}" for what in hard_to_read(self.app)]
        return picture


@pytest.mark.parametrize("size", SIZES)
async def test_every_screen_looks_as_it_is_kept(size: tuple[int, int]) -> None:
    hall = evening_hall()
    async with dashboard_on(hall, size=size, cautions=True, utc=lambda: EVENING) as (app, pilot):
        walk = Walk(app, pilot, size)
        await _walk_through(walk, hall)
        app.action_change_ground()
        await walk.picture("light-units", "f2")
        await walk.picture("light-traffic", "f3")
    assert walk.differences == []
    assert not walk.hard_to_read, "\n".join(walk.hard_to_read)


@pytest.mark.slow
async def test_every_screen_can_be_read_on_a_light_ground() -> None:
    hall = evening_hall()
    async with dashboard_on(hall, cautions=True, utc=lambda: EVENING) as (app, pilot):
        app.action_change_ground()
        walk = Walk(app, pilot, (80, 24))
        await _walk_through(walk, hall)
    assert not walk.hard_to_read, "\n".join(walk.hard_to_read)


async def _walk_through(walk: Walk, hall: StillHall) -> None:
    app, pilot = walk.app, walk.pilot
    app.animation_level = "none"
    await walk.picture("cautions")
    await walk.picture("units", "enter")
    hall.tell(evening_traffic())
    while len(app.traffic) < 6:
        await pilot.pause(0.02)
    await walk.picture("unit", "2")
    await walk.picture("actions", "enter")
    await walk.picture("form", "down", "down", "down", "enter")
    await walk.picture("group", "escape", "escape", "g", "enter")
    await walk.picture("help", "question_mark")
    await walk.picture("traffic", "escape", "f3")
    await walk.picture("bits", "home", "down", "enter")
    await walk.picture("found", "escape", "slash", *"volume", "enter")
    await pilot.press("f4")
    while app.screen.query_one(OptionList).option_count < 5:
        await pilot.pause(0.02)
    await walk.picture("profiles")
    await pilot.press("enter")
    while not (isinstance(app.screen, ProfileEditorScreen) and app.screen.checked):
        await pilot.pause(0.02)
    await walk.picture("editor")
    await walk.picture("difference", *"x", "backspace", *"# ", "ctrl+s")
    await walk.picture("journal", "escape", "f5")
    await walk.picture("entry", "enter")
    # What stands under the bar is read in each of its colours.
    for _ in range(5):
        await walk.read("journal", "escape", "down")
    await walk.picture("simulator", "f6")
    await walk.picture("sequences", "f8")
    await walk.read("sequences", "down")
    await walk.picture("bench", "f7")
    await walk.read("palette", "ctrl+p", *"off")
    await walk.read("palette", "down")
    await walk.read("profiles", "escape", "f4", "down")


@pytest.mark.parametrize("size", SIZES)
async def test_what_is_wrong_looks_as_it_is_kept(size: tuple[int, int]) -> None:
    async with dashboard_on(evening_hall(broken=True), size=size, utc=lambda: EVENING) as (app, pilot):
        walk = Walk(app, pilot, size)
        await walk.picture("broken", "2")
        app.action_change_ground()
        await walk.read("broken")
        assert isinstance(app.screen, UnitsScreen)
    assert walk.differences == []
    assert not walk.hard_to_read, "\n".join(walk.hard_to_read)


def test_contrast_is_worked_out_as_the_guidelines_say() -> None:
    """21 and 1 are the guidelines' own ends of the scale; #777777 on white is 4.48, just too little."""
    black, white = (0, 0, 0), (255, 255, 255)
    assert contrast(black, white) == pytest.approx(21)
    assert contrast(white, white) == pytest.approx(1)
    assert contrast((0x77, 0x77, 0x77), white) == pytest.approx(4.48, abs=0.005)
