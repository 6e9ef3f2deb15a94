"""The bench as it is kept in tests/data/screens, at 80 x 24 and at 140 x 45."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.tui.dashboard_bench import dashboard_on
from tests.tui.screens import difference_to_kept, picture_of
from tests.tui.still_hall import EVENING, evening_hall
from tui.app import DashboardApp
from tui.screens.bench import BenchScreen
from tui.screens.sheets import ChoiceSheet

CAPTURES = Path(__file__).parents[1] / "data" / "captures"
SIZES = [(80, 24), pytest.param((140, 45), marks=pytest.mark.slow)]


@pytest.fixture(autouse=True)
def still(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """One time zone."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def at_rest(app: DashboardApp) -> bool:
    """Whether both captures lie on the bench and nothing is read any more, or a sheet asks for something."""
    screen = app.screen
    if isinstance(screen, ChoiceSheet):
        return True
    return isinstance(screen, BenchScreen) and len(screen.desk.lines) == 4 and not screen.turns.busy


@pytest.mark.parametrize("size", SIZES)
async def test_the_bench_looks_as_it_is_kept(size: tuple[int, int]) -> None:
    differences = []
    async with dashboard_on(evening_hall(), size=size, utc=lambda: EVENING) as (app, pilot):
        app.animation_level = "none"
        app.captures = (CAPTURES / "power-on_1.csv", CAPTURES / "replay.csv")
        await pilot.press("f7")
        for name, keys in (
            ("bench-captures", ()),
            ("bench-joined", ("j",)),
            ("bench-measured", ("m", "right", "right")),
            ("bench-edge", ("escape", "plus", "plus", "full_stop")),
            ("bench-evidence", ("e",)),
            ("bench-laid", ("e", "minus", "minus", "v", "down", "enter")),
            ("bench-settings", ("v", "l")),
        ):
            for key in ("", *keys):
                await pilot.press(*([key] if key else []))
                while not at_rest(app):
                    await pilot.pause(0.02)
            before = ""
            while (picture := picture_of(app)) != before:
                before = picture
                await pilot.pause()
            differences.append(difference_to_kept(f"{name}-{size[0]}x{size[1]}", picture))
    assert differences == [""] * 7
