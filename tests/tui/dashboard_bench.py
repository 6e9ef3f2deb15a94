"""A dashboard by its keys: a real controller, real simulated lines, no terminal."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Static

from controller.api import ControllerApi
from controller.records import Known
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.site import LoadedSite
from tui.app import DashboardApp
from tui.demo.evening import load_hall
from tui.model import HallModel
from tui.screens.cautions import CautionsScreen
from tui.screens.units import UnitsScreen
from tui.widgets.hall_view import HallView

__all__ = ["Bench", "bench", "dashboard_on", "piloted"]


class Bench:
    """A dashboard under test."""

    def __init__(self, app: DashboardApp, controller: Controller, pilot: Pilot[int]) -> None:
        self.app = app
        self.controller = controller
        self.pilot = pilot

    async def press(self, *keys: str) -> None:
        await self.pilot.press(*keys)

    async def until(self, holds: Callable[[], object], what: str = "") -> None:
        """Let the app work until something holds."""
        for _ in range(400):
            if holds():
                return
            await self.pilot.pause(0.02)
        pytest.fail(f"{what or 'it'} never came about: {self.words}")

    @property
    def words(self) -> str:
        """What the units screen says."""
        return self.app.screen.query_one(HallView).words if isinstance(self.app.screen, UnitsScreen) else ""

    @property
    def told(self) -> list[str]:
        """What the app has notified of and still shows."""
        return [f"{each.title} {each.message}".strip() for each in self.app._notifications]

    def text(self, selector: str) -> str:
        return str(self.app.screen.query_one(selector, Static).render())

    def state(self, unit: str, name: str) -> tuple[object, Known]:
        value = self.app.model.states[unit][name]
        return value.value, value.known


@asynccontextmanager
async def dashboard_on(
    api: ControllerApi, *, size: tuple[int, int] = (80, 24), cautions: bool = False, **more: Any
) -> AsyncIterator[tuple[DashboardApp, Pilot[int]]]:
    """The dashboard on any controller."""
    app = DashboardApp(api, await HallModel.read(api), who="Ada", cautions=cautions, **more)
    async with piloted(app, size) as pilot:
        yield app, pilot


@asynccontextmanager
async def piloted(app: DashboardApp, size: tuple[int, int]) -> AsyncIterator[Pilot[int]]:
    """An app without a terminal, each of whose keys is pressed when the one before is done with."""
    async with app.run_test(size=size) as pilot:
        press = pilot.press

        async def in_order(*keys: str) -> None:
            for key in keys:
                await press(key)
                while app.is_running and not app.settled:
                    await pilot.pause()

        pilot.press = in_order  # type: ignore[method-assign]  # -- whoever has the pilot presses in order
        yield pilot


@asynccontextmanager
async def bench(
    folder: Path,
    *,
    size: tuple[int, int] = (80, 24),
    cautions: bool = False,
    loaded: LoadedSite | None = None,
    **more: Any,
) -> AsyncIterator[Bench]:
    """The dashboard on a controller of its own: of the demo's hall, or of another site."""
    controller = await Controller.open(loaded or load_hall(), folder)
    try:
        await controller.ready()
        async with dashboard_on(controller, size=size, cautions=cautions, **more) as (app, pilot):
            made = Bench(app, controller, pilot)
            await made.until(lambda: isinstance(app.screen, UnitsScreen | CautionsScreen))
            yield made
    finally:
        await controller.close()
        stop_all()
