"""Two simulated sites at a Mosquitto, and a dashboard on both, by its keys."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from controller.mqtt_settings import BrokerSettings
from controller.records import Known
from tests.controller.mqtt.hall import SITE, Hall, hall_at
from tests.tui.dashboard_bench import Bench, piloted
from tui.model import HallModel
from tui.remote.dashboard import BrokerDashboard
from tui.remote.sites import RemoteSites
from tui.screens.units import UnitsScreen

__all__ = ["HALL", "MILL", "TwoSites", "dashboard_at", "two_sites"]

HALL = SITE.replace("topology=ring", "topology=ring&name=hall")
MILL = (
    SITE.replace('"larkfield"', '"mill"')
    .replace("Larkfield Hall", "Mill House")
    .replace("topology=ring", "topology=ring&name=mill")
    .replace("address = 1\n", "address = 1\nask_before_energise = true\n")
)


@dataclass
class TwoSites:
    """The dashboard, and what is behind the broker."""

    bench: Bench
    sites: RemoteSites
    halls: list[Hall] = field(default_factory=list)

    def state(self, unit: str, name: str = "power") -> tuple[object, Known]:
        """A state, as the dashboard has it."""
        return self.bench.state(unit, name)


@asynccontextmanager
async def dashboard_at(settings: BrokerSettings, halls: list[Hall] | None = None) -> AsyncIterator[TwoSites]:
    """The dashboard on whatever is behind a broker."""
    async with await RemoteSites.connect(settings, who="Ada", any_protocol=False) as sites:
        app = BrokerDashboard(sites, await HallModel.read(sites), who="Ada", cautions=False)
        async with piloted(app, (80, 24)) as pilot:
            made = TwoSites(Bench(app, halls[0].controller if halls else None, pilot), sites, halls or [])  # type: ignore[arg-type]  # -- not asked without one
            await made.bench.until(lambda: isinstance(app.screen, UnitsScreen))
            yield made


@asynccontextmanager
async def two_sites(settings: BrokerSettings, folder: Path) -> AsyncIterator[TwoSites]:
    """Both sites in this process, and the dashboard on them."""
    async with AsyncExitStack() as stack:
        halls = [
            await stack.enter_async_context(hall_at(settings, folder / name, text))
            for name, text in (("hall", HALL), ("mill", MILL))
        ]
        found = await stack.enter_async_context(dashboard_at(settings, halls))
        await found.bench.until(lambda: len(found.bench.app.model.site.units) == 4, "both sites")
        yield found
