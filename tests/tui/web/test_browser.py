"""The served dashboard in a real browser: it is painted, takes keys, and no other page gets in."""

from __future__ import annotations

import struct
import time
import zlib
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web

from controller.records import Outcome, Result
from tests.controller.halls import PATIENCE, Watch, until
from tests.tui.web.browser import Tab, chromium
from tests.tui.web.hall import TOKEN, served
from tui.looks import DARK

pytestmark = [pytest.mark.slow, pytest.mark.peer("chromium")]

SKY = bytes.fromhex(DARK.primary.removeprefix("#"))


def colours(png: bytes) -> Counter[bytes]:
    """How many pixels of each colour a PNG of 8-bit RGB or RGBA has (PNG Third Edition, 5, 7.3, 9)."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    place, packed = 8, b""
    width = depth = 0
    while place < len(png):
        size, kind = struct.unpack(">I4s", png[place : place + 8])
        data = png[place + 8 : place + 8 + size]
        if kind == b"IHDR":
            width, _, bits, colour_type = struct.unpack(">IIBB", data[:10])
            assert bits == 8
            depth = {2: 3, 6: 4}[colour_type]
        elif kind == b"IDAT":
            packed += data
        place += size + 12
    lines, found = zlib.decompress(packed), Counter[bytes]()
    stride, above = width * depth, bytearray(width * depth)
    for start in range(0, len(lines), stride + 1):
        line = bytearray(lines[start + 1 : start + 1 + stride])
        for index in range(stride):
            left, up = (line[index - depth] if index >= depth else 0), above[index]
            corner = above[index - depth] if index >= depth else 0
            line[index] = line[index] + _expected(lines[start], left, up, corner) & 0xFF
        found.update(bytes(line[at : at + 3]) for at in range(0, stride, depth))
        above = line
    return found


def _expected(kind: int, left: int, up: int, corner: int) -> int:
    if kind == 4:
        near = {left: 0, up: 0, corner: 0}
        near = {each: abs(left + up - corner - each) for each in near}
        return min((left, up, corner), key=near.__getitem__)
    return (0, left, up, (left + up) // 2)[kind]


async def test_the_page_shows_the_hall_and_takes_keys(tmp_path: Path) -> None:
    async with served(tmp_path) as hall, chromium(tmp_path) as tab:
        await tab.open(hall.page)
        await tab.until("document.body?.classList.contains('-first-byte')")
        await tab.until_received("Stage mixer")
        assert await tab.value("document.title") == "Larkfield <Hall> - Linewarden"
        # The cautions are left, and a unit is switched.
        tab.received = b""
        await tab.key("Enter", 13, "\r")
        await tab.until_received("Stage mixer")
        watch = Watch(hall.controller)
        for key in ("1", "o"):
            await tab.key(key, ord(key.upper()), key)
        await until(lambda: watch.of(Outcome))
        await watch.end()
        assert [outcome.result for outcome in watch.of(Outcome)] == [Result.CONFIRMED]
        tab.received = b""
        await tab.key("F5", 116)
        await tab.until_received("in a browser")
        # It is painted: the bar over the chosen row of the journal has the dashboard's own sky blue.
        end = time.monotonic() + PATIENCE
        while colours(await tab.picture())[SKY] < 5000:
            assert time.monotonic() < end
        # Its typeface is there, and nothing was asked for beyond this server.
        assert await tab.value("document.fonts.check('16px \"Roboto Mono\"')") is True
        own = (hall.page, hall.page.replace("http:", "ws:"))
        assert [asked for asked in tab.asked if not asked.startswith((*own, "data:", "blob:"))] == []
        assert tab.logged == []
        # It is left as in a terminal, and the page says so.
        await tab.tell(
            "Input.dispatchKeyEvent",
            type="keyDown",
            key="q",
            code="KeyQ",
            modifiers=2,
            windowsVirtualKeyCode=81,
        )
        await tab.until("document.body.classList.contains('-closed')")
        assert "The dashboard has ended" in await tab.value("document.body.innerText")


@asynccontextmanager
async def other_page() -> AsyncIterator[str]:
    """A page of somebody else's, at another port of this machine: another origin (RFC 6454, section 4)."""

    async def page(request: web.Request) -> web.Response:
        return web.Response(text="<title>elsewhere</title>", content_type="text/html")

    application = web.Application()
    application.add_routes([web.get("/", page)])
    runner = web.AppRunner(application, access_log=None)
    await runner.setup()
    try:
        site = web.TCPSite(runner, "127.0.0.1", 0)
        await site.start()
        yield f"http://127.0.0.1:{runner.addresses[0][1]}/"
    finally:
        await runner.cleanup()


async def opens(tab: Tab, address: str) -> bool:
    """Whether a websocket opens from the page that is shown."""
    opened = await tab.value(
        f"new Promise(tell => {{ const socket = new WebSocket({address!r});"
        "socket.onopen = () => { tell(true); socket.close(); }; socket.onerror = () => tell(false); })"
    )
    assert isinstance(opened, bool)
    return opened


async def test_a_page_from_elsewhere_gets_nothing_though_it_knows_the_token(tmp_path: Path) -> None:
    async with served(tmp_path, most=8) as hall, chromium(tmp_path) as tab, other_page() as elsewhere:
        socket = hall.page.replace("http:", "ws:") + "ws"
        await tab.open(elsewhere)
        await tab.until("document.title === 'elsewhere'")
        assert not await opens(tab, socket)
        assert not hall.local._front_ends
        # Nor may it frame the page, or read it.
        await tab.value(
            "new Promise(tell => { const frame = document.createElement('iframe');"
            f"frame.src = {hall.page!r};"
            "frame.onload = tell; document.body.append(frame); }).then(() => true)"
        )
        read = f"fetch({hall.page!r}).then(() => true, () => false)"
        assert await tab.value(read) is False
        assert not hall.local._front_ends
        # By a name that means this machine, but is no name of this page, the page's own script gets nowhere.
        named = hall.page.replace("127.0.0.1", "localhost")
        assert not await opens(tab, named.replace("http:", "ws:") + "ws")
        # The same script in the page itself gets in, and with the wrong token it does not.
        await tab.open(hall.page)
        await tab.until("document.body?.classList.contains('-first-byte')")
        assert await opens(tab, socket)
        assert not await opens(tab, socket.replace(TOKEN, "wrong"))
