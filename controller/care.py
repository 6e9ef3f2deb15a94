"""The part of a controller that is about itself: its health, who answers, a site file that has changed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.alerts import AlertBook
from controller.api import ProbeReport
from controller.bus import Bus
from controller.fanout import Fanout
from controller.from_site import keeping
from controller.guard import Gate
from controller.health import Health, links, rounded
from controller.journal_watch import JournalWatch
from controller.lock_book import LockBook
from controller.probing import probe_bus
from controller.reloading import Differences, Running, reload_site
from controller.site import LoadedSite
from controller.states import StateBook
from controller.submitting import Submitting
from controller.upkeep import Upkeep
from profiles.compiled import CompiledProfile
from profiles.errors import InputError, NotKnown

__all__ = ["Cared"]


class Cared:
    """What a controller does for its own sake; a part of ``Controller``."""

    _alerts: AlertBook
    _began: float
    _buses: dict[str, Bus]
    _commands: Submitting
    _fanout: Fanout
    _gate: Gate
    _loaded: LoadedSite
    _locks: LockBook
    _saving: asyncio.Lock
    _states: StateBook
    _upkeep: Upkeep
    _utc: Callable[[], float]
    _watch: JournalWatch

    def _make_bus(self, name: str) -> Bus:
        raise NotImplementedError

    async def _take_profile(self, bus: str, compiled: CompiledProfile) -> None:
        raise NotImplementedError

    async def health(self) -> Health:
        """How the controller itself is."""
        return Health(
            self._began,
            self._watch.writable,
            rounded(await self._watch.free()),
            links([bus.status for bus in self._buses.values()], self._upkeep.stuck()),
            len(self._alerts.standing()),
            len(self._locks.standing()),
        )

    def stuck(self) -> dict[str, str]:
        """The buses that don't move, and what of them has stopped; empty while all is well."""
        return self._upkeep.stuck()

    async def reload(self, loaded: LoadedSite) -> Differences:
        """Go on with a new version of the site file; only what has changed starts anew, and nothing is sent.

        Raises:
            InputError: it is another site.
        """
        running = Running(
            self._loaded,
            self._gate,
            self._states,
            self._buses,
            self._alerts,
            self._upkeep,
            self._commands,
            self._fanout.publish,
            self._utc,
            self._make_bus,
            self._take_profile,
        )
        async with self._saving:
            found = await reload_site(running, loaded)
        self._watch.keeping = keeping(loaded.site.journal)
        return found

    def _bus(self, name: str) -> Bus:
        if name not in self._buses:
            raise NotKnown(f"no bus is called {name!r}", todo=f"known are {', '.join(self._buses)}")
        return self._buses[name]

    async def probe(self, bus: str) -> ProbeReport:
        """Find out who answers.

        Raises:
            NotKnown: there is no such bus, or its profile has no probe.
        """
        return await probe_bus(self._bus(bus), self._loaded, self._commands.submit, self._utc)

    async def _scheduled_probe(self, bus: str) -> bool:
        report = await probe_bus(
            self._bus(bus), self._loaded, self._commands.submit, self._utc, scheduled=True
        )
        return report.well

    async def simulate(self, bus: str, order: str) -> str:
        """Give a simulated bus a fault or press a button; says what it did.

        Raises:
            NotKnown: there is no such bus.
            InputError: the bus is not simulated, or the order is none.
        """
        port = self._bus(bus).setup.port.port
        if not port.startswith("sim://"):
            raise InputError("is no simulated bus", where=bus, todo="use a bus whose port begins with sim://")
        from controller.simulator.registry import attach

        return await asyncio.to_thread(lambda: attach(port).order(order))
