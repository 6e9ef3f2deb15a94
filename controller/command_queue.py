"""Commands that wait for one bus: de-energising ones pass, and a held-off unit holds up no other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from controller.guard import Cleared
from controller.records import Outcome
from controller.waiting import Clock

__all__ = ["CommandQueue", "Waiting"]


@dataclass(slots=True)
class Waiting:
    """A command in the queue, or under way."""

    cleared: Cleared
    done: asyncio.Future[Outcome] = field(default_factory=lambda: asyncio.get_running_loop().create_future())
    cancelled: bool = False


class CommandQueue:
    """The queue of one bus.

    Args:
        ready_at: from when a command may be sent, on ``clock``.
        clock: monotonic seconds.
    """

    def __init__(self, ready_at: Callable[[Cleared], float], clock: Clock) -> None:
        self._ready_at = ready_at
        self._clock = clock
        self._waiting: list[Waiting] = []
        self._changed = asyncio.Event()

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, cleared: Cleared) -> Waiting:
        """Queue a command."""
        waiting = Waiting(cleared)
        self._waiting.append(waiting)
        self._changed.set()
        return waiting

    def cancel(self, command_id: str | None = None) -> bool:
        """Take back one command, or all; whether there was any. Each still comes out of ``next``."""
        found = [w for w in self._waiting if command_id in (None, w.cleared.command.id)]
        for waiting in found:
            waiting.cancelled = True
        self._changed.set()
        return bool(found)

    def wake(self) -> None:
        """Let ``next`` look again."""
        self._changed.set()

    async def next(self, until: Callable[[], bool]) -> Waiting | None:
        """The command whose turn it is; waits for one, or until ``until`` holds and none is left."""
        while True:
            self._changed.clear()
            if until() and not self._waiting:
                return None
            now = self._clock()
            found, soonest = self._choose(now)
            if found is not None:
                self._waiting.remove(found)
                return found
            try:
                async with asyncio.timeout(None if soonest is None else max(0.0, soonest - now)):
                    await self._changed.wait()
            except TimeoutError:
                continue

    def _choose(self, now: float) -> tuple[Waiting | None, float | None]:
        soonest: float | None = None
        held: set[str] = set()
        for waiting in sorted(self._waiting, key=lambda each: not each.cleared.de_energises):
            units = set(waiting.cleared.units)
            ready = self._ready_at(waiting.cleared)
            if waiting.cancelled or (ready <= now and not held & units):
                return waiting, None
            held |= units
            soonest = ready if soonest is None else min(soonest, ready)
        return None, soonest
