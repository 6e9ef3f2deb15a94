"""Warnings and errors of this program, as lines for ``$log``: few, short, and harmless to show."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import Callable

from controller.waiting import Clock

__all__ = ["FewLines", "LogLines"]

_LONGEST = 500
_LEVELS = ((logging.CRITICAL, "fatal"), (logging.ERROR, "error"), (logging.WARNING, "warn"))


class FewLines:
    """Lets a few lines pass, and counts the others.

    Args:
        clock: monotonic seconds.
        most: lines in ``within`` seconds.
        within: seconds.
    """

    def __init__(self, clock: Clock, most: int = 10, within: float = 10.0) -> None:
        self._clock = clock
        self._most = most
        self._within = within
        self._since = -within
        self._passed = 0
        self._held = 0

    def line(self, text: str) -> str | None:
        """The line, with how many were held back before it; None where it is held back itself."""
        now = self._clock()
        if now - self._since >= self._within:
            self._since, self._passed = now, 0
        if self._passed >= self._most:
            self._held += 1
            return None
        self._passed += 1
        held, self._held = self._held, 0
        shown = "".join(sign if sign.isprintable() else "�" for sign in text[:_LONGEST])
        return f"{shown} ({held} lines before this one were held back)" if held else shown


class LogLines(logging.Handler):
    """Hands warnings and worse to the event loop, from whatever thread they come.

    Args:
        take: called in the event loop with the level (warn, error, fatal) and the line.
        clock: monotonic seconds.
    """

    def __init__(self, take: Callable[[str, str], None], clock: Clock) -> None:
        super().__init__(logging.WARNING)
        self._take = take
        self._few = FewLines(clock)
        self._loop = asyncio.get_running_loop()

    def emit(self, record: logging.LogRecord) -> None:
        """Take a record."""
        line = self._few.line(record.getMessage())
        if line is None:
            return
        level = next(name for least, name in _LEVELS if record.levelno >= least)
        # Once the loop is closed there is nobody left to tell.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(self._take, level, line)
