"""Care for a running controller's journal: an alert while it can't be written, and an eye on its size.

The alert is raised at once, and cleared when the disk takes entries again.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine

from controller.journal import Journal
from profiles.errors import JournalError

__all__ = ["JournalWatch"]

log = logging.getLogger(__name__)

_SCOPE, _NAME, _WRAP = "site", "journal-tried", 1 << 30
"""A counter of our own in the journal: a number is taken from it to see whether it can be written."""

_FIRST_LOOK, _LOOK = 60.0, 3600.0
"""Seconds until the first look at its size, and between later ones."""
_MOST_BYTES = 512 << 20
"""What it may use; the oldest commands go first."""


class JournalWatch:
    """Watches over one journal.

    Args:
        journal: the journal.
        alert: raises or clears an alert: (kind, target, text or None, what to look at).
        every: seconds between tries while it can't be written.
    """

    def __init__(
        self, journal: Journal, alert: Callable[[str, str, str | None, str], None], *, every: float = 2.0
    ) -> None:
        self._journal = journal
        self._alert = alert
        self._every = every
        self._failing = False
        self._closed = False
        self._tasks: set[asyncio.Task[None]] = set()

    def start(self) -> None:
        """Keep an eye on its size from now on."""
        self._begin(self._keep_small(), "journal housekeeping")

    def failed(self, error: JournalError | TimeoutError) -> None:
        """An entry could not be written, or not in time."""
        what, todo = "the disk does not answer", "the disk; the journal goes on by itself"
        if isinstance(error, JournalError):
            what, todo = error.what, error.todo
        log.error("the journal can't be written: %s", what)
        self._alert("journal", "site", f"the journal can't be written: {what}", todo)
        if not self._failing and not self._closed:
            self._failing = True
            self._begin(self._try_until_it_works(), "journal watch")

    async def close(self) -> None:
        """Watch no more."""
        self._closed = True
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _begin(self, work: Coroutine[None, None, None], name: str) -> None:
        task = asyncio.create_task(work, name=name)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _try_until_it_works(self) -> None:
        while self._failing:
            await asyncio.sleep(self._every)
            if self._journal.owed:
                continue
            try:
                await self._journal.next_counter(_SCOPE, _NAME, 0, _WRAP)
                # Nothing has that id; but what is asked here is flushed to the disk, wherever that is by now.
                await self._journal.remove_lock("")
            except JournalError:
                continue
            self._failing = False
            self._alert("journal", "site", None, "")

    async def _keep_small(self) -> None:
        wait = _FIRST_LOOK
        while True:
            await asyncio.sleep(wait)
            wait = _LOOK
            try:
                await self._journal.retain(most_bytes=_MOST_BYTES)
            except JournalError as error:
                log.warning("the journal can't be made smaller: %s", error)
