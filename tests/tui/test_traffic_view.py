"""The rows of traffic on the screen: what more of them costs, and what stands there while there are none."""

from __future__ import annotations

import gc
from dataclasses import replace
from pathlib import Path

import pytest
from textual.geometry import Region

from controller.records import Known, Traffic
from tests.tui.dashboard_bench import bench, dashboard_on
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
        # The bar comes with the next layout, and the rows make room for it.
        while not (view.show_vertical_scrollbar and view.virtual_size.width == view.size.width):
            await pilot.pause(0.02)
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
        while view.scroll_offset.y:
            await pilot.pause(0.02)
        assert view.place == 0


async def test_the_newest_row_is_in_sight_however_many_came_at_once() -> None:
    """One row more than there is room for, where the scroll bar is not laid out yet."""
    heard = next(r for r in evening_traffic() if isinstance(r, Traffic) and r.meaning and not r.command_id)
    hall = evening_hall()
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        await pilot.press("f3")
        view = app.screen.query_one(TrafficView)
        height = view.size.height
        tops = []
        for rows in (height, height + 1, 2 * height):
            hall.tell([replace(heard, at=EVENING + at) for at in range(rows - view.shown)])
            while view.shown < rows:
                await pilot.pause(0.02)
            while view.show_vertical_scrollbar != (rows > height):
                await pilot.pause(0.02)
            tops.append(view.scroll_offset.y)
        assert tops == [0, 1, height]
        await pilot.press("up")
        assert (view.follow, view.place) == (False, 2 * height - 2)


async def test_what_is_loaded_by_the_first_paint_is_not_looked_through_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    before, thresholds = gc.get_freeze_count(), gc.get_threshold()

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
        assert gc.get_threshold() > thresholds
    finally:
        gc.unfreeze()
        gc.set_threshold(*thresholds)


@pytest.mark.slow
async def test_where_nothing_is_shown_the_screen_says_why(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("f3")
        view = b.app.screen.query_one(TrafficView)
        await b.until(lambda: "nothing was said yet" in view.render_line(0).text)
        await b.press("f5")
        await b.until(lambda: "nothing was commanded yet" in b.text("#nothing"))
        await b.press("f2", "1", "f")
        await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        await b.press("f3")
        await b.until(lambda: "standby → mixer" in view.render_line(0).text)
        await b.press("slash", *"volume", "enter")
        await b.until(lambda: "nothing fits what you look for; esc shows all" in view.render_line(0).text)
        assert "esc show all" in b.text("#keys")
        await b.press("escape")
        await b.until(lambda: "standby → mixer" in view.render_line(0).text)
        assert "esc show all" not in b.text("#keys")
        await b.press("f5", "slash", *"volume", "enter")
        await b.until(
            lambda: "nothing fits" in b.text("#nothing") and b.app.screen.query_one("#nothing").display
        )
        await b.press("escape")
        await b.until(lambda: not b.app.screen.query_one("#nothing").display)
        await b.press("f2", "slash", *"foyer", "enter")
        await b.until(lambda: "esc show all" in b.text("#keys"))
        assert "Stage mixer" not in b.words
