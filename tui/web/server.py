"""The web server: textual-serve's, with a door before every route, a page of our own and a limit of visitors.

By itself textual-serve lets any page open its websocket, starts its program through a shell, and has its page
fetch a typeface from elsewhere. All routes here have the token in their path: ``/TOKEN/`` is the page,
``/TOKEN/ws`` the websocket, ``/TOKEN/static/...`` what the page needs. Its route for downloads is left out:
the dashboard hands out no files.
"""

from __future__ import annotations

import asyncio
import html
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path

from aiohttp import WSCloseCode, WSMsgType, web
from textual_serve.server import Server

from tui.web.door import Door
from tui.web.visit import Visit

__all__ = ["MOST_VISITORS", "WebServer"]

MOST_VISITORS = 4
"""Dashboards at once; each is a process of its own."""

_LONGEST_MESSAGE = 1 << 20
"""Bytes of one message of a browser, such as a text that is pasted."""
_HEARTBEAT = 15.0
"""Seconds after which a browser that says nothing is asked whether it is still there."""
_FULL = "As many look at this dashboard as may at once ({most}): close one of its pages, then load this."

_PAGE = Path(__file__).parent / "page"
_OURS = ("page.css", "page.js")
_THEIRS = ("js/textual.js", "css/xterm.css", "fonts/RobotoMono-VariableFont_wght.ttf")

_HEADERS = {
    # xterm.js writes style elements; nothing is fetched from elsewhere, and no page may frame this one.
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; "
    "font-src 'self'; img-src 'self' data:; connect-src 'self' {websocket}; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    # The address holds the token: it is told to nobody, and no copy of the page is kept.
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}

_Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class WebServer(Server):
    """Serves one dashboard to each visitor that comes through the door.

    Args:
        program: what is started for a visitor, as a list.
        door: who is let in.
        title: what the page is called.
        most: visitors at once.
    """

    def __init__(self, program: Sequence[str], door: Door, title: str, most: int = MOST_VISITORS) -> None:
        super().__init__("", title=title)
        self._program = tuple(program)
        self._door = door
        self._most = most
        self._visits = 0
        self._sockets: set[web.WebSocketResponse] = set()
        self._static = {name: _PAGE / name for name in _OURS}
        self._static |= {name: Path(self.statics_path) / name for name in _THEIRS}

    def application(self) -> web.Application:
        """The web application; the door stands before all of it, routes that are none included."""
        application = web.Application(middlewares=[self._at_the_door])
        application.add_routes(
            [
                web.get("/{token}", self._to_the_page),
                web.get("/{token}/", self.handle_index),
                web.get("/{token}/ws", self.handle_websocket),
                web.get("/{token}/static/{name:.+}", self._handle_static),
            ]
        )
        application.on_response_prepare.append(_add_headers)
        application.on_shutdown.append(self.on_shutdown)
        return application

    @web.middleware
    async def _at_the_door(self, request: web.Request, handler: _Handler) -> web.StreamResponse:
        hosts, origins = (request.headers.getall(name, []) for name in ("Host", "Origin"))
        asks = "upgrade" in request.headers or request.path.endswith("/ws")
        refusal = self._door.refusal(request.path, hosts, origins, websocket=asks)
        if refusal is not None:
            return web.Response(status=403, text=refusal)
        return await handler(request)

    async def on_shutdown(self, app: web.Application) -> None:
        """Tell every visitor that this is the end."""
        del app
        await asyncio.gather(*(each.close(code=WSCloseCode.GOING_AWAY) for each in list(self._sockets)))

    async def _to_the_page(self, request: web.Request) -> web.StreamResponse:
        raise web.HTTPFound(f"/{request.match_info['token']}/")

    async def handle_index(self, request: web.Request) -> web.StreamResponse:
        """The page."""
        if self._visits >= self._most:
            raise self._full()
        page = (_PAGE / "page.html").read_text(encoding="utf-8")
        socket = f"ws://{request.host}/{self._door.token}/ws"
        for name, value in {"TITLE": self.title, "WEBSOCKET": socket}.items():
            page = page.replace("{{ " + name + " }}", html.escape(value))
        return web.Response(text=page, content_type="text/html")

    async def _handle_static(self, request: web.Request) -> web.StreamResponse:
        # Looked up, never joined to a path.
        path = self._static.get(request.match_info["name"])
        if path is None:
            raise web.HTTPNotFound
        return web.FileResponse(path)

    def _full(self) -> web.HTTPException:
        return web.HTTPServiceUnavailable(text=_FULL.format(most=self._most))

    async def handle_websocket(self, request: web.Request) -> web.WebSocketResponse:
        """A visitor, from the first key to the last."""
        if self._visits >= self._most:
            raise self._full()
        self._visits += 1
        try:
            socket = web.WebSocketResponse(heartbeat=_HEARTBEAT, max_msg_size=_LONGEST_MESSAGE)
            await socket.prepare(request)
            self._sockets.add(socket)
            try:
                await self._visit(socket, *(_number(request, name) for name in ("width", "height")))
            finally:
                self._sockets.discard(socket)
            return socket
        finally:
            self._visits -= 1

    async def _visit(self, socket: web.WebSocketResponse, width: int, height: int) -> None:
        visit = Visit(
            self._program,
            write_bytes=socket.send_bytes,
            write_str=socket.send_str,
            close=socket.close,
            download_manager=self.download_manager,
        )

        async def close_at_the_end() -> None:
            await visit.until_it_ends()
            await socket.close()

        closing: asyncio.Task[None] | None = None
        try:
            await visit.start(width, height)
            closing = asyncio.create_task(close_at_the_end(), name="end of a visit")
            async for message in socket:
                answer = await visit.hear(message.data) if message.type is WSMsgType.TEXT else None
                if answer is None:
                    await socket.close(code=WSCloseCode.UNSUPPORTED_DATA, message=b"not understood")
                elif answer:
                    await socket.send_str(answer)
        except ConnectionResetError:
            pass  # it is gone in the middle of a word
        finally:
            await visit.stop()
            if closing is not None:
                await asyncio.wait({closing}, timeout=_HEARTBEAT)
                closing.cancel()


async def _add_headers(request: web.Request, response: web.StreamResponse) -> None:
    for name, value in _HEADERS.items():
        response.headers[name] = value.replace("{websocket}", f"ws://{request.host}")


def _number(request: web.Request, name: str) -> int:
    word = request.query.get(name, "")
    return int(word) if word.isascii() and word.isdigit() and len(word) < 6 else {"width": 80}.get(name, 24)
