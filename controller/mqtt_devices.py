"""The site's devices as they are announced at a broker, and what becomes of that when the site changes."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable

from controller.homie import HomieSite
from controller.homie_devices import Device
from controller.homie_mirror import Mirror
from controller.mqtt_connection import Connection
from controller.mqtt_presence import Left, Presence

__all__ = ["Devices"]

_AT_ONCE = 10
_MOST_IN_FLIGHT = 400


class Devices:
    """What is announced of which device, and in which version.

    Args:
        mirror: the values.
        utc: UTC seconds.
    """

    def __init__(self, mirror: Mirror, utc: Callable[[], float]) -> None:
        self._mirror = mirror
        self._utc = utc
        self._versions: dict[str, int] = {}
        self._looked = False

    async def look_around(self, presence: Presence) -> None:
        """At first, and when the site has changed: see what the broker has of it; sweep what has to go.

        Raises:
            BrokerError: the connection is over.
        """
        site = self._mirror.site
        left = Left()
        if not self._looked:
            left = await presence.look_around([device.id for device in site.units.values()])
            changed = [d for d in site.devices() if d.id in left.descriptions and not left.same(d)]
            gone = left.descriptions.keys() - {device.id for device in site.devices()}
            await presence.sweep([*changed, *sorted(gone)])
            self._looked = True
        for device in site.devices():
            if device.id in left.descriptions:
                self._mirror.stale(device.id, device.value_topics())
            self._mirror.stale(device.id, left.alerts.get(device.id, ()))
            self._versions.setdefault(device.id, left.version(device, int(self._utc())))

    async def announce(self, connection: Connection, devices: Iterable[Device]) -> None:
        """Announce units, each in ``init`` until all of it is said.

        Raises:
            BrokerError: the connection is over.
        """
        waiting = list(devices)
        for begin in range(0, len(waiting), _AT_ONCE):
            for device in waiting[begin : begin + _AT_ONCE]:
                connection.publish(device.state("init"))
                self.describe(connection, device)
                connection.publish(device.state("ready"))
            # The event loop has buses to serve as well, and the broker its pace.
            await connection.flush(_MOST_IN_FLIGHT)
            await asyncio.sleep(0)

    def describe(self, connection: Connection, device: Device) -> None:
        """Say what a device is, and its values."""
        connection.publish(device.description(self._versions.get(device.id, 1)))
        for value in self._mirror.values(device):
            # Not even a newer value may pass the description.
            connection.publish(value)

    def take_profile(self, site: HomieSite, bus: str) -> list[Device]:
        """A bus has a new profile: its units, which are to be announced anew."""
        units = site.units_of(bus)
        self._mirror.forget(site, units)
        devices = [site.units[unit] for unit in units]
        for device in devices:
            self._versions[device.id] = max(int(self._utc()), self._versions.get(device.id, 0) + 1)
        return devices

    def take_site(self, site: HomieSite) -> None:
        """The site file was taken anew: everything is to be announced anew, and what left it to be swept."""
        self._mirror.forget_all(site)
        self._versions.clear()
        self._looked = False
