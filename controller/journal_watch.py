"""Care for a running controller's journal: an alert while it can't be written; its size; the disk's space.

The alert is raised at once, and cleared when the disk takes entries again.
"""

from __future__ import annotations

import asyncio
import itertools
import logging
import shutil
import time
from collections.abc import Callable, Coroutine
from dataclasses import dataclass

from controller.journal import Journal
from profiles.errors import JournalError

__all__ = ["JournalWatch", "Keeping"]

log = logging.getLogger(__name__)

_SCOPE, _NAME, _WRAP = "site", "journal-tried", 1 << 30
"""A counter of our own in the journal: a number is taken from it to see whether it can be written."""

_LOOK = 60.0
"""Seconds between looks at the clock, and at what may go."""
_LOOK_AT_THE_DISK = 1.0
"""Seconds between looks at the disk's space: a full one is on every screen within two."""
_DISK_ANSWERS_WITHIN = 2.0
_TRIM_EVERY = 60
"""Looks between two times at which what is old goes."""
_LEAST_FREE, _ENOUGH_FREE = 64 << 20, 80 << 20
"""Bytes free on the disk below which that is told, and above which it is over."""
_PROBES_KEPT = 86_400.0
"""Seconds for which scheduled probes that found all well are kept: nobody asks for them later."""
_CLOCK_MOVED = 60.0
"""Seconds by which the wall clock has to be off from one look to the next for it to have been set."""
_TRUSTED_AFTER, _TRUSTED_AFTER_SETTING = 3600.0, 86_400.0
"""Seconds from the start, and from a setting of the clock, in which no entry goes for its age: a clock that
is wrong would make all of them old."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """How much of the journal is kept."""

    seconds: float | None = None
    """Commands that are older go; None for as long as there is space."""
    most_bytes: int = 512 << 20
    """What it may use; the oldest commands go first."""


class JournalWatch:
    """Watches over one journal.

    Args:
        journal: the journal.
        alert: raises or clears an alert: (kind, target, text or None, what to look at).
        keeping: how much of it is kept.
        every: seconds between tries while it can't be written.
        utc: UTC seconds.
        steady: seconds on a clock that nobody sets.
        sleep: waits for so many seconds.
    """

    def __init__(
        self,
        journal: Journal,
        alert: Callable[[str, str, str | None, str], None],
        keeping: Keeping = Keeping(),
        *,
        every: float = 2.0,
        utc: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Coroutine[None, None, None]] = asyncio.sleep,
    ) -> None:
        self._journal = journal
        self._alert = alert
        self.keeping = keeping
        self._every = every
        self._utc = utc
        self._steady = steady
        self._sleep = sleep
        self._apart = utc() - steady()
        self._trusted_from = steady() + _TRUSTED_AFTER
        self._failing = False
        self._closed = False
        self._tasks: set[asyncio.Task[None]] = set()
        self._looking: asyncio.Task[int] | None = None

    def start(self) -> None:
        """Keep an eye on its size and on the disk from now on."""
        self._begin(self._look_after(), "journal housekeeping")
        self._begin(self._look_at_the_disk_again_and_again(), "journal disk")

    @property
    def writable(self) -> bool:
        """Whether the journal takes entries, as far as is known."""
        return not self._failing

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

    async def _look_at_the_disk_again_and_again(self) -> None:
        while True:
            await self._look_at_the_disk()
            await asyncio.sleep(_LOOK_AT_THE_DISK)

    async def _look_after(self) -> None:
        for turn in itertools.count():
            await self._sleep(_LOOK)
            self._look_at_the_clock()
            await self._look_at_the_disk()
            if turn % _TRIM_EVERY == 0:
                await self._trim()

    def _look_at_the_clock(self) -> None:
        apart = self._utc() - self._steady()
        if abs(apart - self._apart) > _CLOCK_MOVED:
            self._trusted_from = self._steady() + _TRUSTED_AFTER_SETTING
        self._apart = apart

    async def free(self) -> int | None:
        """Bytes free where the journal lies; None where that can't be told, or not soon."""
        looking = self._looking
        if looking is None:
            # One at a time: a disk that hangs must not take every thread that there is for files.
            look = asyncio.to_thread(lambda: shutil.disk_usage(self._journal.path.parent).free)
            looking = self._looking = asyncio.create_task(look)
            looking.add_done_callback(self._looked)
        done, _ = await asyncio.wait([looking], timeout=_DISK_ANSWERS_WITHIN)
        try:
            return looking.result() if done else None
        except OSError:
            return None

    def _looked(self, looking: asyncio.Task[int]) -> None:
        self._looking = None
        if not looking.cancelled():
            looking.exception()  # nobody need have waited for it

    async def _look_at_the_disk(self) -> None:
        free = await self.free()
        if free is None:
            return
        if free < _LEAST_FREE:
            text = f"{free >> 20} MB are left on the disk that the journal is on"
            look = "what fills it: once it is full, nothing that energises is sent"
            self._alert("disk", "site", text, look)
        elif free > _ENOUGH_FREE:
            self._alert("disk", "site", None, "")

    async def _trim(self) -> None:
        """Let go what is too much and what is too old."""
        trusted = self._steady() >= self._trusted_from
        try:
            await self._journal.retain(
                older_than_s=self.keeping.seconds if trusted else None,
                most_bytes=self.keeping.most_bytes,
                probes_older_than_s=_PROBES_KEPT if trusted else None,
            )
        except JournalError as error:
            log.warning("the journal can't be made smaller: %s", error)
