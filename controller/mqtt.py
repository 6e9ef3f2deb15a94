"""The MQTT bridge: a site's units as Homie 5 devices at a broker, for as long as a controller runs.

A supervisor connects, asks whether the place is free, announces, and hands over what comes; when the
connection is lost it begins anew, later each time. A broker that is away holds up nothing: what happens in
between is kept as values (controller/homie_mirror.py), and nothing is queued that could be executed late.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import time
from collections.abc import Callable, Iterable
from typing import Self

from controller.homie import HomieSite
from controller.homie_devices import Publication
from controller.homie_mirror import Mirror, Snapshot
from controller.homie_overview import about_messages, health_message, sequences_message
from controller.homie_publications import log_message
from controller.mqtt_announce import announcements
from controller.mqtt_connection import Connection
from controller.mqtt_devices import Devices
from controller.mqtt_intake import Intake
from controller.mqtt_log import FewLines, LogLines
from controller.mqtt_messages import Incoming
from controller.mqtt_orders import Orders
from controller.mqtt_presence import Presence, TwinFound
from controller.mqtt_settings import BrokerSettings, response_prefix, settings_for
from controller.records import (
    Accepted,
    Alert,
    BusStatus,
    Command,
    Event,
    Lock,
    Lost,
    Outcome,
    Record,
    SequenceProgress,
    StateChange,
    new_id,
)
from controller.service import Controller
from controller.site import AnnounceSpec, LoadedSite
from controller.waiting import Clock, monotonic
from profiles.errors import BrokerError, InputError

__all__ = ["MqttBridge"]

log = logging.getLogger(__name__)

_KINDS = frozenset(
    "Command Accepted Outcome StateChange Alert Lock BusStatus Event SequenceProgress".split()  # noqa: SIM905 -- one line
)
_SHORTEST_PAUSE, _LONGEST_PAUSE = 0.5, 60.0
_TWIN_PAUSE = 30.0
_CONTEST_PAUSE = 0.5
_POLL_EVERY = 1.0
_BUSES_EVERY = 10
"""Polls."""
_PATIENCE = 2.0
_LINE_FIRST = 0.001


class MqttBridge:
    """The bridge of one controller. An asynchronous context manager: it works as long as the context lasts.

    Args:
        controller: the controller, which outlives the bridge.
        loaded: its site.
        settings: the broker.
        utc: UTC seconds.
        clock: monotonic seconds.
        chance: a random number from 0 to 1, for pauses that do not beat in time with others.
        keepalive: seconds after which a silent connection is asked for a sign of life.
        shortest_pause: seconds before the first attempt to connect again.
    """

    def __init__(
        self,
        controller: Controller,
        loaded: LoadedSite,
        settings: BrokerSettings,
        *,
        utc: Callable[[], float] = time.time,
        clock: Clock = monotonic,
        chance: Callable[[], float] = random.random,
        keepalive: int = 20,
        shortest_pause: float = _SHORTEST_PAUSE,
    ) -> None:
        self._controller = controller
        self._loaded = loaded
        self.settings = settings
        self._utc = utc
        self._clock = clock
        self._chance = chance
        self._keepalive = keepalive
        self._shortest_pause = shortest_pause
        self.instance = f"{int(utc() * 1000):014d}-{new_id()[:12]}"
        self._prefix = response_prefix(loaded.site)
        site = HomieSite(loaded)
        self._mirror = Mirror(site)
        self._orders = Orders(
            controller,
            Intake(site, self._prefix),
            self._mirror,
            self._publish,
            utc=utc,
            clock=clock,
        )
        self._connection: Connection | None = None
        self._presence: Presence | None = None
        self._devices = Devices(self._mirror, utc)
        self.announced = asyncio.Event()
        """Set while the site is announced and ready."""
        self._tasks: list[asyncio.Task[None]] = []
        self._few = FewLines(clock)
        self._handler: LogLines | None = None

    @classmethod
    def of(cls, controller: Controller, loaded: LoadedSite) -> Self:
        """The bridge that the site's ``[mqtt]`` asks for.

        Raises:
            InputError: there is none, or a file that it names can't be used.
        """
        if loaded.site.mqtt is None:
            raise InputError("has no [mqtt]", where=str(loaded.path), todo="see docs/mqtt.md")
        return cls(controller, loaded, settings_for(loaded.site.mqtt, loaded.path.parent))

    # Life

    async def __aenter__(self) -> Self:
        self._handler = LogLines(self._log_line, self._clock)
        logging.getLogger("controller").addHandler(self._handler)
        records = self._controller.subscribe(_KINDS)
        await self._take_snapshot()

        async def follow() -> None:
            async for record in records:
                if isinstance(record, Accepted | Command):
                    # The line goes first: what is told of a command must not hold up its bytes.
                    await asyncio.sleep(_LINE_FIRST)
                try:
                    await self._take(record)
                except Exception:
                    log.exception("a record met a fault of this program; it is not told over MQTT")

        self._tasks = [
            asyncio.create_task(follow(), name="mqtt records"),
            asyncio.create_task(self._poll(), name="mqtt counters"),
            asyncio.create_task(self._supervise(), name="mqtt connection"),
        ]
        return self

    async def __aexit__(self, *_: object) -> None:
        """Take no more commands, tell the last outcomes, say goodbye."""
        self.announced.clear()
        if self._connection is not None:
            self._connection.unsubscribe(self._orders.filters())
        await self._orders.close(_PATIENCE)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._controller.alert("mqtt", "site", None)
        if self._handler is not None:
            logging.getLogger("controller").removeHandler(self._handler)

    async def _supervise(self) -> None:
        pause = self._shortest_pause
        while True:
            try:
                await self._one_connection()
            except TwinFound as error:
                self._trouble(error)
                await asyncio.sleep(_TWIN_PAUSE)
                continue
            except BrokerError as error:
                self._trouble(error)
            except Exception:
                log.exception("the MQTT bridge met a fault of this program, and begins anew")
            if self.announced.is_set():
                self.announced.clear()
                pause = self._shortest_pause
            # Half of it is left to chance: many that lost one broker don't come back all at once.
            await asyncio.sleep(pause * (0.5 + self._chance() / 2))
            pause = min(pause * 2, _LONGEST_PAUSE)

    def _trouble(self, error: BrokerError) -> None:
        text = f"the MQTT broker at {self.settings.host}: {error.what}"
        look_at = (error.todo or "the broker, and the network to it").removeprefix("see ")
        self._controller.alert("mqtt", "site", text, look_at)
        line = self._few.line(str(error))
        if line is not None:
            log.warning("%s", line)

    async def _one_connection(self) -> None:
        """Connect, announce, and stay until it is lost.

        Raises:
            BrokerError: it can't be had, or is over.
        """
        root = self._mirror.site.root
        connection = await Connection.open(
            self.settings,
            f"linewarden-{root.id}-{self.instance[-12:]}",
            self._on_messages,
            will=root.state("lost"),
            keepalive=self._keepalive,
        )
        last: list[Publication] = []
        try:
            presence = self._presence = Presence(self._mirror.site, self.instance, connection)
            await presence.come()
            self._connection = connection
            await self._announce(connection, presence)
            self._controller.alert("mqtt", "site", None)
            self.announced.set()
            while True:
                await presence.until_contested()
                await asyncio.sleep(_CONTEST_PAUSE)
                await self._announce(connection, presence)
        except asyncio.CancelledError:
            if self._connection is not None:
                last = [self._mirror.site.root.state("disconnected")]
            raise
        finally:
            self._presence = self._connection = None
            await connection.close(last)

    # Announcing

    async def _announce(self, connection: Connection, presence: Presence) -> None:
        """Say everything: children first, the root's description after them, ready at the very end."""
        site = self._mirror.site
        await self._devices.look_around(presence)
        self._own_values()
        connection.publish(root_state := site.root.state("init"))
        presence.announced = root_state.payload
        await connection.subscribe(self._orders.filters())
        await self._devices.announce(connection, site.units.values())
        self._devices.describe(connection, site.root)
        for each in announcements(site, self._announce_specs(), self._prefix):
            connection.publish(each)
        await connection.flush()
        connection.publish(site.root.state("ready"))
        presence.announced = b"ready"
        await connection.flush()
        if connection.refusals.total:
            raise BrokerError(
                f"the broker refuses {connection.refusals.total} of the messages that announce the site",
                where=self.settings.shown,
                todo="let this user write all topics of its site in the broker's access list",
            )

    def _announce_specs(self) -> tuple[AnnounceSpec, ...]:
        mqtt = self._loaded.site.mqtt
        return mqtt.announce if mqtt is not None else ()

    def _own_values(self) -> None:
        topic = self._mirror.site.root.value_topic
        self._mirror.put(
            [
                Publication(topic("controller", "instance"), self.instance.encode()),
                Publication(topic("controller", "response-prefix"), self._prefix.encode()),
                self._orders.counters(),
                *about_messages(self._mirror.site),
            ]
        )
        for bus in self._loaded.site.buses:
            if not self._orders.watches.watched(bus):
                self._mirror.watch(bus)

    def _publish(self, publications: Iterable[Publication]) -> None:
        if self._connection is not None:
            for each in publications:
                self._connection.publish(each)

    async def flush(self) -> None:
        """Wait until the broker has acknowledged everything that was published."""
        if self._connection is not None:
            await self._connection.flush()

    # What comes

    def _on_messages(self, messages: list[Incoming]) -> None:
        presence = self._presence
        if presence is None:
            return
        for message in messages:
            try:
                if not self._orders.took(message, presence.claim_set):
                    presence.take(message)
            except TwinFound as error:
                if self._connection is not None:
                    self._connection.fail(error)
                return
            except Exception:
                log.exception("a message from MQTT met a fault of this program; it is not carried out")

    # What happens

    async def _take(self, record: Record) -> None:
        mirror = self._mirror
        match record:
            case StateChange():
                self._publish(mirror.state(record))
            case Command():
                mirror.command(record)
            case Accepted():
                self._publish(mirror.accepted(record.command_id))
            case Outcome():
                self._tell_failure(record)
                self._publish(mirror.outcome(record))
            case Alert() | Lock() | BusStatus() | SequenceProgress():
                self._publish(mirror.stands(record))
            case Event(name="profile-saved"):
                await self._take_profile(record.bus)
            case Event(name="site-reloaded"):
                await self._take_site()
            case Lost():
                await self._take_snapshot()

    def _tell_failure(self, outcome: Outcome) -> None:
        command = self._mirror.command_of(outcome.command_id)
        if command is None or outcome.result.good:
            return
        text = f"{command.unit} {command.action}: {outcome.result.value}: {outcome.text}"
        line = self._few.line(text)
        if line is not None:
            self._log_line("warn", line)

    def _log_line(self, level: str, line: str) -> None:
        self._publish([log_message(self._mirror.site, level, line)])

    async def _take_snapshot(self) -> None:
        api = self._controller
        states, buses = await api.states(), await api.buses()
        sequences = await api.sequences()
        last = [view.last for view in sequences if view.last is not None]
        found = Snapshot(states, buses, await api.alerts(), await api.locks(), last)
        self._publish(self._mirror.snapshot(found))
        self._publish(self._mirror.put([sequences_message(self._mirror.site, sequences)]))

    async def _poll(self) -> None:
        """Counters change with every byte: they are looked at now and then."""
        turn = -1
        while True:
            await asyncio.sleep(_POLL_EVERY)
            turn += 1
            if turn % _BUSES_EVERY == 0:
                for status in await self._controller.buses():
                    self._publish(self._mirror.bus(status, counters=True))
                health = await self._controller.health()
                self._publish(self._mirror.put([health_message(self._mirror.site, health)]))
            connection = self._connection
            if connection is not None:
                self._orders.dropped(connection.take_unread_dropped())
            self._publish(self._mirror.put([self._orders.counters()]))

    async def _take_profile(self, bus: str) -> None:
        """A bus has a new profile: its units are described anew, in ``init`` meanwhile."""
        site = self._orders.intake.site = HomieSite(self._loaded)
        devices = self._devices.take_profile(site, bus)
        self._publish(self._mirror.put(about_messages(site, [bus])))
        await self._take_snapshot()
        if self._connection is not None:
            with contextlib.suppress(BrokerError):
                await self._devices.announce(self._connection, devices)

    async def _take_site(self) -> None:
        """The site file was taken anew: all of it is announced anew."""
        site = self._orders.intake.site = HomieSite(self._loaded)
        self._devices.take_site(site)
        self._publish([site.root.state("init")])
        await self._take_snapshot()
        if self._presence is not None:
            self._presence.say_again()
