"""Sites as large and as odd as they come: nothing breaks, nothing is painted past its place."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.cells import cell_len
from textual.command import CommandList, CommandPalette
from textual.geometry import Size

from controller.api import ActionView, BusView, SiteView, UnitView
from controller.records import Alert, Direction, Known, LinkState, Lock, Lost, Traffic
from tests.tui.dashboard_bench import dashboard_on
from tests.tui.still_hall import EVENING, StillHall, evening_hall
from tui.app import DashboardApp
from tui.looks import Looks
from tui.model import HallModel
from tui.painting import alert_lines, detail_lines, hall_lines, top_line
from tui.palette import palette_commands
from tui.screens.units import UnitsScreen
from tui.widgets.hall_view import HallView
from tui.widgets.traffic_view import TrafficView

UNITS, BUSES = 256, 64
ODD = (
    "a" * 200,
    "宽" * 100,  # each two cells wide (Unicode, UAX 11)
    "e\u0301\u0327" * 66,  # combining marks have no width of their own (Unicode, chapter 3.6)
    "👩‍🔧🎚️" * 40,
    "[bold]x[/bold] \x1b[2J\u202e" * 10,
    "two\nlines\tand a tab " * 9,
)


def large_hall() -> StillHall:
    kinds = ("ring", "open", "shared", "tap")
    buses = tuple(
        BusView(f"bus-{n}", "sim://x", "pellgate-chain", kinds[n % 4], 4, True, 4800.0) for n in range(BUSES)
    )
    states: dict[str, dict[str, object]] = {
        "power": {"type": "boolean", "set": ["true=power-on", "false=standby"]},
        "display": {"type": "text"},
    }
    actions = (
        ActionView("power-on", ODD[1], "energise"),
        ActionView("standby", ODD[3], "de-energise"),
    )
    units = tuple(
        UnitView(f"u{n}", ODD[n % 6], f"bus-{n % BUSES}", n, "other", f"group-{n % 5}", actions, states)  # type: ignore[arg-type]  # -- plain values
        for n in range(UNITS)
    )
    known = {(f"u{n}", "display"): (ODD[n % len(ODD)], Known.OBSERVED) for n in range(UNITS)}
    hall = StillHall(SiteView("large", ODD[1], buses, units), known)
    hall.wrong = [Alert(f"chain-bus-{n}", f"bus-{n}", EVENING, ODD[n % 6], ODD[n % 5]) for n in range(9)]
    hall.standing = [Lock(f"l{n}", f"u{n}", ODD[1], ODD[4], EVENING) for n in range(0, UNITS, 7)]
    hall.down = {"bus-3": ODD[2], "bus-4": ODD[4]}
    return hall


def check_painted(app: DashboardApp) -> None:
    """Each row fills the screen's width and no more, and nothing in it steers a terminal."""
    width, height = app.size
    strips = app.screen._compositor.render_strips(Size(width, height))
    assert len(strips) == height
    for strip in strips:
        text = "".join(segment.text for segment in strip)
        assert strip.cell_length == width
        assert cell_len(text) == width
        assert not {"\x1b", "\u202e", "\n", "\t"} & set(text)
    if isinstance(app.screen, UnitsScreen):
        words = app.screen.query_one(HallView).words
        assert max(cell_len(line) for line in words.split("\n")) <= width


@pytest.mark.parametrize("width", [20, 21, 60, 80, 140, 200])
async def test_no_line_is_wider_than_the_screen_whatever_its_names(width: int) -> None:
    model = await HallModel.read(large_hall())
    looks = Looks(dark=True)
    lines = [line.text for line in hall_lines(model.buses(), width, 256, looks)]
    lines += [top_line(model, EVENING, width, looks), *alert_lines(model.standing_alerts, width, looks, 9, 3)]
    for number in range(1, UNITS + 1, 17):
        lines += detail_lines(model.unit(number), width, looks)
    assert len(lines) > UNITS
    for line in lines:
        assert line.cell_len <= width
        assert not {"\x1b", "\u202e", "\u200d", "\n", "\t"} & set(line.plain)


SIZES = [(80, 24), (20, 5), (200, 60), (21, 6), (80, 24)]


