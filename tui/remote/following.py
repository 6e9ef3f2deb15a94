"""The way to a broker and what comes from there: connected, read, and begun anew when it is lost.

Nothing waits here for a broker that is away, and nothing is kept to be sent later.
"""

from __future__ import annotations

import asyncio
import logging
import random
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TypeVar

from controller.fanout import Fanout
from controller.homie_devices import Publication, device_topic
from controller.homie_root import bus_node
from controller.homie_values import duration
from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming, NotGranted
from controller.mqtt_settings import BrokerSettings
from controller.records import Record, new_id
from controller.waiting import Clock, monotonic
from profiles.errors import BrokerError
from tui.remote.broker import connect
from tui.remote.mirror import Mirror, Taken
from tui.remote.round_trips import RoundTrips
from tui.remote.site_mirror import SiteMirror

__all__ = ["Follower"]

log = logging.getLogger(__name__)

T = TypeVar("T")

_KEEPALIVE = 5
_UNREAD = 100_000
_FILTERS_AT_ONCE = 50
"""Brokers queue only so many messages for one client: what is retained comes in portions, smaller ones where
that was too much."""
_SHORTEST_PAUSE, _LONGEST_PAUSE = 0.5, 5.0
_HEARD_WITHIN = 1.5
"""Seconds in which a broker has sent what it has retained."""
_LOOK_EVERY = 0.5
_WATCH_EVERY, _WATCH_FOR = 4.0, 10.0
"""Traffic is asked for again and again, each time for a little: who goes away leaves no load behind."""


