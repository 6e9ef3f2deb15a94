"""Carries a link's words from its thread into the event loop, in order."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from typing import Protocol

from controller.link import LineEvent
from controller.transmission import Report
from profiles.errors import LinewardenError

__all__ = ["Courier", "Recipient"]


class Recipient(Protocol):
    """Who gets them, in the event loop."""

    def on_up(self, latency: tuple[float, float | None] | None) -> None:
        """The port is open."""

    def on_down(self, error: LinewardenError) -> None:
        """The port is gone, or can't be opened."""

    def on_traffic(self, events: Sequence[LineEvent]) -> None:
        """Bytes went by."""

    def on_report(self, report: Report) -> None:
        """A transmission is over."""

    def on_control_lines(self, changes: Sequence[tuple[str, bool, bool]]) -> None:
        """Control lines stand so: (line, level, whether it is the first word of it since the port opened)."""

    def on_fault(self, error: BaseException) -> None:
        """The link's thread met a fault of this program and began anew."""


class Courier:
    """A link's listener; its methods are called in the link's thread."""

    def __init__(self, recipient: Recipient, loop: asyncio.AbstractEventLoop) -> None:
        self._to = recipient
        self._loop = loop

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        # After the loop is closed there is nobody left to tell.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(function, *arguments)

    def link_up(self, latency: tuple[float, float | None] | None) -> None:
        """The port is open."""
        self._call(self._to.on_up, latency)

    def link_down(self, error: LinewardenError) -> None:
        """The port is gone."""
        self._call(self._to.on_down, error)

    def line_events(self, events: list[LineEvent]) -> None:
        """Bytes went by."""
        self._call(self._to.on_traffic, events)

    def finished(self, report: Report) -> None:
        """A transmission is over."""
        self._call(self._to.on_report, report)

    def control_lines(self, changes: list[tuple[str, bool, bool]]) -> None:
        """Control lines stand so."""
        self._call(self._to.on_control_lines, changes)

    def thread_failed(self, error: BaseException) -> None:
        """The link's thread began anew."""
        self._call(self._to.on_fault, error)
