"""The rows of traffic on the screen: what more of them costs, and that the scroll bar knows of all."""

from __future__ import annotations

import gc
from dataclasses import replace

import pytest
from textual.geometry import Region

from controller.records import Traffic
from tests.tui.dashboard_bench import dashboard_on
from tests.tui.still_hall import EVENING, evening_hall, evening_traffic
from tui.alone import run_alone
from tui.app import DashboardApp
from tui.widgets.traffic_view import TrafficView


async def test_the_scroll_bar_reaches_over_rows_that_come_without_a_new_layout(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    heard = next(r for r in evening_traffic() if isinstance(r, Traffic) and r.meaning and not r.command_id)
    hall = evening_hall()
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        await pilot.press("f3")
        view = app.screen.query_one(TrafficView)

        async def come(rows: int) -> None:
            wanted = len(app.traffic) + rows
            hall.tell([replace(heard, at=EVENING + number) for number in range(rows)])
            while view.shown < wanted:
                await pilot.pause(0.02)

        await come(3)
        bars = [view.show_vertical_scrollbar]
        await come(200)
        bars.append(view.show_vertical_scrollbar)
        assert bars == [False, True]
        asked: list[bool] = []
        refresh = view.refresh

        def watched(*regions: Region, layout: bool = False, **more: bool) -> TrafficView:
            asked.append(layout)
            return refresh(*regions, layout=layout, **more)

        monkeypatch.setattr(view, "refresh", watched)
        await come(100)
        await come(100)
        assert view.vertical_scrollbar.window_virtual_size == view.shown
        assert view.scroll_offset.y == view.shown - view.size.height
        assert asked
        assert not any(asked)
        await pilot.press("home")
        assert view.scroll_offset.y == 0


async def test_what_is_loaded_by_the_first_paint_is_not_looked_through_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before = gc.get_freeze_count()

    async def no_terminal(app: DashboardApp) -> int:
        async with app.run_test() as pilot:
            while gc.get_freeze_count() == before:
                await pilot.pause()
        return 3

    monkeypatch.setattr(DashboardApp, "run_async", no_terminal)
    async with dashboard_on(evening_hall(), utc=lambda: EVENING) as (app, _):
        pass
    try:
        assert await run_alone(DashboardApp(app.api, app.model, cautions=False)) == 3
        assert gc.get_freeze_count() > before
    finally:
        gc.unfreeze()