@pytest.mark.slow
async def test_many_units_with_odd_names_at_every_size() -> None:
    hall = large_hall()
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        hall.tell(
            Traffic(f"bus-{n % BUSES}", EVENING, Direction.HEARD, bytes(range(40)), None, ODD[n % 6])
            for n in range(120)
        )
        while len(app.traffic) < 120:
            await pilot.pause(0.02)
        for size in SIZES:
            await pilot.resize_terminal(*size)
            for keys in (("f2", "2", "5", "6"), ("end",), ("f3", "enter"), ("escape", "f2")):
                await pilot.press(*keys)
                await pilot.pause()
                check_painted(app)
        assert app.size == (80, 24)
        screen = app.screen
        assert isinstance(screen, UnitsScreen)
        assert screen.selected == UNITS
        assert "└256" in screen.query_one(HallView).words


@pytest.mark.slow
@pytest.mark.parametrize("size", [(20, 5), (40, 10), (200, 60)])
async def test_every_screen_and_sheet_of_a_large_hall(
    size: tuple[int, int], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    async with dashboard_on(large_hall(), size=size, cautions=True, utc=lambda: EVENING) as (app, pilot):
        walks = (
            ("enter",),
            ("1", "enter"),
            ("escape", "g"),
            ("enter",),
            ("escape", "l"),
            ("escape", "u"),
            ("escape", "question_mark"),
            ("escape", "f4"),
            ("f5",),
            ("f6",),
            ("f3",),
            ("slash", "x"),
            ("escape", "f2"),
            ("slash", *"group-3"),
            ("enter", "down", "up", "pagedown"),
        )
        for keys in walks:
            await pilot.press(*keys)
            await pilot.pause()
            check_painted(app)
        assert isinstance(app.screen, UnitsScreen)


async def test_what_changed_before_the_first_record_and_what_a_slow_dashboard_missed_is_asked_for() -> None:
    hall = evening_hall()
    hall.down = {"sound": "it is being opened"}
    model = await HallModel.read(hall)
    hall.down = {}  # up before anybody subscribed: no record tells it
    async with DashboardApp(hall, model, cautions=False).run_test() as pilot:
        while model.status["sound"].link is not LinkState.UP:
            await pilot.pause(0.02)
        hall.known["foyer-amp", "power"] = (True, Known.CONFIRMED)
        hall.tell([Lost(7)])
        while model.states["foyer-amp"]["power"].value is not True:
            await pilot.pause(0.02)
        assert model.lost == 7


async def test_the_palette_lists_a_part_at_first() -> None:
    hall = large_hall()
    app = DashboardApp(hall, await HallModel.read(hall), cautions=False)
    commands = list(palette_commands(app))
    assert len(commands) > 2 * UNITS
    assert [command.discover for command in commands] == [n < 300 for n in range(len(commands))]
    assert commands[0].title == "Everything off"
    assert commands[-1].help == "u255 standby"


@pytest.mark.slow
async def test_the_palette_finds_a_unit_among_many_with_odd_names() -> None:
    # A name with half of a markup tag ended the search, and the dashboard with it.
    async with dashboard_on(large_hall(), utc=lambda: EVENING) as (app, pilot):
        await pilot.press("ctrl+p", *"u255")
        while not isinstance(app.screen, CommandPalette) or not (
            found := [option.prompt for option in app.screen.query_one(CommandList).options]
        ):
            await pilot.pause(0.02)
        assert len(found) < 300


@pytest.mark.slow
async def test_arrows_select_where_there_is_more_than_fits_too() -> None:
    """A view that scrolls has keys of its own for that: they must not stand before the screen's."""
    hall = large_hall()
    async with dashboard_on(hall, utc=lambda: EVENING) as (app, pilot):
        await pilot.press("down", "down", "down", "up")
        screen = app.screen
        assert isinstance(screen, UnitsScreen)
        assert screen.selected == 65  # the second unit on the first bus, of 64
        hall.tell(Traffic("bus-1", EVENING, Direction.HEARD, b"\x01", None, f"row {n}") for n in range(90))
        while len(app.traffic) < 90:
            await pilot.pause(0.02)
        await pilot.press("f3")
        view = app.screen.query_one(TrafficView)
        while view.shown < 90:
            await pilot.pause(0.02)
        for keys, row in ((("home",), 0), (("down", "down"), 2), (("end",), 89), (("up",), 88)):
            await pilot.press(*keys)
            assert view.place == row
        page = view.size.height - 1
        await pilot.press("pageup")
        assert view.place == 88 - page
