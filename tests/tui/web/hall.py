"""A controller that runs, and its dashboard served: all real, the browser apart."""

from __future__ import annotations

import asyncio
import socket
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import aiohttp
from aiohttp import web
from yarl import URL

from controller.local import LocalServer
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.state_folder import Claim
from tests.controller.halls import PATIENCE
from tests.controller.mqtt.hall import site_file
from tui.web.address import WebAddress
from tui.web.door import Door
from tui.web.server import WebServer

TOKEN = "Zm9yLXRlc3Rz-Zm9yLXRlc3Rz"


@dataclass(frozen=True, slots=True)
class Served:
    """A served dashboard."""

    base: str
    """``http://127.0.0.1:PORT``."""
    server: WebServer
    local: LocalServer
    controller: Controller
    client: aiohttp.ClientSession

    @property
    def page(self) -> str:
        """The page's address."""
        return f"{self.base}/{TOKEN}/"

    async def get(self, path: str | URL, **headers: str) -> tuple[int, str]:
        """What a GET is answered with: status and text."""
        address = self.base + path if isinstance(path, str) else path
        async with self.client.get(address, headers=headers, allow_redirects=False) as answer:
            return answer.status, await answer.text()


@asynccontextmanager
async def controlled(folder: Path) -> AsyncIterator[tuple[Controller, LocalServer, Path, Path]]:
    """A small simulated hall with its controller: also its local server, site file and state folder."""
    loaded = site_file(folder)
    with Claim(folder / "state") as claim:
        controller = await Controller.open(loaded, claim.folder)
        try:
            async with LocalServer(controller, claim) as local:
                yield controller, local, loaded.path, claim.folder
        finally:
            await controller.close()
            stop_all()


@asynccontextmanager
async def served(folder: Path, most: int = 2) -> AsyncIterator[Served]:
    """A small simulated hall with its controller, and its dashboard served to ``most`` visitors."""
    async with controlled(folder) as (controller, local, site, state):
        listening = socket.create_server(("127.0.0.1", 0))
        address = WebAddress("127.0.0.1", listening.getsockname()[1])
        program = (sys.executable, "-P", "-m", "tui.web.visitor", str(site), str(state))
        server = WebServer(program, Door(address.names, TOKEN), "Larkfield <Hall>", most)
        runner = web.AppRunner(server.application(), access_log=None, shutdown_timeout=5.0)
        await runner.setup()
        try:
            await web.SockSite(runner, listening).start()
            async with aiohttp.ClientSession() as client:
                yield Served(f"http://{address.shown}", server, local, controller, client)
        finally:
            await runner.cleanup()


async def until_seen(visitor: aiohttp.ClientWebSocketResponse, *parts: str) -> None:
    """Read what the dashboard draws until each of ``parts`` was in it.

    Raises:
        TimeoutError: it never was.
    """
    seen = b""
    async with asyncio.timeout(PATIENCE):
        while not all(part.encode() in seen for part in parts):
            message = await visitor.receive()
            assert message.type in (aiohttp.WSMsgType.BINARY, aiohttp.WSMsgType.TEXT), (message, seen[-2000:])
            seen += message.data if isinstance(message.data, bytes) else message.data.encode()
