"""A small simulated hall at a broker, for the tests of the bridge."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.mqtt import MqttBridge
from controller.mqtt_settings import BrokerSettings
from controller.service import Controller
from controller.site import LoadedSite, load_site
from controller.state_folder import Claim
from tests.peers.mosquitto import Watcher

__all__ = ["ROOT", "SITE", "Hall", "an_hour_ago", "hall_at", "site_file", "topic"]

SITE = """
[site]
id = "larkfield"
title = "Larkfield Hall"

[buses.sound]
port = "sim://pellgate-chain?units=2&topology=ring"
profile = "pellgate-chain"
topology = "ring"
units_expected = 2

[units.mixer]
bus = "sound"
title = "Stage mixer"
address = 1
role = "preamplifier"
group = "audio"

[units.foyer-amp]
bus = "sound"
address = 2
mqtt = ["standby", "set-volume"]
"""

ROOT = "homie/5/larkfield"


def topic(unit: str, rest: str) -> str:
    """A topic of a unit's device."""
    return f"{ROOT}-{unit}/{rest}"


def site_file(folder: Path, text: str = SITE) -> LoadedSite:
    """The site, read from a file."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "site.toml"
    path.write_text(text)
    return load_site(path)


@dataclass(slots=True)
class Hall:
    """A controller and its bridge."""

    controller: Controller
    bridge: MqttBridge
    loaded: LoadedSite

    async def ready(self, watcher: Watcher) -> None:
        """Wait until the broker's clients see it ready."""
        await watcher.until_is(f"{self.bridge_root}/$state", "ready")

    @property
    def bridge_root(self) -> str:
        """The root device's topic."""
        return f"homie/5/{self.loaded.site.site.id}"


@asynccontextmanager
async def hall_at(
    settings: BrokerSettings,
    folder: Path,
    text: str = SITE,
    *,
    wait: bool = True,
    utc: Callable[[], float] | None = None,
    **more: Any,
) -> AsyncIterator[Hall]:
    """The hall at a broker; ``wait`` until it is announced there."""
    loaded = site_file(folder, text)
    with Claim(folder / "state") as claim:
        controller = await Controller.open(loaded, claim.folder)
        try:
            await controller.ready()
            given = {"shortest_pause": 0.05, **({"utc": utc} if utc else {}), **more}
            async with MqttBridge(controller, loaded, settings, **given) as bridge:
                if wait:
                    async with asyncio.timeout(20):
                        await bridge.announced.wait()
                yield Hall(controller, bridge, loaded)
        finally:
            await controller.close()


def an_hour_ago() -> float:
    """UTC seconds, an hour before now: for who was here first."""
    return time.time() - 3600
