"""What goes wrong is on the screen with the next paint, and the screen goes on working."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path
from typing import NamedTuple

import pytest

from controller.mqtt import MqttBridge
from controller.records import Known, LinkState
from tests.controller.test_journal_disk import disk_that_takes_no_more
from tests.peers.mosquitto import Mosquitto
from tests.tui.dashboard_bench import Bench, bench
from tui.demo.evening import load_hall
from tui.screens.journal import JournalScreen
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen


async def check_usable(b: Bench) -> None:
    """Every key that one would try does what it should."""
    await b.press("f3")
    await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
    await b.press("f5")
    await b.until(lambda: isinstance(b.app.screen, JournalScreen))
    await b.press("f2", "5")
    await b.until(lambda: "Left blind" in b.text("#detail"))


@pytest.mark.slow
async def test_a_lost_adapter_is_shown_and_so_is_its_return(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        await b.controller.simulate("sound", "unplug")
        await b.until(lambda: b.app.model.status["sound"].link is LinkState.DOWN)
        await b.until(lambda: "adapter is not there" in b.words)
        assert "1 alert" in b.text("#top")
        assert "sound" in b.text("#alerts")
        assert "power ? unknown, was on" in b.words
        await b.press("o")
        await b.until(lambda: "(link-lost)" in b.text("#detail"))
        await check_usable(b)
        await b.controller.simulate("sound", "plug")
        await b.until(lambda: "adapter is not there" not in b.words and "all well" in b.text("#top"))


@pytest.mark.slow
async def test_a_full_disk_is_shown_and_what_takes_energy_away_still_goes_out(tmp_path: Path) -> None:
    async with bench(tmp_path) as b:
        await b.press("1", "o")
        await b.until(lambda: b.state("mixer", "power") == (True, Known.CONFIRMED))
        with disk_that_takes_no_more():
            await b.press("2", "o")
            await b.until(lambda: "refused (journal)" in b.text("#detail"))
            await b.until(lambda: "the journal can't be written" in b.text("#alerts"))
            assert b.state("hall-amp", "power") == (None, Known.UNKNOWN)
            await b.press("1", "f")
            await b.until(lambda: b.state("mixer", "power") == (False, Known.CONFIRMED))
        await check_usable(b)
        await b.until(lambda: "all well" in b.text("#top"), "the journal's recovery")


@pytest.mark.slow
async def test_a_disk_that_fills_up_is_shown_before_anything_is_to_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Usage(NamedTuple):
        free: int

    async with bench(tmp_path) as b:
        # A mock: a disk that is almost full can't be had otherwise.
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(12 << 20))
        await b.until(lambda: "12 MB are left on the disk" in b.text("#alerts"))
        assert "1 alert" in b.text("#top")
        monkeypatch.undo()
        await b.until(lambda: "all well" in b.text("#top"))


@pytest.mark.slow
@pytest.mark.peer("mosquitto")
async def test_a_lost_broker_is_shown_and_its_return_as_well(tmp_path: Path) -> None:
    loaded = load_hall()
    with Mosquitto(tmp_path / "mosquitto") as broker:
        async with (
            bench(tmp_path, loaded=loaded) as b,
            MqttBridge(b.controller, loaded, broker.settings, shortest_pause=0.05) as bridge,
        ):
            async with asyncio.timeout(20):
                await bridge.announced.wait()
            broker.kill()
            await b.until(lambda: "1 alert" in b.text("#top"))
            assert "broker" in b.text("#alerts")
            await check_usable(b)
            await b.press("2", "o")
            await b.until(lambda: b.state("hall-amp", "power") == (True, Known.CONFIRMED))
            broker.start()
            # Not "all well": on a busy machine an echo may come so late that a unit too many seems to answer.
            await b.until(lambda: isinstance(b.app.screen, UnitsScreen) and "broker" not in b.text("#alerts"))
