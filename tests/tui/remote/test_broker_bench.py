"""The bench and the traffic behind a real Mosquitto: what needs the controller's own machine says so."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from textual.widgets import Static

from controller.api import JournalQuery
from controller.records import Known
from controller.simulator.registry import stop_all
from tests.controller.mqtt.hall import hall_at
from tests.peers.mosquitto import Mosquitto
from tests.tui.bench_lines import POWER_ON, write_logic
from tests.tui.dashboard_bench import Bench
from tests.tui.remote.two_sites import HALL, dashboard_at
from tui.screens.bench import BenchScreen
from tui.screens.sheets import TellSheet
from tui.screens.traffic import TrafficScreen

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """Mosquitto, open to everybody on loopback; no simulated line outlives it."""
    with Mosquitto(tmp_path / "mosquitto") as found:
        yield found
    stop_all()


async def _told(b: Bench, key: str) -> str:
    """What a key leads to instead, in one line; the sheet is left again."""
    await b.press(key)
    await b.until(lambda: isinstance(b.app.screen, TellSheet), f"the reason for {key}")
    said = " ".join(str(each.render()) for each in b.app.screen.query(Static))
    await b.press("enter")
    await b.until(lambda: not isinstance(b.app.screen, TellSheet))
    return said


@pytest.mark.slow
async def test_what_needs_the_controllers_machine_is_shown_as_local_only(
    broker: Mosquitto, tmp_path: Path
) -> None:
    capture = tmp_path / "power-on.csv"
    write_logic(capture, [POWER_ON])
    async with (
        hall_at(broker.settings, tmp_path / "hall", HALL) as hall,
        dashboard_at(broker.settings, [hall]) as found,
    ):
        b = found.bench
        await b.until(lambda: len(b.app.model.site.units) == 2)
        b.app.captures = (capture,)
        await b.press("f7")
        bench = b.app.screen
        assert isinstance(bench, BenchScreen)
        await b.until(
            lambda: bench.desk.reader is not None and not bench.turns.busy, "a capture that is read"
        )
        # It is read here as it is anywhere; what leads to the gear or into a profile is not.
        assert "a s local only" in b.text("#keys")
        said = await _told(b, "a")
        assert "Local only. An action is written where the controller runs" in said
        assert "`linewarden bench`" in said
        said = await _told(b, "s")
        assert "Local only. Raw bytes never go out over MQTT" in said
        assert "`linewarden send`" in said
        await b.press("f2", "1", "o")
        await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        await b.press("f3")
        await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
        assert "a o local only" in b.text("#keys")
        said = await _told(b, "a")
        assert "Local only. An action is written where the controller runs" in said
        # Nothing of all this has reached the hall.
        assert [entry.command.action for entry in await hall.controller.journal(JournalQuery())] == [
            "power-on"
        ]
