"""Chromium without a window, driven over its own protocol (Chrome DevTools Protocol, stable 1.3)."""

from __future__ import annotations

import asyncio
import base64
import itertools
import shutil
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp

from tests.controller.halls import until

_FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    # Whatever is asked for by name and is not this machine is not even looked for.
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE localhost , EXCLUDE 127.0.0.1",
    "--window-size=1200,800",
    "--remote-debugging-port=0",
)
_PATIENCE = 40.0


class Tab:
    """One page of the browser."""

    def __init__(self, socket: aiohttp.ClientWebSocketResponse) -> None:
        self._socket = socket
        self._numbers = itertools.count(1)
        self._answers: dict[int, asyncio.Future[Any]] = {}
        self.received = b""
        """What came over the page's websockets."""
        self.asked: list[str] = []
        """Every address that the page asked for."""
        self.logged: list[str] = []
        """What the browser complained of."""
        self._reading = asyncio.create_task(self._read())

    async def _read(self) -> None:
        async for message in self._socket:
            event = message.json()
            if "id" in event:
                self._answers.pop(event["id"]).set_result(event)
                continue
            details = event["params"]
            match event["method"]:
                case "Network.webSocketFrameReceived":
                    frame = details["response"]
                    data = frame["payloadData"]
                    self.received += base64.b64decode(data) if frame["opcode"] == 2 else data.encode()
                case "Network.requestWillBeSent":
                    self.asked.append(details["request"]["url"])
                case "Network.webSocketCreated":
                    self.asked.append(details["url"])
                case "Log.entryAdded" if details["entry"]["level"] == "error":
                    self.logged.append(details["entry"]["text"])
                case "Runtime.exceptionThrown":
                    self.logged.append(details["exceptionDetails"]["text"])

    async def tell(self, method: str, **details: Any) -> Any:
        """One command of the protocol; gives its result."""
        number = next(self._numbers)
        self._answers[number] = asyncio.get_running_loop().create_future()
        await self._socket.send_json({"id": number, "method": method, "params": details})
        answer = await asyncio.wait_for(self._answers[number], _PATIENCE)
        assert "error" not in answer, answer
        return answer["result"]

    async def open(self, address: str) -> None:
        """Go to an address, and note from now on what the page does."""
        for domain in ("Network", "Page", "Runtime", "Log"):
            await self.tell(f"{domain}.enable")
        await self.tell("Page.navigate", url=address)

    async def value(self, script: str) -> Any:
        """What a script in the page comes to; promises are waited for."""
        told = await self.tell("Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    async def until(self, script: str) -> None:
        """Wait until a script in the page comes to something true."""
        end = time.monotonic() + _PATIENCE
        while not await self.value(script):
            assert time.monotonic() < end, (script, self.logged)
            await asyncio.sleep(0.05)

    async def until_received(self, text: str) -> None:
        """Wait until a text came over a websocket."""
        await until(lambda: text.encode() in self.received)

    async def key(self, key: str, code: int, text: str = "") -> None:
        """Press a key and let it go."""
        for kind in ("keyDown", "keyUp"):
            more = {"text": text} if text and kind == "keyDown" else {}
            await self.tell(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code, **more
            )

    async def picture(self) -> bytes:
        """What is to be seen, as a PNG."""
        return base64.b64decode((await self.tell("Page.captureScreenshot", format="png"))["data"])

    async def close(self) -> None:
        """Read no more of it."""
        await self._socket.close()
        await self._reading


@asynccontextmanager
async def chromium(folder: Path) -> AsyncIterator[Tab]:
    """A browser with nothing of the developer's own, and its one page."""
    program = shutil.which("chromium")
    assert program is not None
    profile = folder / "browser"
    process = await asyncio.create_subprocess_exec(
        program,
        *_FLAGS,
        f"--user-data-dir={profile}",
        "about:blank",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    try:
        # It writes the port that it took into its profile.
        told = profile / "DevToolsActivePort"
        await until(lambda: told.exists() and told.read_text().count("\n"))
        port = told.read_text().split()[0]
        async with aiohttp.ClientSession() as client:
            async with client.get(f"http://127.0.0.1:{port}/json/list") as answer:
                page = next(each for each in await answer.json() if each["type"] == "page")
            socket = await client.ws_connect(page["webSocketDebuggerUrl"], max_msg_size=0)
            tab = Tab(socket)
            try:
                yield tab
            finally:
                await tab.close()
    finally:
        process.terminate()
        try:
            await asyncio.wait_for(process.wait(), 10)
        except TimeoutError:
            process.kill()
            await process.wait()