class Follower:
    """Follows all sites behind a broker; ``mirror`` has what they tell, ``fanout`` tells it on.

    Args:
        settings: the broker.
        who: the name that goes with what is sent.
        any_protocol: whether MQTT 3.1.1 will do as well.
        utc: UTC seconds.
        clock: monotonic seconds.
        chance: a random number from 0 to 1, for pauses that do not beat in time with others.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        who: str,
        *,
        any_protocol: bool,
        utc: Callable[[], float] = time.time,
        clock: Clock = monotonic,
        chance: Callable[[], float] = random.random,
    ) -> None:
        self.mirror = Mirror(settings.shown)
        self.trips = RoundTrips(new_id()[:12])
        self.fanout = Fanout()
        self.utc = utc
        self.clock = clock
        self._settings = settings
        self._any_protocol = any_protocol
        self._who = who
        self._chance = chance
        self._at_once = _FILTERS_AT_ONCE
        self._connection: Connection | None = None
        self._wanted: asyncio.Queue[str] = asyncio.Queue()
        self._waiting: dict[str, list[asyncio.Future[None]]] = {}
        """By the site that they wait for."""
        self._watching = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []

    # Life

    async def begin(self) -> None:
        """Connect, and give the sites that are there a moment to be read.

        Raises:
            BrokerError: the broker can't be had. Later on it is tried again and again, and shown.
        """
        connection = await self._open()
        self._tasks = [
            asyncio.create_task(self._supervise(connection), name="broker"),
            asyncio.create_task(self._ask_for_life(), name="round trips"),
            asyncio.create_task(self._watch(), name="traffic watch"),
        ]
        await self.until(lambda: self._read or None, _HEARD_WITHIN)

    @property
    def _read(self) -> bool:
        """Whether the sites that were found are known whole; more may come."""
        sites = self.mirror.sites.values()
        return bool(sites) and self._wanted.empty() and all(site.described and site.ready for site in sites)

    async def close(self) -> None:
        """Hang up. Commands that are under way go on."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.fanout.close()

    async def _open(self) -> Connection:
        connection = await connect(
            self._settings,
            "dash",
            self._on_messages,
            any_protocol=self._any_protocol,
            keepalive=_KEEPALIVE,
            unread=_UNREAD,
        )
        # What was understood once is understood again.
        self._settings, self._any_protocol = connection.settings, False
        return connection

    async def _supervise(self, connection: Connection | None) -> None:
        pause = _SHORTEST_PAUSE
        while True:
            try:
                connection = connection or await self._open()
                pause = _SHORTEST_PAUSE
                await self._stay(connection)
            except BrokerError as error:
                self._connection = None
                look_at = error.todo.removeprefix("see ") or "the broker, and the network on the way to it"
                self._tell(self.mirror.lost(error.what, look_at, self.utc()))
            finally:
                self._connection = None
                if connection is not None:
                    await connection.close()
                connection = None
            # Half of it is left to chance: many that lost one broker don't come back all at once.
            await asyncio.sleep(pause * (0.5 + self._chance() / 2))
            pause = min(pause * 2, _LONGEST_PAUSE)

    async def _stay(self, connection: Connection) -> None:
        """Read everything, and stay until the connection is lost.

        Raises:
            BrokerError: it is.
        """
        self._wanted = asyncio.Queue()
        self._connection = connection
        self.trips.forget()
        self._take(self.mirror.begin(self.utc()))
        reading = asyncio.create_task(self._subscribe(connection), name="subscribe")
        try:
            await asyncio.wait((connection.lost, reading), return_when=asyncio.FIRST_COMPLETED)
            if reading.done():
                reading.result()
            raise connection.lost.result()
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)

    async def _subscribe(self, connection: Connection) -> None:
        """Subscribe to what is wanted as it comes; at the first pause what was retained has been read."""
        heard = False
        while True:
            try:
                async with asyncio.timeout(None if heard else _HEARD_WITHIN):
                    filters = [await self._wanted.get()]
            except TimeoutError:
                heard = True
                self._tell(self.mirror.unheard(self.utc()))
                continue
            while not self._wanted.empty() and len(filters) < self._at_once:
                filters.append(self._wanted.get_nowait())
            try:
                await connection.subscribe(filters, qos=0)
            except NotGranted:
                self._at_once = max(1, self._at_once // 2)
                raise
            if connection.take_unread_dropped():
                raise BrokerError("more came at once than could be read", where=self.mirror.shown)

    # What comes

    def _on_messages(self, messages: list[Incoming]) -> None:
        try:
            taken = self.mirror.take(messages, self.utc())
        except Exception:
            log.exception("messages from MQTT met a fault of this program")
            return
        # Before it is told: who is woken by it may ask how soon a site answers.
        now = self.clock()
        for name in taken.touched:
            if (site := self.mirror.sites.get(name)) is not None:
                self.trips.answered(name, site.pong, now)
        self._take(taken, taken.touched)

    def _take(self, taken: Taken, touched: Iterable[str] | None = None) -> None:
        for each in taken.wanted:
            self._wanted.put_nowait(each)
        self._tell(taken.records, touched)

    def _tell(self, records: list[Record], touched: Iterable[str] | None = None) -> None:
        for record in records:
            self.fanout.publish(record)
        self._wake(touched)

    def _wake(self, touched: Iterable[str] | None) -> None:
        """Have those look again who wait for one of these sites or for any; all of them where it is None."""
        # Everything off at 200 sites has 200 waiting: none of them needs a look at the other sites' messages.
        for site in list(self._waiting) if touched is None else (*touched, ""):
            for each in self._waiting.pop(site, ()):
                if not each.done():
                    each.set_result(None)

    async def until(self, found: Callable[[], T | None], seconds: float, site: str = "") -> T | None:
        """Wait for something to be found in what comes; None where it is not, within so many seconds.

        Args:
            found: gives it, or None.
            seconds: how long to wait.
            site: where it comes from; empty where that may be any.
        """
        until = self.clock() + seconds
        while (result := found()) is None and (left := until - self.clock()) > 0:
            changed = asyncio.get_running_loop().create_future()
            self._waiting.setdefault(site, []).append(changed)
            await asyncio.wait((changed,), timeout=left)
        return result

    # What goes out

    @property
    def connected(self) -> bool:
        """Whether anything can be sent."""
        return self._connection is not None

    def send(self, publication: Publication) -> None:
        """Publish; nothing while the broker is away."""
        if self._connection is not None:
            self._connection.publish(replace(publication, sender=self._who))

    def ask(self, site: str, topic: str, payload: bytes) -> Callable[[], bool]:
        """Publish what is to have an effect; gives what tells whether the broker has refused to take it.

        Only MQTT 5 tells.

        Args:
            site: the site that it is for.
            topic: where.
            payload: what.
        """
        connection = self._connection
        if connection is None:
            return lambda: False
        before = connection.refusals.of(topic)
        self.send(Publication(topic, payload, retain=False))

        def acknowledged(done: asyncio.Future[None]) -> None:
            if not done.cancelled() and done.exception() is None:
                # An acknowledgement is no message: without this nobody would look.
                self._wake((site,))

        asyncio.ensure_future(connection.flush()).add_done_callback(acknowledged)
        return lambda: connection.refusals.of(topic) != before

    # What goes on by itself

    async def _ask_for_life(self) -> None:
        while True:
            now = self.clock()
            for site in self._ready_sites():
                if self.trips.due(site.id, now):
                    topic = f"{device_topic(site.id)}/controller/ping/set"
                    word = self.trips.ask(site.id, now).encode()
                    self.send(Publication(topic, word, retain=False, qos=0))
            await asyncio.sleep(_LOOK_EVERY)

    def look_at_traffic(self, looking: bool) -> None:
        """Whether somebody looks at the traffic: only then is it asked for."""
        if looking:
            self._watching.set()
        else:
            self._watching.clear()

    async def _watch(self) -> None:
        while True:
            await self._watching.wait()
            for site in self._ready_sites():
                for bus in site.found.buses:
                    topic = f"{device_topic(site.id)}/{bus_node(bus)}/watch/set"
                    self.send(Publication(topic, duration(_WATCH_FOR), retain=False, qos=0))
            await asyncio.sleep(_WATCH_EVERY)

    def _ready_sites(self) -> list[SiteMirror]:
        return [site for site in self.mirror.sites.values() if site.ready]
