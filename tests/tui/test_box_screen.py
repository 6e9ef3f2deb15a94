"""The box screen by its keys, on the simulated hall: export, proof, qualification, and the report opened."""

from __future__ import annotations

import asyncio
import json
import os
import stat
import time
from pathlib import Path

import pytest
from textual.widgets import Input, OptionList, Static

from controller.records import Known
from tests.tui.dashboard_bench import Bench, bench
from tui.report_opening import open_report, opener
from tui.screens.box import BoxScreen
from tui.screens.profiles import ProfilesScreen
from tui.screens.sheets import AskSheet, ChoiceSheet, TextForm
from tui.screens.units import UnitsScreen


async def job(b: Bench, number: int) -> None:
    """Begin the job at that place of the list."""
    b.app.screen.query_one(OptionList).highlighted = number
    await b.press("enter")


async def fill(b: Bench, **texts: str) -> None:
    """Fill a form in, and send it off."""
    await b.until(lambda: isinstance(b.app.screen, TextForm), "the form")
    form = b.app.screen
    for name, text in texts.items():
        form.query_one(f"#field-{name.replace('_', '-')}", Input).value = text
    last = list(form.query(Input))[-1]
    last.focus()
    await b.press("enter")


def said(b: Bench) -> str:
    return "\n".join(b.app.box.lines)


async def to_the_box(b: Bench) -> None:
    """By the command palette's entry."""
    entries = {entry.title: entry.callback for entry in b.app.get_system_commands(b.app.screen)}
    entries["Box"]()
    await b.until(
        lambda: isinstance(b.app.screen, BoxScreen) and b.app.screen.query("#came-lines"), "the box screen"
    )


async def qualification(b: Bench, report: Path, *, cycles: int = 2, on_for: str = "0.6") -> None:
    """Begin one of the stage mixer."""
    await to_the_box(b)
    await job(b, 2)
    await b.until(lambda: isinstance(b.app.screen, ChoiceSheet), "the units")
    await b.press("enter")
    await b.until(lambda: isinstance(b.app.screen, TextForm), "the form")
    await b.pilot.pause()
    assert all(each.region.bottom <= 24 for each in b.app.screen.query("Static, Input"))
    await fill(b, cycles=str(cycles), on_for=on_for, off_for="0", report=str(report))
    await b.until(lambda: isinstance(b.app.screen, AskSheet), "the question")


async def test_a_box_is_exported_from_the_profiles_screen(tmp_path: Path) -> None:
    async with bench(tmp_path / "state") as b:
        await b.press("f4")
        await b.until(lambda: isinstance(b.app.screen, ProfilesScreen))
        await b.until(lambda: b.app.screen.query_one(OptionList).option_count > 3)
        await b.press("b")
        await b.until(lambda: isinstance(b.app.screen, BoxScreen) and b.app.screen.query("#came-lines"))
        await job(b, 0)
        await fill(b, on="power-on", off="no-such", folder=str(tmp_path / "box"))
        await b.until(lambda: "no action 'no-such'" in b.text("#wrong"))
        await fill(b, off="standby")
        await b.until(lambda: not b.app.box.doing and "fuses" in said(b), "the export")
        assert (tmp_path / "box" / "tables.c").exists()
        assert b.app.box.folder == str(tmp_path / "box")
        # A folder that has a box is not written over.
        await job(b, 0)
        await fill(b)
        await b.until(lambda: "has a box already" in said(b))


@pytest.mark.slow
async def test_a_unit_is_qualified_with_progress_and_its_report_written(tmp_path: Path) -> None:
    report = tmp_path / "mixer.html"
    async with bench(tmp_path / "state") as b:
        await qualification(b, report)
        assert "2 times?" in " ".join(str(each.render()) for each in b.app.screen.query(Static))
        await b.press("y")
        await b.until(lambda: "qualification: " in b.text("#figures"), "the progress")
        await b.press("f2")
        await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        assert "qualifying" in b.app.note
        await b.until(lambda: b.app.box.report == report, "the report")
        await to_the_box(b)
        assert "commands that failed: 0 %, at most 0 %" in said(b)
        assert "nothing is being done" in b.text("#figures")
        assert json.loads(report.with_suffix(".json").read_text())["plan"]["completed"] == 2
        assert "Qualification of Stage mixer" in report.read_text()
        assert b.state("mixer", "power") == (False, Known.CONFIRMED)


