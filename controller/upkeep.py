"""What a running controller sees to by itself: sense inputs, scheduled probes, and that every bus moves."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Mapping

from controller.bus import Bus
from controller.fanout import Fanout
from controller.probe_schedule import Asked, ProbeSchedule
from controller.records import LinkState
from controller.sensing import Sensing
from controller.site import LoadedSite
from controller.surroundings import Surroundings
from controller.waiting import Clock

__all__ = ["Upkeep"]

log = logging.getLogger(__name__)

_LOOK = 2.0
"""Seconds between looks at whether every bus still moves."""


class Upkeep:
    """Sees to the buses of one controller.

    Args:
        loaded: the site.
        buses: its running buses.
        probe: sends a bus's scheduled probe; whether all was well.
        surroundings: the states, and who is told.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        buses: Mapping[str, Bus],
        probe: Callable[[str], Awaitable[bool]],
        surroundings: Surroundings,
        clock: Clock,
    ) -> None:
        self._loaded = loaded
        self._buses = buses
        self._probe = probe
        self._alert = surroundings.alert
        self._clock = clock
        self._schedule = ProbeSchedule(clock)
        self._sensing = Sensing(loaded, surroundings, clock)
        self._pulse: asyncio.Task[None] | None = None
        self._stuck: dict[str, str] = {}

    def start(self, fanout: Fanout) -> None:
        """Begin, before the first bus does."""
        self._sensing.start(fanout)
        for name in self._buses:
            self.begin(name)
        self._pulse = asyncio.create_task(self._look_after(), name="pulse")

    def begin(self, name: str) -> None:
        """See to a bus that has been started."""
        every = self._loaded.site.buses[name].probe_every_s
        if every is None:
            return
        bus = self._buses[name]
        self._schedule.ask(
            name,
            Asked(
                every,
                up=lambda: bus.status.link is LinkState.UP,
                proven=lambda: bus.proven_at,
                probe=lambda: self._probe(name),
            ),
        )

    async def end(self, name: str) -> None:
        """A bus is about to be stopped."""
        await self._schedule.stop(name)

    async def close(self) -> None:
        """See to nothing any more."""
        self._sensing.close()
        await self._schedule.close()
        if self._pulse is not None:
            self._pulse.cancel()
            await asyncio.gather(self._pulse, return_exceptions=True)

    def stuck(self) -> dict[str, str]:
        """The buses that don't move, and what has stopped."""
        now = self._clock()
        found = {name: bus.stuck(now) for name, bus in self._buses.items()}
        return {name: text for name, text in found.items() if text is not None}

    async def _look_after(self) -> None:
        while True:
            await asyncio.sleep(_LOOK)
            stuck = self.stuck()
            for name, text in stuck.items():
                # At the second look: after a computer has slept, a thread may be on its way to its next sign.
                if name in self._stuck:
                    log.error("bus %s: %s", name, text)
                    self._alert("stuck", name, text, "the log of the controller; restarting it")
            for name in self._stuck.keys() - stuck.keys():
                self._alert("stuck", name, None, "")
            self._stuck = stuck
