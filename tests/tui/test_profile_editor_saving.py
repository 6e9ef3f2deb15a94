"""Saving profiles: shown first, never over somebody else's unseen, and with nothing sent."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from textual.widgets import Static

from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.site import load_site
from controller.state_folder import Claim
from profiles.library import own_file
from tests.tui.dashboard_bench import Bench, bench, piloted
from tests.tui.editor_bench import (
    area,
    editor,
    note,
    opened,
    own_folder_in,
    replaced,
    saved,
)
from tui.app import DashboardApp
from tui.demo.evening import load_hall
from tui.model import HallModel
from tui.screens.profile_editor import ProfileEditorScreen
from tui.screens.profile_sheets import DifferenceSheet, MovedSheet
from tui.screens.units import UnitsScreen


@pytest.fixture(autouse=True)
def own_profiles(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return own_folder_in(tmp_path, monkeypatch)


async def test_a_second_save_keeps_the_version_before_beside_it(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await replaced(b, 'title = "Standby', 'title = "Go to rest')
        await saved(b)
        path = own_file("pellgate-chain", own_profiles)
        first = path.read_text("utf-8")
        await replaced(b, "Go to rest", "Rest")
        await b.press("ctrl+s")
        await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
        assert "kept beside it" in str(b.app.screen.query(".quiet").first(Static).render())
        await b.press("y")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and not editor(b).draft.changed)
        assert path.with_name(f"{path.name}~").read_text("utf-8") == first
        assert path.read_text("utf-8") == first.replace("Go to rest", "Rest")
        assert "made-up make" in path.read_text("utf-8").split("\n")[0]  # comments stay


async def test_nothing_is_saved_without_a_yes(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await b.press("ctrl+s")
        await b.until(lambda: "nothing to save" in note(b))
        await replaced(b, 'title = "Standby', 'title = "Rest')
        await b.press("ctrl+s")
        await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert editor(b).draft.changed
        assert not own_file("pellgate-chain", own_profiles).exists()


async def _somebody_saves(b: Bench, old: str, new: str) -> str:
    """Another front end saves the same profile; gives its text."""
    theirs = await b.controller.profile("pellgate-chain")
    text = theirs.text.replace(old, new)
    assert text != theirs.text
    await b.controller.put_profile("pellgate-chain", text, theirs.revision)
    return text


async def _both_changed(b: Bench) -> str:
    await opened(b)
    await replaced(b, 'title = "Standby', 'title = "Rest')
    theirs = await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
    await b.until(lambda: "somebody else has saved" in note(b), "a warning")
    assert 'title = "Rest"' in area(b).text
    await b.press("ctrl+s")
    await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
    await b.press("y")
    await b.until(lambda: isinstance(b.app.screen, MovedSheet))
    return theirs


async def test_two_people_and_nothing_is_overwritten_unseen(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        path = own_file("pellgate-chain", own_profiles)
        assert path.read_text("utf-8") == theirs
        assert '+title = "Wake"' in b.text("#difference")
        await b.press("2")
        assert '+title = "Rest"' in b.text("#difference")
        await b.press("m")  # not seen yet what it does to theirs: that is shown first
        assert isinstance(b.app.screen, MovedSheet)
        assert {'-title = "Wake"', '+title = "Power on"'} <= set(b.text("#difference").split("\n"))
        assert path.read_text("utf-8") == theirs
        await b.press("m")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and not editor(b).draft.changed)
        assert 'title = "Rest"' in path.read_text("utf-8")
        assert path.with_name(f"{path.name}~").read_text("utf-8") == theirs


async def test_theirs_can_be_taken_and_ones_own_brought_back(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        await b.press("t")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen) and area(b).text == theirs)
        assert not editor(b).draft.changed
        await b.press("ctrl+z")
        await b.until(lambda: 'title = "Rest"' in area(b).text)
        assert own_file("pellgate-chain", own_profiles).read_text("utf-8") == theirs


async def test_deciding_later_leaves_both_as_they_are(tmp_path: Path, own_profiles: Path) -> None:
    async with bench(tmp_path) as b:
        theirs = await _both_changed(b)
        await b.press("escape")
        await b.until(lambda: isinstance(b.app.screen, ProfileEditorScreen))
        assert 'title = "Rest"' in area(b).text
        assert own_file("pellgate-chain", own_profiles).read_text("utf-8") == theirs


async def test_what_others_save_shows_where_nothing_is_lost_by_it(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        theirs = await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
        await b.until(lambda: area(b).text == theirs)
        assert not editor(b).draft.changed


async def test_over_the_local_socket_it_is_the_same(tmp_path: Path, own_profiles: Path) -> None:
    """A dashboard beside a running controller: saved, taken by the bus, and told when another was quicker."""
    with Claim(tmp_path / "state") as claim:
        controller = await Controller.open(load_hall(), claim.folder)
        try:
            await controller.ready()
            async with LocalServer(controller, claim), await LocalClient.connect(claim.folder) as client:
                app = DashboardApp(client, await HallModel.read(client), who="Ada", cautions=False)
                async with piloted(app, (80, 24)) as pilot:
                    b = Bench(app, controller, pilot)
                    await b.until(lambda: isinstance(app.screen, UnitsScreen))
                    await opened(b)
                    await replaced(b, 'title = "Standby', 'title = "Rest')
                    await saved(b)
                    await b.until(lambda: any(a.title == "Rest" for a in app.model.site.units[0].actions))
                    await replaced(b, 'title = "Rest', 'title = "Sleep')
                    await _somebody_saves(b, 'title = "Power on"', 'title = "Wake"')
                    await b.press("ctrl+s")
                    await b.until(lambda: isinstance(app.screen, DifferenceSheet))
                    await b.press("y")
                    await b.until(lambda: isinstance(app.screen, MovedSheet))
                    await b.press("t")
                    await b.until(lambda: isinstance(app.screen, ProfileEditorScreen))
                    assert 'title = "Wake"' in area(b).text
        finally:
            await controller.close()
            stop_all()
    assert 'title = "Rest"' in own_file("pellgate-chain", own_profiles).read_text("utf-8")


SITE = """
[site]
id = "larkfield-hall"
title = "Larkfield Hall"

