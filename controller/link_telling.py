"""What a link tells its listener: gathered traffic and news, in order, each once."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable
from typing import Protocol

from controller.link_gathering import Gatherer, LineEvent
from controller.transmission import Report
from profiles.errors import LinewardenError

__all__ = ["HAND_OVER", "LinkListener", "Teller"]

log = logging.getLogger(__name__)

HAND_OVER = 0.02
"""Seconds after which gathered traffic is handed over in any case."""
_QUIET = 0.008
"""Seconds without bytes after which it is handed over, while no command is out."""


class LinkListener(Protocol):
    """Who is told; every method is called in the link's thread and must return at once.

    The one exception: what is handed to a link that has stopped is reported in the caller's thread.
    """

    def link_up(self, latency: tuple[float, float | None] | None) -> None:
        """The port is open; the adapter's latency and jitter in seconds, where it can tell them."""

    def link_down(self, error: LinewardenError) -> None:
        """The port is gone or can't be opened; told once, until it is up again."""

    def line_events(self, events: list[LineEvent]) -> None:
        """Bytes went by."""

    def finished(self, report: Report) -> None:
        """A transmission is over; told once for each."""

    def control_lines(self, changes: list[tuple[str, bool, bool]]) -> None:
        """Control lines stand so: (line, level, whether it is the first word of it since the port opened)."""

    def thread_failed(self, error: BaseException) -> None:
        """A fault of this program ended what was under way; the link begins anew."""


class Teller:
    """Holds back what is to be told until ``flush``, so that writing never waits for telling.

    A listener that fails loses what it was told just then, and nothing else.

    Args:
        listener: who is told.
        name: whose words these are, for the log.
    """

    def __init__(self, listener: LinkListener, name: str) -> None:
        self._listener = listener
        self._name = name
        self._outbox: deque[Callable[[], None]] = deque()
        self._down = False
        self._fault = ""
        self._last_heard = 0.0
        self.traffic = Gatherer()

    # News

    def up(self, latency: tuple[float, float | None] | None) -> None:
        """The port is open."""
        self._down = False
        self._fault = ""
        self._say(lambda: self._listener.link_up(latency))

    def down(self, error: LinewardenError) -> None:
        """There is no port; told once until there is one."""
        if not self._down:
            self._down = True
            self._say(lambda: self._listener.link_down(error))

    def finished(self, report: Report) -> None:
        """A transmission is over."""
        self._say(lambda: self._listener.finished(report))

    def control_lines(self, changes: list[tuple[str, bool, bool]]) -> None:
        """Control lines have changed."""
        self._say(lambda: self._listener.control_lines(changes))

    def failed(self, error: Exception) -> None:
        """A fault of this program; the same one is told once until there is a port again."""
        if repr(error) != self._fault:
            self._fault = repr(error)
            self._say(lambda: self._listener.thread_failed(error))

    def _say(self, word: Callable[[], None]) -> None:
        """What went by before is told before."""
        self.hand_over()
        self._outbox.append(word)

    # Traffic

    def heard(self, now: float) -> None:
        """Bytes were read ``now``: wait whether more follow."""
        self._last_heard = now

    def due(self, *, idle: bool) -> float | None:
        """When traffic is to be handed over; sooner where no command is out and the line is quiet."""
        since = self.traffic.since
        if since is None:
            return None
        return min(since + HAND_OVER, self._last_heard + _QUIET) if idle else since + HAND_OVER

    def hand_over(self) -> None:
        """Let all gathered traffic go with the next ``flush``."""
        if self.traffic.since is not None:
            events = self.traffic.take()
            self._outbox.append(lambda: self._listener.line_events(events))

    # Letting go

    def flush(self) -> None:
        """Tell all that is to be told; what the listener throws ends it, and the rest waits."""
        while self._outbox:
            self._outbox.popleft()()

    def flush_all(self) -> None:
        """The same, whatever the listener throws."""
        while self._outbox:
            try:
                self.flush()
            except Exception:
                log.exception("%s: whom it tells is at fault", self._name)
