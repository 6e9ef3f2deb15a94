"""A TCP relay that can fall silent, as a network that drops packets: both ends think that they are joined."""

from __future__ import annotations

import asyncio
import contextlib
from typing import Self

__all__ = ["Relay"]


class Relay:
    """Between a client and a server on loopback; an asynchronous context manager."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._passes = asyncio.Event()
        self._passes.set()
        self.port = 0
        self.connections = 0
        """How many came so far."""

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._server is not None:
            self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def silence(self) -> None:
        """Drop whatever comes from now on, and close nothing."""
        self._passes.clear()

    def speak(self) -> None:
        """Pass on what comes on connections that are made from now on."""
        self._passes.set()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        there_reader, there_writer = await asyncio.open_connection("127.0.0.1", self._target)
        alive = self._passes.is_set()
        for source, sink in ((reader, there_writer), (there_reader, writer)):
            task = asyncio.create_task(self._pass_on(source, sink, alive=alive))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, alive: bool
    ) -> None:
        with contextlib.suppress(OSError):
            while data := await source.read(65536):
                # A connection that met the silence once stays dead: what was dropped never comes.
                alive = alive and self._passes.is_set()
                if alive:
                    sink.write(data)
                    await sink.drain()
        with contextlib.suppress(OSError):
            sink.close()
