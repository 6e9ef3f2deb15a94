"""Who reads and writes a paho-mqtt client's socket: the event loop itself, or a thread of paho's.

In the event loop a message is judged as soon as it is read; from a thread it came 0.1 ms later, which is a
fifth of what the whole way to the line may take. Nothing waits there: paho's socket never blocks once it is
connected, and what the broker does not take is written when it does. Where an event loop can't watch sockets
(Windows' default one), paho's own thread does it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import Callable
from typing import Any, Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from controller.homie_devices import Publication
from controller.mqtt_settings import BrokerSettings

__all__ = [
    "CONNECT_WITHIN",
    "GRANTED_WITHIN",
    "LoopNetwork",
    "Network",
    "ThreadNetwork",
    "network_for",
    "new_client",
]

log = logging.getLogger(__name__)

CONNECT_WITHIN = 10.0
"""Seconds for the broker to take the connection, TLS and login included."""
GRANTED_WITHIN = 10.0
"""Seconds for the broker to answer a subscription, and to send before it what it has retained for it."""
_MISC_EVERY = 1.0
"""Seconds between looks at whether the broker is owed a sign of life, or owes us one."""
_PACKETS_AT_ONCE = 50
"""The most that is read in one turn of the event loop: buses want to be served as well."""


class Network(Protocol):
    """Carries a client's packets."""

    in_loop: bool
    """Whether paho's callbacks run in the event loop's thread."""

    def begin(self) -> None:
        """Carry packets from now on; called once the client is connected, from any thread."""

    def push(self) -> None:
        """The client was given something to send; called in the event loop."""

    async def end(self) -> None:
        """Carry no more; the client is disconnected."""


class ThreadNetwork:
    """A thread of paho's."""

    in_loop = False

    def __init__(self, client: paho.Client) -> None:
        self._client = client

    def begin(self) -> None:
        """Start the thread."""
        self._client.loop_start()

    def push(self) -> None:
        """The thread sees to it."""

    async def end(self) -> None:
        """Wait until the thread has ended."""
        try:
            await asyncio.to_thread(self._client.loop_stop)
        finally:
            del self._client  # it closes its sockets when nobody holds it any more


class LoopNetwork:
    """The event loop.

    Args:
        client: the client.
        loop: the event loop.
        failed: is told of a fault of this program while packets are carried.
    """

    in_loop = True

    def __init__(
        self, client: paho.Client, loop: asyncio.AbstractEventLoop, failed: Callable[[Exception], None]
    ) -> None:
        self._client = client
        self._loop = loop
        self._failed = failed
        self._watched: Any = None
        self._writing = False
        self._inside = False
        """Whether paho is at work: it holds a lock while it calls back, and must not be called from there."""
        self._ended = False
        self._timer: asyncio.TimerHandle | None = None
        client.on_socket_close = self._closing

    def begin(self) -> None:
        """Watch the socket."""
        with contextlib.suppress(RuntimeError):  # the loop is closed: there is nobody to carry anything for
            self._loop.call_soon_threadsafe(self._start)

    def _start(self) -> None:
        watched = self._client.socket()
        if self._ended or watched is None:
            return
        self._watched = watched
        self._loop.add_reader(watched, self._readable)
        self._timer = self._loop.call_later(_MISC_EVERY, self._misc)
        self._readable()

    def _call(self, work: Callable[[], object]) -> None:
        self._inside = True
        try:
            work()
        except Exception as error:
            log.exception("a packet of the broker's met a fault of this program")
            self._failed(error)
        finally:
            self._inside = False

    def _readable(self) -> None:
        if self._ended:
            return
        client = self._client
        self._call(client.loop_read)
        # What TLS has decrypted already, no socket tells of.
        for _ in range(_PACKETS_AT_ONCE):
            watched = client.socket()
            if not isinstance(watched, ssl.SSLSocket) or not watched.pending():
                break
            self._call(client.loop_read)
        else:
            self._loop.call_soon(self._readable)
        self.push()

    def push(self) -> None:
        """Write what there is; where the broker does not take it all, the rest when it does."""
        if self._watched is None or self._inside:
            return
        client = self._client
        if client.want_write():
            self._call(client.loop_write)
        waits = self._watched is not None and client.want_write()
        if waits != self._writing:
            self._writing = waits
            if waits:
                self._loop.add_writer(self._watched, self.push)
            elif self._watched is not None:
                self._loop.remove_writer(self._watched)

    def _misc(self) -> None:
        self._timer = None
        if self._watched is not None:
            self._call(self._client.loop_misc)
            self.push()
            self._timer = self._loop.call_later(_MISC_EVERY, self._misc)

    def _closing(self, _c: Any, _u: Any, closing: Any) -> None:
        """The client is about to close a socket, its number to be given to something else."""
        if self._watched is not None and closing is self._watched:
            self._loop.remove_reader(closing)
            self._loop.remove_writer(closing)
            self._watched, self._writing = None, False

    async def end(self) -> None:
        """Watch no more."""
        self._ended = True
        if self._timer is not None:
            self._timer.cancel()
        if self._watched is not None:
            self._closing(None, None, self._watched)
        self._client.on_socket_close = None
        del self._client  # it closes its sockets when nobody holds it any more


def new_client(
    settings: BrokerSettings, client_id: str, will: Publication | None, window: int
) -> paho.Client:
    """A client that is not connected yet: clean, and with no session kept.

    Args:
        settings: the broker.
        client_id: its id.
        will: what the broker publishes when it is gone without a word.
        window: the most publications that may wait for their acknowledgement.
    """
    five = settings.protocol == "5"
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id,
        clean_session=None if five else True,
        protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
        reconnect_on_failure=False,
    )
    client.connect_timeout = CONNECT_WITHIN / 2
    client.max_inflight_messages_set(window)
    if settings.user is not None:
        client.username_pw_set(settings.user, settings.secret)
    if settings.tls is not None:
        client.tls_set_context(settings.tls)
    if will is not None:
        client.will_set(will.topic, will.payload, will.qos, will.retain)
    client.on_socket_open = _send_at_once
    return client


def network_for(
    client: paho.Client, loop: asyncio.AbstractEventLoop, failed: Callable[[Exception], None]
) -> Network:
    """What carries packets where the event loop is one like this."""
    if isinstance(loop, getattr(asyncio, "ProactorEventLoop", ())):
        return ThreadNetwork(client)
    return LoopNetwork(client, loop, failed)


def _send_at_once(_c: Any, _u: Any, opened: Any) -> None:
    """Let no small message wait for the last one's acknowledgement: on Linux that was 40 ms."""
    with contextlib.suppress(OSError, AttributeError):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
