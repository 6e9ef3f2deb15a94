"""Who else speaks for this site at the broker, and what is left there from before.

A controller that comes asks whether another one is alive before it says anything, and leaves the site to that
one: two that take each other's place in turn would be no help to anybody. It asks on a topic of its own
device, and its own question comes back to it as well, after everything that the broker had retained.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from controller.homie import HomieSite
from controller.homie_devices import Device, Publication, device_topic
from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming
from profiles.errors import BrokerError

__all__ = ["Left", "Presence", "TwinFound"]

_ANSWER_WITHIN = 2.0
_ROUND_TRIP_WITHIN = 5.0
_DEVICES_AT_ONCE = 50
"""Brokers queue only so many messages for one client."""
_ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")


class TwinFound(BrokerError):
    """Another controller speaks for this site."""


@dataclass(slots=True)
class Left:
    """What the broker has retained from before."""

    descriptions: dict[str, dict[str, Any]] = field(default_factory=dict)
    """By device, those of this site."""
    alerts: dict[str, list[str]] = field(default_factory=dict)
    """Topics, by device."""

    def version(self, device: Device, new: int) -> int:
        """The version for a device's description: the old one where it says the same, else a higher one."""
        old = self.descriptions.get(device.id)
        if old is None:
            return new
        version = old.get("version")
        if not isinstance(version, int) or isinstance(version, bool):
            return new
        return version if self.same(device) else max(new, version + 1)

    def same(self, device: Device) -> bool:
        """Whether the device is described as it was."""
        old = {
            name: value for name, value in self.descriptions.get(device.id, {}).items() if name != "version"
        }
        return bool(old) and old == json.loads(f"{device.content()}}}")


