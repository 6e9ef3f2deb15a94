"""What a site publishes, as the bridge makes it, without a broker."""

from __future__ import annotations

from pathlib import Path

from controller.homie import HomieSite
from controller.homie_devices import Publication
from controller.homie_mirror import Mirror as Bridge
from controller.homie_mirror import Snapshot
from controller.homie_overview import about_messages
from controller.mqtt_messages import Incoming
from controller.records import BusStatus, Known, LinkState, StateChange, StateValue
from profiles.model import Value
from tests.controller.mqtt.hall import SITE, site_file
from tui.model import HallModel
from tui.remote.mirror import Mirror

__all__ = ["NOW", "Announced", "incoming", "mirror_of", "model_of"]

NOW = 1_800_000_000.0


def incoming(publications: list[Publication]) -> list[Incoming]:
    """Publications as whoever subscribes gets them."""
    return [Incoming(each.topic, each.payload, each.retain) for each in publications]


class Announced:
    """A site at a broker, as its bridge announces it."""

    def __init__(self, folder: Path, text: str = SITE) -> None:
        self.site = HomieSite(site_file(folder, text))
        self.bridge = Bridge(self.site)
        self.id = self.site.root.id

    def whole(self, standing: str = "ready") -> list[Incoming]:
        """Everything that is retained of it, its state last."""
        site, bridge = self.site, self.bridge
        unknown = {
            unit: {
                state: StateValue(None, Known.UNKNOWN, 0.0)
                for state in site.loaded.profiles[spec.bus].profile.states
            }
            for unit, spec in site.loaded.site.units.items()
        }
        buses = [
            BusStatus(bus, LinkState.UP, NOW, 2, 2, 8.4, {"actions": 3}) for bus in site.loaded.site.buses
        ]
        bridge.snapshot(Snapshot(unknown, buses, [], []))
        bridge.put(about_messages(site))
        told = [site.root.state("init")]
        for device in site.units.values():
            told += [device.description(1), *bridge.values(device), device.state("ready")]
        told += [site.root.description(1), *bridge.values(site.root), site.root.state(standing)]
        return incoming(told)

    def state(self, unit: str, name: str, value: Value | None, known: Known) -> list[Incoming]:
        """A state has changed."""
        change = StateChange(unit, name, StateValue(value, known, NOW))
        return incoming(self.bridge.state(change))

    def stands(self, word: str) -> list[Incoming]:
        """Its controller is in another way."""
        return incoming([self.site.root.state(word)])


def mirror_of(*sites: Announced) -> Mirror:
    """A dashboard's mirror that has read these sites whole."""
    mirror = Mirror("mqtt://127.0.0.1:1883")
    mirror.begin(NOW)
    for site in sites:
        mirror.take(site.whole(), NOW)
    return mirror


def model_of(mirror: Mirror) -> HallModel:
    """What a dashboard knows after it has read everything."""
    model = HallModel(mirror.view(), mirror.states())
    model.apply(mirror.everything(NOW))
    return model
