"""Keys that come faster than screens change: none of them may reach the wrong unit."""

from __future__ import annotations

from pathlib import Path

import pytest
from textual import events

from controller.records import Known
from tests.tui.dashboard_bench import bench
from tui.screens.units import UnitsScreen


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