@pytest.mark.slow
async def test_ending_it_switches_off_and_writes_an_incomplete_report(tmp_path: Path) -> None:
    report = tmp_path / "mixer.html"
    async with bench(tmp_path / "state") as b:
        await qualification(b, report, cycles=50, on_for="20")
        await b.press("y")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await to_the_box(b)
        await b.press("s")
        await b.until(lambda: b.app.box.report == report)
        assert "it was stopped" in said(b)
        assert b.state("mixer", "power") == (False, Known.CONFIRMED)
        assert json.loads(report.with_suffix(".json").read_text())["complete"] is False


@pytest.mark.slow
async def test_leaving_asks_first_and_switches_off(tmp_path: Path) -> None:
    report = tmp_path / "mixer.html"
    async with bench(tmp_path / "state") as b:
        await qualification(b, report, cycles=50, on_for="20")
        await b.press("y")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.press("ctrl+q")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("n")
        assert b.app.box.switching
        await b.press("ctrl+q")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("y")
        for _ in range(200):
            if report.exists() and not b.app.is_running:
                break
            await asyncio.sleep(0.02)
        assert report.exists()
        assert not b.app.is_running
        states = await b.controller.states()
        assert states["mixer"]["power"].value is False


@pytest.mark.slow
async def test_everything_off_ends_it(tmp_path: Path) -> None:
    async with bench(tmp_path / "state") as b:
        await qualification(b, tmp_path / "mixer.html", cycles=50, on_for="20")
        await b.press("y")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.press("f9")
        await b.until(lambda: b.app.box.report is not None)
        assert "commanded mixer standby meanwhile" in said(b)
        assert b.state("mixer", "power") == (False, Known.CONFIRMED)


@pytest.mark.slow
async def test_saying_no_sends_nothing_and_wrong_input_is_told(tmp_path: Path) -> None:
    async with bench(tmp_path / "state") as b:
        await qualification(b, tmp_path / "mixer.html")
        await b.press("n")
        assert not b.app.box.doing
        await job(b, 1)
        await fill(b, folder=str(tmp_path / "nowhere"))
        await b.until(lambda: "no folder" in b.text("#wrong"))
        await b.press("escape")
        await b.press("o")
        await b.until(lambda: any("no report yet" in each for each in b.told))
        assert b.state("mixer", "power") == (None, Known.UNKNOWN)


@pytest.mark.slow
@pytest.mark.peer("avr-gcc")
async def test_a_box_is_proven_with_progress(tmp_path: Path) -> None:
    async with bench(tmp_path / "state") as b:
        await to_the_box(b)
        await job(b, 0)
        await b.until(lambda: isinstance(b.app.screen, ChoiceSheet))
        await b.press("enter")
        await fill(b, folder=str(tmp_path / "box"))
        await b.until(lambda: not b.app.box.doing and "fuses" in said(b))
        await job(b, 1)
        await fill(b)
        await b.until(lambda: b.app.box.of > 0, "the progress")
        for _ in range(1500):
            if not b.app.box.doing:
                break
            await b.pilot.pause(0.02)
        assert b.app.box.lines[-1] == "proven", said(b)


def test_a_report_is_opened_by_what_opens_pages_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = tmp_path / "report.html"
    page.write_text("<p>")
    program = tmp_path / "bin" / "xdg-open"
    program.parent.mkdir()
    program.write_text(
        f'#!/bin/sh\nprintf "%s" "$1" > "{tmp_path}/part"\nmv "{tmp_path}/part" "{tmp_path}/opened"\n'
    )
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    here = {"PATH": f"{program.parent}{os.pathsep}{os.environ['PATH']}"}
    assert opener({**here, "DISPLAY": ":0"}, "linux") == str(program)
    assert opener(here, "linux") is None  # there is no screen to open it on
    assert opener({"PATH": str(tmp_path), "DISPLAY": ":0"}, "linux") is None
    for name, value in (*here.items(), ("DISPLAY", ":0")):
        monkeypatch.setenv(name, value)
    assert "is being opened" in open_report(page)
    for _ in range(500):
        if (tmp_path / "opened").exists():
            break
        time.sleep(0.01)  # another program's work: there is nothing to wait for
    assert (tmp_path / "opened").read_text() == str(page)
    monkeypatch.delenv("DISPLAY")
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    assert f"open {page} in a browser" in open_report(page)
