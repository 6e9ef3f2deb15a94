"""A small broker inside this process, for the demo: on loopback and a free port, MQTT 3.1.1, nothing kept.

Real sites use a real broker. The library is an extra (``linewarden[demo]``), and is loaded only here.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from controller.mqtt_settings import BrokerSettings
from profiles.errors import BrokerError

__all__ = ["embedded_broker"]

_HERE = "127.0.0.1"
_ATTEMPTS = 5
_ANONYMOUS = "amqtt.plugins.authentication.AnonymousAuthPlugin"


@asynccontextmanager
async def embedded_broker() -> AsyncIterator[BrokerSettings]:
    """A broker for as long as the context lasts; gives how it is reached.

    It takes only MQTT 3.1.1: a connection with 5 it would never answer.

    Raises:
        BrokerError: the library is not installed, or no port can be had.
    """
    try:
        from amqtt.broker import Broker
    except ImportError as error:
        raise BrokerError(
            "there is no broker in this installation",
            todo="install Linewarden with its extra demo, or name a broker with --broker URL",
        ) from error
    writers: set[asyncio.StreamWriter] = set()

    class _Tidy(Broker):  # type: ignore[misc]  # -- it carries no types
        """Remembers its connections: when it is shut down, it may leave one open."""

        async def stream_connected(
            self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
        ) -> None:
            writers.difference_update([known for known in writers if known.is_closing()])
            writers.add(writer)
            await super().stream_connected(reader, writer, listener_name)

    # It tells of every client that goes without a word: that is no trouble of ours.
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    for attempt in range(_ATTEMPTS):
        port = _free_port()
        broker = _Tidy(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{_HERE}:{port}"}},
                "plugins": {_ANONYMOUS: {"allow_anonymous": True}},
            }
        )
        try:
            await broker.start()
            break
        except Exception as error:
            if attempt == _ATTEMPTS - 1:
                raise BrokerError(f"no broker can be started: {error}", where=f"{_HERE}:{port}") from error
    try:
        yield BrokerSettings(_HERE, port, "3.1.1")
    finally:
        with contextlib.suppress(Exception):
            await broker.shutdown()
        for writer in writers:
            writer.close()
        await asyncio.gather(*(writer.wait_closed() for writer in writers), return_exceptions=True)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HERE, 0))
        port: int = probe.getsockname()[1]
        return port
