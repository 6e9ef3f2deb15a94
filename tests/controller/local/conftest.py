"""A controller on a local socket, and a connection on which lines are written by hand."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from controller.local import LocalServer
from controller.state_folder import Claim
from tests.controller.small_controller import SmallController


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
async def controller() -> SmallController:
    return SmallController()


@pytest.fixture
async def server(controller: SmallController, folder: Path) -> AsyncIterator[LocalServer]:
    with Claim(folder) as claim:
        async with LocalServer(controller, claim) as server:
            yield server


class Line:
    """A connection on which lines are written and read by hand."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader = reader
        self.writer = writer

    @classmethod
    async def to(cls, folder: Path) -> Line:
        ends = await asyncio.open_unix_connection(folder / "controller.socket", limit=32 << 20)
        line = cls(*ends)
        assert await line.read() == {"linewarden": 1}
        return line

    def write(self, document: Any) -> None:
        self.writer.write(json.dumps(document).encode() + b"\n")

    def write_bytes(self, data: bytes) -> None:
        self.writer.write(data)

    async def read(self) -> Any:
        return json.loads(await self.reader.readuntil())

    async def ask(self, document: Any) -> Any:
        self.write(document)
        return await self.read()

    def take_nothing(self) -> None:
        """Leave what comes with the operating system, as a program that hangs does."""
        self._transport().pause_reading()

    def take_again(self) -> None:
        self._transport().resume_reading()

    def _transport(self) -> asyncio.Transport:
        assert isinstance(self.writer.transport, asyncio.Transport)
        return self.writer.transport

    async def close(self) -> None:
        self.writer.close()
        await self.writer.wait_closed()


@pytest.fixture
async def line(server: LocalServer, folder: Path) -> AsyncIterator[Line]:
    line = await Line.to(folder)
    yield line
    await line.close()
