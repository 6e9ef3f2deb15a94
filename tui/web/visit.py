"""A visit as the server sees it: the process of its dashboard, and what its browser says."""

from __future__ import annotations

import asyncio
import json
from asyncio.subprocess import PIPE, Process
from collections.abc import Awaitable, Callable, Sequence

from textual_serve.app_service import AppService
from textual_serve.download_manager import DownloadManager

__all__ = ["Visit"]

_GRACE = 3.0
"""Seconds that a dashboard has to end when its visitor is gone."""
_MOST_CELLS = 1000
"""Columns or rows of a screen."""
_SCREENS = ("DISPLAY", "WAYLAND_DISPLAY")


class Visit(AppService):
    """One dashboard process, and the way to and from its browser.

    Args:
        program: what to start, as a list: no shell reads it.
        write_bytes: sends the screen's bytes to the browser.
        write_str: sends the browser a message.
        close: ends the connection.
        download_manager: the server's.
    """

    def __init__(
        self,
        program: Sequence[str],
        *,
        write_bytes: Callable[[bytes], Awaitable[None]],
        write_str: Callable[[str], Awaitable[None]],
        close: Callable[[], Awaitable[object]],
        download_manager: DownloadManager,
    ) -> None:
        async def end() -> None:
            await close()

        super().__init__(
            "",
            write_bytes=write_bytes,
            write_str=write_str,
            close=end,
            download_manager=download_manager,
        )
        self._program = tuple(program)

    def _build_environment(self, width: int = 80, height: int = 24) -> dict[str, str]:
        environment = super()._build_environment(cells(width), cells(height))
        environment["TEXTUAL_DRIVER"] = "tui.web.driver:VisitorDriver"
        for screen in _SCREENS:
            # A visitor elsewhere must not open windows on the screen of this machine.
            environment.pop(screen, None)
        return environment

    async def _open_app_process(self, width: int = 80, height: int = 24) -> Process:
        self._process = await asyncio.create_subprocess_exec(
            *self._program,
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            env=self._build_environment(width, height),
            start_new_session=True,  # Ctrl-C at our terminal is for us: we end it in order
        )
        self._stdin = self._process.stdin
        return self._process

    async def until_it_ends(self) -> None:
        """Wait until the dashboard has ended by itself."""
        if self._task is not None:
            await asyncio.wait({self._task})

    async def stop(self) -> None:
        """End the dashboard: it is asked to, and killed where that does not help."""
        process = self._process
        if process is None:
            return
        ending = asyncio.create_task(super().stop(), name="end of a dashboard")
        try:
            # Not by cancelling: what reads in there swallows it, and the wait goes on.
            await asyncio.wait({ending}, timeout=_GRACE)
            if ending.done():
                await asyncio.wait_for(process.wait(), _GRACE)
        except TimeoutError:
            pass
        finally:
            if process.returncode is None:
                process.kill()
        await asyncio.wait({ending}, timeout=_GRACE)
        await process.wait()

    async def hear(self, text: str) -> str | None:
        """Do what a browser's message says.

        Returns:
            What to answer; empty for nothing, None where the message is none of ours.
        """
        try:
            message = json.loads(text)
        except (ValueError, RecursionError):
            return None
        match message:
            case ["stdin", str(keys)]:
                # JSON can spell half a sign, UTF-8 can't.
                await self.send_bytes(keys.encode("utf-8", "replace"))
            case ["resize", {"width": int(width), "height": int(height)}]:
                await self.set_terminal_size(cells(width), cells(height))
            case ["ping", str(when)]:
                return json.dumps(["pong", when])
            case ["blur", *_]:
                await self.blur()
            case ["focus", *_]:
                await self.focus()
            case _:
                return None
        return ""


def cells(number: int) -> int:
    """A screen's columns or rows, as many as a screen can have."""
    return min(max(number, 1), _MOST_CELLS)
