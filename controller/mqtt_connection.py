"""One connection to a broker over paho-mqtt, for the event loop.

A connection is made once and never makes itself again: whoever owns it makes a new one, so that nothing is
left over from an earlier one. Nothing here waits for the network in the event loop's thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Self

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from controller.homie_devices import Publication
from controller.mqtt_messages import Incoming, NotGranted, incoming, refused, unreachable
from controller.mqtt_network import CONNECT_WITHIN, GRANTED_WITHIN, network_for, new_client
from controller.mqtt_outbox import Outbox
from controller.mqtt_refusals import Refusals
from controller.mqtt_settings import BrokerSettings
from controller.threads import named_thread
from profiles.errors import BrokerError

__all__ = ["Connection"]

log = logging.getLogger(__name__)

_END_WITHIN = 2.0
_LARGEST_PACKET = 1 << 20
"""Bytes that the broker may send us at once: descriptions of large sites are the largest."""
_WINDOW = 200
"""Publications handed to the network thread and not acknowledged yet."""
_MOST_UNREAD = 1000
"""Messages that wait for the event loop, if nothing else is said; more are dropped and counted."""
_IN_PLACE = 0.001
"""Seconds for which the network thread waits until the event loop takes what came."""
_FILTERS_AT_ONCE = 100


class Connection:
    """A connection that stands, until ``lost`` is set. Made with ``open``.

    Everything but the callbacks of paho runs in the event loop.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        client_id: str,
        on_messages: Callable[[list[Incoming]], None],
        *,
        will: Publication | None = None,
        keepalive: int = 20,
        unread: int = _MOST_UNREAD,
    ) -> None:
        self.settings = settings
        self.lost: asyncio.Future[BrokerError] = asyncio.get_running_loop().create_future()
        """Set with why, when the connection is over."""
        self.unread_dropped = 0
        """Messages dropped because the event loop was too slow for them."""
        self.refusals = Refusals(2 * _WINDOW)
        self._loop = asyncio.get_running_loop()
        self._on_messages = on_messages
        self._keepalive = keepalive
        self._most_unread = unread
        self._connected: asyncio.Future[None] = self._loop.create_future()
        self._granted: dict[int, asyncio.Future[list[ReasonCode]]] = {}
        self._unread: deque[Incoming] = deque()
        self._reading = False
        self._taken = threading.Lock()
        """Let go when the event loop has begun to take what came."""
        self._taken.acquire()
        self._outbox = Outbox()
        self._handed = 0
        self._acknowledged = 0
        self._wants_acknowledgements = False
        self._room: list[tuple[int, asyncio.Future[None]]] = []
        self._starting = threading.Lock()
        self._ended = False
        self._five = settings.protocol == "5"
        self._client = new_client(settings, client_id, will, _WINDOW)
        self._network = network_for(self._client, self._loop, self._at_fault)
        client = self._client
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish

    @classmethod
    async def open(
        cls,
        settings: BrokerSettings,
        client_id: str,
        on_messages: Callable[[list[Incoming]], None],
        *,
        will: Publication | None = None,
        keepalive: int = 20,
        unread: int = _MOST_UNREAD,
    ) -> Self:
        """Connect: clean, and with no session kept.

        Args:
            settings: the broker.
            client_id: our client id.
            on_messages: called in the event loop with what came.
            will: what the broker publishes when we are gone without a word.
            keepalive: seconds; a connection on which nothing comes for twice as long is over.
            unread: messages that may wait for the event loop; more are dropped and counted.

        Raises:
            BrokerError: it can't be reached, can't be trusted, refuses us, or does not answer.
        """
        self = cls(settings, client_id, on_messages, will=will, keepalive=keepalive, unread=unread)
        named_thread(self._connect, "mqtt connect").start()
        try:
            async with asyncio.timeout(CONNECT_WITHIN):
                await self._connected
        except TimeoutError:
            await self._end()
            other = "3.1.1" if settings.protocol == "5" else "5"
            raise BrokerError(
                f"the broker takes the connection and does not answer MQTT {settings.protocol}",
                where=settings.shown,
                todo=f'try protocol = "{other}", or see whether it is a broker',
            ) from None
        except BaseException:
            await self._end()
            raise
        return self

    # In other threads

    def _connect(self) -> None:
        client, properties = self._client, None
        if self._five:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # -- has no types
            properties.MaximumPacketSize = _LARGEST_PACKET
        try:
            client.connect(self.settings.host, self.settings.port, self._keepalive, properties=properties)
        except Exception as error:  # noqa: BLE001 -- whatever the network raises is told, in one place
            self._call(self.fail, unreachable(error, self.settings))
            return
        with self._starting:
            # Where the wait for it was over before, the client is dropped here, and its socket with it.
            if not self._ended:
                self._network.begin()

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        # Once the loop is closed there is nobody left to tell.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(function, *arguments)

    def _on_connect(self, _c: Any, _u: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        if reason.is_failure:
            self._call(self.fail, refused(reason, self.settings))
        else:
            self._call(self._stands)

    def _on_disconnect(self, _c: Any, _u: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        error = BrokerError(f"the connection is over: {reason}", where=self.settings.shown)
        self._call(self.fail, error)

    def _on_message(self, _c: Any, _u: Any, message: paho.MQTTMessage) -> None:
        try:
            found = incoming(message)
        except Exception:  # noqa: BLE001 -- nothing that comes may end the network thread
            self.unread_dropped += 1
            return
        if self._network.in_loop:
            self._on_messages([found])
            return
        if len(self._unread) >= self._most_unread:
            self.unread_dropped += 1
            return
        self._unread.append(found)
        if not self._reading:
            self._reading = True
            self._call(self._read)
            # Sleeping hands Python's lock to the event loop, which is waking up: a message is taken sooner.
            self._taken.acquire(timeout=_IN_PLACE)

    def _on_subscribe(self, _c: Any, _u: Any, number: int, reasons: list[ReasonCode], _p: Any) -> None:
        self._call(self._on_granted, number, reasons)

    def _on_publish(self, _c: Any, _u: Any, number: int, reason: ReasonCode, _p: Any) -> None:
        if reason.is_failure:
            self.refusals.refused(number)
        self._acknowledged += 1  # last: who waits for it looks for refusals then
        if self._wants_acknowledgements:
            self._wants_acknowledgements = False
            self._call(self._pump)

    # In the event loop

    def _stands(self) -> None:
        if not self._connected.done():
            self._connected.set_result(None)

    def fail(self, error: BrokerError) -> None:
        """The connection is over, or is given up, for this reason."""
        if not self._connected.done():
            self._connected.set_exception(error)
        if not self.lost.done():
            self.lost.set_result(error)
        for granted in self._granted.values():
            if not granted.done():
                granted.set_exception(error)
        for _, room in self._room:
            if not room.done():
                room.set_exception(error)
        self._room.clear()

    def take_unread_dropped(self) -> int:
        """How many messages were dropped since this was asked last."""
        count, self.unread_dropped = self.unread_dropped, 0
        return count

    def _read(self) -> None:
        # Before the first is taken: what comes after the last was taken must call again.
        self._reading = False
        if self._taken.locked():
            self._taken.release()
        messages = []
        while self._unread:
            messages.append(self._unread.popleft())
        if messages:
            self._on_messages(messages)

    def _at_fault(self, error: Exception) -> None:
        self.fail(BrokerError(f"a fault of this program: {error}", where=self.settings.shown))

    def _on_granted(self, number: int, reasons: list[ReasonCode]) -> None:
        waiting = self._granted.get(number)
        if waiting is None:
            # The answer was here before ``subscribe`` had its number.
            waiting = self._granted[number] = self._loop.create_future()
        if not waiting.done():
            waiting.set_result(reasons)

    async def subscribe(self, filters: Iterable[str], *, qos: int = 1) -> None:
        """Subscribe, with Retain As Published where the protocol has it.

        Raises:
            NotGranted: the broker does not answer it.
            BrokerError: the connection is over, or the broker refuses one of them.
        """
        wanted = list(filters)
        asked = []
        for begin in range(0, len(wanted), _FILTERS_AT_ONCE):
            some = wanted[begin : begin + _FILTERS_AT_ONCE]
            self._check()
            _, number = self._client.subscribe(
                [(each, SubscribeOptions(qos, retainAsPublished=True)) for each in some]
                if self._five
                else [(each, qos) for each in some]
            )
            if number is not None:
                asked.append((number, some))
        self._network.push()
        for number, some in asked:
            for each, reason in zip(some, await self._grant(number), strict=False):
                if reason.is_failure:
                    raise BrokerError(
                        f"the broker does not let us subscribe to {each}: {reason}",
                        where=self.settings.shown,
                        todo="see the broker's access list",
                    )

    async def _grant(self, number: int) -> list[ReasonCode]:
        waiting = self._granted.get(number)
        if waiting is None:
            self._check()
            waiting = self._granted[number] = self._loop.create_future()
        try:
            async with asyncio.timeout(GRANTED_WITHIN):
                return await waiting
        except TimeoutError:
            raise NotGranted(self.settings) from None
        finally:
            self._granted.pop(number, None)

    def unsubscribe(self, filters: Iterable[str]) -> None:
        """Subscribe to these no more."""
        wanted = list(filters)
        for begin in range(0, len(wanted) if not self.lost.done() else 0, _FILTERS_AT_ONCE):
            self._client.unsubscribe(wanted[begin : begin + _FILTERS_AT_ONCE])
        self._network.push()

    def publish(self, publication: Publication) -> None:
        """Publish, or have it wait where the broker is slower; nothing once the connection is over."""
        if self.lost.done():
            return
        if self._outbox or self._handed - self._acknowledged >= _WINDOW:
            self._outbox.put(publication)
            self._pump()
        else:
            self._hand_over(publication)

    def _hand_over(self, publication: Publication) -> None:
        properties = None
        if self._five and (publication.correlation is not None or publication.sender):
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # -- has no types
            if publication.correlation is not None:
                properties.CorrelationData = publication.correlation
            if publication.sender:
                properties.UserProperty = ("from", publication.sender)
        self._handed += 1
        topic, qos = publication.topic, publication.qos
        out = self._client.publish(topic, publication.payload, qos, publication.retain, properties)
        if qos:
            self.refusals.handed(out.mid, topic)
        self._network.push()

    def _pump(self) -> None:
        while not self.lost.done():
            for publication in self._outbox.take(_WINDOW - (self._handed - self._acknowledged)):
                self._hand_over(publication)
            for most, room in list(self._room):
                if self.waiting <= most:
                    self._room.remove((most, room))
                    if not room.done():
                        room.set_result(None)
            if not self._outbox and not self._room:
                return
            before = self._acknowledged
            self._wants_acknowledgements = True
            # An acknowledgement between the two lines above called nobody.
            if self._acknowledged == before:
                return

    @property
    def waiting(self) -> int:
        """Publications that the broker has not acknowledged yet."""
        return len(self._outbox) + self._handed - self._acknowledged

    async def flush(self, most: int = 0) -> None:
        """Wait until the broker has acknowledged all that was published, but for so many at most.

        Raises:
            BrokerError: the connection is over.
        """
        self._check()
        room: asyncio.Future[None] = self._loop.create_future()
        self._room.append((most, room))
        self._pump()
        await room

    def _check(self) -> None:
        if self.lost.done():
            raise self.lost.result()

    async def close(self, last: Sequence[Publication] = ()) -> None:
        """Publish the last words, disconnect cleanly (no will is sent), and end the thread."""
        try:
            with contextlib.suppress(BrokerError, TimeoutError):
                async with asyncio.timeout(_END_WITHIN):
                    for publication in last:
                        self.publish(publication)
                    await self.flush()
        finally:
            await self._end()

    async def _end(self) -> None:
        with self._starting:
            self._ended = True
        self._client.disconnect()
        self._network.push()
        try:
            if self._connected.done() and not self.lost.done():
                await asyncio.wait([self.lost], timeout=_END_WITHIN)
        finally:
            await self._let_go()

    async def _let_go(self) -> None:
        client = self._client
        open_socket = client.socket()
        if isinstance(open_socket, socket.socket):
            # Nothing may be waited for on a connection that does not end by itself.
            with contextlib.suppress(OSError):
                open_socket.shutdown(socket.SHUT_RDWR)
        try:
            await self._network.end()
        finally:
            self.fail(BrokerError("the connection was closed", where=self.settings.shown))
            if self._connected.done() and not self._connected.cancelled():
                self._connected.exception()
            # It closes its sockets when nobody holds it any more, and its callbacks hold us, who hold it.
            client.on_connect = client.on_disconnect = client.on_message = None
            client.on_subscribe = client.on_publish = client.on_socket_open = None
            del self._client