class Presence:
    """The site's presence on one connection.

    Args:
        site: the devices.
        instance: what tells this controller from any other; the older of two sorts first.
        connection: the connection.
    """

    def __init__(self, site: HomieSite, instance: str, connection: Connection) -> None:
        self._root = site.root
        self._instance = instance
        self._connection = connection
        topic = site.root.value_topic
        self._claim = topic("controller", "claim")
        self._own = topic("controller", "instance")
        self._state = f"{site.root.topic}/$state"
        self.claim_set = f"{self._claim}/set"
        self._trips: dict[bytes, asyncio.Future[None]] = {}
        self._number = 0
        self._seen: list[Incoming] = []
        self._keeps = False
        self._other: str | None = None
        self._other_answers = asyncio.Event()
        self.announced: bytes | None = None
        """The state that we have given ourselves, once we speak for the site."""
        self._contested = asyncio.Event()
        """Set when somebody younger has spoken for the site as well: everything has to be said again."""

    async def come(self) -> None:
        """Ask whether the place is free.

        Raises:
            TwinFound: another controller answers.
            BrokerError: the connection is over, or our own topics can't be read.
        """
        self._keeps = True
        await self._connection.subscribe([self._own, self._state, self._claim, self.claim_set], qos=0)
        await self._round_trip()
        self._keeps = False
        seen = {message.topic: message.payload for message in self._seen}
        self._seen.clear()
        self._other = None if self._own not in seen else seen[self._own].decode("utf-8", "replace")
        alive = seen.get(self._state) in (b"init", b"ready")
        if alive and self._other is not None and self._other != self._instance:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(_ANSWER_WITHIN):
                    await self._other_answers.wait()
                raise self._twin()

    def _twin(self) -> TwinFound:
        return TwinFound(
            f"another controller speaks for site {self._root.id} at this broker",
            where=self._connection.settings.shown,
            todo="end that one, or give one of the two sites another id",
        )

    def take(self, message: Incoming) -> None:
        """Look at a message that is no command.

        Raises:
            TwinFound: another controller, an older one, speaks for the site.
        """
        if message.topic == self.claim_set:
            self._asked(message)
        elif message.topic == self._claim and message.payload != self._instance.encode():
            self._other_answers.set()
        elif self._keeps:
            self._seen.append(message)
        elif self.announced is None:
            return
        elif message.topic == self._own and message.payload not in (b"", self._instance.encode()):
            if message.payload.decode("utf-8", "replace") < self._instance:
                raise self._twin()
            self._contested.set()
        elif message.topic == self._state and message.payload == b"lost":
            # The last will of an earlier connection, which the broker has only now given up.
            self._connection.publish(Publication(self._state, self.announced))

    async def until_contested(self) -> None:
        """Wait until somebody younger has spoken for the site as well: everything has to be said again.

        Raises:
            BrokerError: the connection is over.
        """
        contested = asyncio.create_task(self._contested.wait())
        try:
            await asyncio.wait((self._connection.lost, contested), return_when=asyncio.FIRST_COMPLETED)
        finally:
            contested.cancel()
        if self._connection.lost.done():
            raise self._connection.lost.result()
        self._contested.clear()

    def say_again(self) -> None:
        """Have everything said again, as where somebody else has spoken for the site."""
        self._contested.set()

    def _asked(self, message: Incoming) -> None:
        trip = self._trips.pop(message.payload, None)
        if trip is not None:
            if not trip.done():
                trip.set_result(None)
        elif self.announced is not None and not message.retain:
            answer = Publication(self._claim, self._instance.encode(), retain=False, qos=0)
            self._connection.publish(answer)

    async def _round_trip(self) -> None:
        """Wait until the broker has sent everything that it had for us."""
        self._number += 1
        question = f"{self._instance} {self._number}".encode()
        trip = self._trips[question] = asyncio.get_running_loop().create_future()
        self._connection.publish(Publication(self.claim_set, question, retain=False, qos=0))
        lost = self._connection.lost
        await asyncio.wait((trip, lost), timeout=_ROUND_TRIP_WITHIN, return_when=asyncio.FIRST_COMPLETED)
        self._trips.pop(question, None)
        if lost.done():
            raise lost.result()
        if not trip.done():
            raise BrokerError(
                f"what we publish on {self.claim_set} does not come back to us",
                where=self._connection.settings.shown,
                todo="let this user read and write all topics of its site in the broker's access list",
            )

    # What is left from before

    async def look_around(self, units: Iterable[str]) -> Left:
        """Read what the broker has of the site from before.

        Args:
            units: the devices that the site has now.

        Raises:
            BrokerError: the connection is over.
        """
        left = Left()
        await self._read([self._root.id], left)
        listed = left.descriptions.get(self._root.id, {}).get("children")
        old = [child for child in listed if isinstance(child, str)] if isinstance(listed, list) else []
        wanted = [child for child in dict.fromkeys([*old, *units]) if _ID.fullmatch(child)] if old else []
        for begin in range(0, len(wanted), _DEVICES_AT_ONCE):
            await self._read(wanted[begin : begin + _DEVICES_AT_ONCE], left)
        return left

    async def _read(self, devices: list[str], left: Left) -> None:
        filters = [f"{device_topic(d)}/{what}" for d in devices for what in ("$description", "$alert/+")]
        for message in await self._retained(filters):
            device = message.topic.split("/")[2]
            if "/$alert/" in message.topic:
                left.alerts.setdefault(device, []).append(message.topic)
                continue
            try:
                document = json.loads(message.payload)
            except (ValueError, RecursionError):
                continue
            root = document.get("root", device) if isinstance(document, dict) else None
            if root == self._root.id:
                left.descriptions[device] = document

    async def _retained(self, filters: list[str]) -> list[Incoming]:
        self._keeps = True
        try:
            await self._connection.subscribe(filters, qos=0)
            await self._round_trip()
        finally:
            self._keeps = False
            seen, self._seen = self._seen, []
        self._connection.unsubscribe(filters)
        return [message for message in seen if message.retain and message.payload]

    async def sweep(self, devices: Iterable[Device | str]) -> None:
        """Delete what is retained of devices and does not belong there: all of one that is only an id.

        Raises:
            BrokerError: the connection is over.
        """
        wanted = list(devices)
        for begin in range(0, len(wanted), _DEVICES_AT_ONCE):
            some = wanted[begin : begin + _DEVICES_AT_ONCE]
            keep: set[str] = set()
            for device in some:
                if isinstance(device, Device):
                    keep.update(device.retained_topics())
                else:
                    # The state first: a device without one is no device. [Removing children]
                    self._connection.publish(Publication(f"{device_topic(device)}/$state", b""))
            ids = [device.id if isinstance(device, Device) else device for device in some]
            for message in await self._retained([f"{device_topic(each)}/#" for each in ids]):
                if message.topic not in keep:
                    self._connection.publish(Publication(message.topic, b""))
