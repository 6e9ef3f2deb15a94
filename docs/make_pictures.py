"""Pictures of the real screens for README: the simulated hall, worked by keys, exported as SVG.

Run with ``make pictures``.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import tempfile
from pathlib import Path

from textual.pilot import Pilot
from textual.widgets import Input, OptionList

from controller.records import Origin, OriginKind
from controller.service import Controller
from tui.app import DashboardApp
from tui.demo.evening import load_hall
from tui.model import HallModel
from tui.screens.bench import BenchScreen

HERE = Path(__file__).parent / "pictures"
CAPTURES = Path(__file__).parents[1] / "tests" / "data" / "captures"
ORIGIN = Origin(OriginKind.SCREEN, "Ada")


async def _settled(pilot: Pilot[int]) -> None:
    await asyncio.sleep(0.5)
    await pilot.pause()


def _keep(app: DashboardApp, name: str) -> None:
    picture = app.export_screenshot(title="linewarden")
    # The fonts that the exporter names are fetched from outside; a reader's own monospace font will do.
    picture = re.sub(r"@font-face \{.*?\}\s*", "", picture, flags=re.DOTALL)
    picture = picture.replace("Fira Code", "monospace")
    # No window of any one system: its buttons go.
    picture = re.sub(r"\s*<circle [^>]*/>", "", picture)
    (HERE / f"{name}.svg").write_text(picture, encoding="utf-8")


async def _main() -> None:
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        controller = await Controller.open(load_hall(), Path(folder))
        await controller.ready()
        app = DashboardApp(controller, await HallModel.read(controller), who="Ada", cautions=False)
        async with app.run_test(size=(80, 24)) as pilot:
            for keys in (("1", "o"), ("2", "o"), ("4",)):
                await pilot.press(*keys)
                await _settled(pilot)
            await controller.simulate("sound", "press 1 set-volume level=31")
            await controller.lock("foyer-amp", "Ada", "new fuse")
            await pilot.press("2")
            await _settled(pilot)
            _keep(app, "units")
            await pilot.press("f3")
            await _settled(pilot)
            await pilot.press("up", "enter")
            await _settled(pilot)
            _keep(app, "traffic")
            await pilot.press("f2")
            await controller.simulate("sound", "cut 2")
            await pilot.press("2", "f")
            await asyncio.sleep(2.0)
            await _settled(pilot)
            _keep(app, "broken")
            await pilot.press("f5")
            await _settled(pilot)
            _keep(app, "journal")
            await _group(app, pilot)
            await _sequence(app, pilot, controller)
            await _profile(app, pilot)
            await _bench(app, pilot)
            await _simulator(app, pilot)
            with contextlib.chdir(folder):
                await _box(app, pilot)
        await controller.close()


async def _sequence(app: DashboardApp, pilot: Pilot[int], controller: Controller) -> None:
    """The evening on its way, begun by the switch at the stage door."""
    await controller.simulate("sound", "clear all")
    await controller.simulate("lights", "line cts on")
    await pilot.press("f8")
    await asyncio.sleep(2.5)
    await _settled(pilot)
    _keep(app, "sequences")
    await asyncio.sleep(2.0)
    await pilot.press("f2")
    await _settled(pilot)


async def _group(app: DashboardApp, pilot: Pilot[int]) -> None:
    """A group alone, while the ring is still open."""
    await pilot.press("f2", "g", "enter")
    await _settled(pilot)
    _keep(app, "group")
    await pilot.press("escape")


async def _profile(app: DashboardApp, pilot: Pilot[int]) -> None:
    """The profile editor, the cursor in an action: what it would send stands below."""
    await pilot.press("f4")
    await _settled(pilot)
    await pilot.press("enter", *["pagedown"] * 3, *["down"] * 3)
    await _settled(pilot)
    _keep(app, "profile")
    await pilot.press("escape")


async def _bench(app: DashboardApp, pilot: Pilot[int]) -> None:
    """A capture of the power button, the third byte opened and measured from the first."""
    app.captures = (CAPTURES / "power-on_1.csv", CAPTURES / "replay.csv")
    await pilot.press("f7")
    for keys in ((), ("j",), ("m", "right", "right")):
        await pilot.press(*keys)
        await _settled(pilot)
        while isinstance(app.screen, BenchScreen) and app.screen.turns.busy:
            await _settled(pilot)
    _keep(app, "bench")


async def _simulator(app: DashboardApp, pilot: Pilot[int]) -> None:
    """A fault that was set, another that is typed, and what each was answered."""
    await pilot.press("f6")
    await _settled(pilot)
    await pilot.press("tab")
    for order in ("corrupt 2", "show", "clear all"):
        await pilot.press(*order, "enter")
        await _settled(pilot)
    await pilot.press(*"press 1 mute-on")
    await _settled(pilot)
    _keep(app, "simulator")
    await pilot.press("enter", "f2")


async def _box(app: DashboardApp, pilot: Pilot[int]) -> None:
    """A unit that was qualified."""
    await pilot.press("f4")
    await _settled(pilot)
    await pilot.press("b")
    await _settled(pilot)
    app.screen.query_one(OptionList).highlighted = 2
    for _ in ("the job", "its unit"):
        await pilot.press("enter")
        await _settled(pilot)
    fields = {field.id: field for field in app.screen.query(Input)}
    for name, text in (
        ("on-for", "0.6"),
        ("off-for", "0.4"),
        ("cycles", "8"),
        ("report", "mixer.html"),
    ):
        fields[f"field-{name}"].value = text
    list(fields.values())[-1].focus()
    await pilot.press("enter")
    await _settled(pilot)
    await pilot.press("y")
    while app.box.report is None:
        await _settled(pilot)
    # Whoever looks at it has no use for the name of a temporary folder.
    lines = [line.replace(f"{app.box.report.parent.resolve()}/", "") for line in app.box.lines]
    app.box.lines.clear()
    app.box.lines.extend(lines)
    await pilot.press("f2", "f4", "b")
    await _settled(pilot)
    _keep(app, "box")


if __name__ == "__main__":
    asyncio.run(_main())
