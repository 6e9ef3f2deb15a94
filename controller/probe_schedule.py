"""Scheduled probes: a line that nobody uses is asked now and then, to find a break before it is needed.

A probe is a command like any other: it passes the gate, takes its turn, and what it finds raises the alerts
that any command raises, or clears them. Nothing is sent on start. A ring that has just carried something
whole is not asked, and a line whose adapter is away is not either, for that has an alert of its own.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass

from controller.waiting import Clock
from profiles.errors import LinewardenError

__all__ = ["Asked", "ProbeSchedule"]

log = logging.getLogger(__name__)

_AGAIN = 60.0
"""Seconds after which a line that was found broken is asked again, where it would be asked less often."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One line that is asked now and then."""

    every: float
    """Seconds without a sign that it is whole after which it is asked."""
    up: Callable[[], bool]
    """Whether its adapter is there."""
    proven: Callable[[], float]
    """The monotonic instant at which it was last seen to be whole."""
    probe: Callable[[], Awaitable[bool]]
    """Sends the probe; whether all was well."""


class ProbeSchedule:
    """Asks the lines of a site, each in its own time.

    Args:
        clock: monotonic seconds.
        sleep: waits for so many seconds.
    """

    def __init__(
        self, clock: Clock, *, sleep: Callable[[float], Coroutine[None, None, None]] = asyncio.sleep
    ) -> None:
        self._clock = clock
        self._sleep = sleep
        self._tasks: dict[str, asyncio.Task[None]] = {}

    def ask(self, bus: str, asked: Asked) -> None:
        """Ask a bus from now on."""
        self._tasks[bus] = asyncio.create_task(self._keep_asking(bus, asked), name=f"probes of {bus}")

    async def stop(self, bus: str) -> None:
        """Ask a bus no more."""
        task = self._tasks.pop(bus, None)
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def close(self) -> None:
        """Ask none any more."""
        for bus in list(self._tasks):
            await self.stop(bus)

    async def _keep_asking(self, bus: str, asked: Asked) -> None:
        last, wait = self._clock(), asked.every
        while True:
            left = max(last, asked.proven()) + wait - self._clock()
            if left > 0:
                await self._sleep(left)
                continue
            well = True
            if asked.up():
                try:
                    well = await asked.probe()
                except LinewardenError as error:
                    log.warning("bus %s can't be probed: %s", bus, error)
            last, wait = self._clock(), asked.every if well else min(asked.every, _AGAIN)