[buses.hall]
port = "socket://127.0.0.1:{port}"
profile = "hall.toml"
topology = "open"

[units.amp]
bus = "hall"
title = "Hall amplifier"
"""

PROFILE = """
schema = 1
name = "hall"

[line]
baud = 9600

[confirm]
method = "none"

[states.power]
type = "boolean"
set = { true = "power-on", false = "standby" }

[actions.power-on]
effect = "energise"
send = [{ hex = "A5 01" }]
sets = { power = true }

[actions.standby]
effect = "de-energise"
send = [{ hex = "A5 02" }]
sets = { power = false }
"""


async def test_a_running_bus_takes_it_and_its_far_end_hears_nothing(tmp_path: Path) -> None:
    """The far end is a socket that keeps every byte; even other line settings send none."""
    heard = bytearray()
    opened_ports = 0

    async def keep(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal opened_ports
        opened_ports += 1
        while data := await reader.read(1000):
            heard.extend(data)
        writer.close()

    server = await asyncio.start_server(keep, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    (tmp_path / "hall.toml").write_text(PROFILE, "utf-8")
    (tmp_path / "site.toml").write_text(SITE.replace("{port}", str(port)), "utf-8")
    controller = await Controller.open(load_site(tmp_path / "site.toml"), tmp_path)
    try:
        await controller.ready()
        app = DashboardApp(controller, await HallModel.read(controller), who="Ada", cautions=False)
        async with piloted(app, (80, 24)) as pilot:
            b = Bench(app, controller, pilot)
            await b.until(lambda: isinstance(app.screen, UnitsScreen))
            await opened(b)
            await replaced(b, 'send = [{ hex = "A5 01', 'send = [{ hex = "A5 03')
            await replaced(b, "baud = 9600", "baud = 4800")
            before = opened_ports
            await saved(b)
            await b.until(lambda: opened_ports > before and app.model.site.buses[0].baud == 4800)
            assert bytes(heard) == b""
            await b.press("f2", "1", "o")
            await b.until(lambda: bytes(heard) != b"" and app.model.last["amp"].outcome is not None)
            assert bytes(heard) == bytes.fromhex("A5 03")
        assert (tmp_path / "hall.toml~").read_text("utf-8") == PROFILE
    finally:
        await controller.close()
        stop_all()
        server.close()
        await server.wait_closed()


@pytest.mark.parametrize(
    ("old", "new", "anew"),
    [
        ("baud = 4800", "baud = 9600", True),
        pytest.param("timeout_ms = 2", "timeout_ms = 3", False, marks=pytest.mark.slow),
    ],
)
async def test_before_saving_it_is_said_whether_the_port_is_opened_anew(
    old: str, new: str, anew: bool, tmp_path: Path
) -> None:
    async with bench(tmp_path) as b:
        await opened(b)
        await replaced(b, old, new)
        await b.press("ctrl+s")
        await b.until(lambda: isinstance(b.app.screen, DifferenceSheet))
        said = str(b.app.screen.query(".quiet").first(Static).render())
        assert "nothing is sent" in said
        assert ("the port is opened anew" in said) is anew
