"""Controller: all buses of one site, behind the Controller API (controller/api.py).

On start nothing is sent. Every state begins unknown, with its last known value kept beside; a restart never
switches gear.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path

from controller.alerts import AlertBook
from controller.all_off import off_commands, would_energise
from controller.api import JournalEntry, JournalQuery, ProfileText, SiteView
from controller.automation import Automated, Automation
from controller.bus import Bus
from controller.by_hand import enter_by_hand
from controller.care import Cared
from controller.command_queue import TakenBack
from controller.fanout import Fanout
from controller.from_site import bus_rules, bus_setup, end_own_lines, keeping, unit_rules
from controller.guard import Cleared, Gate
from controller.journal import Journal
from controller.journal_watch import JournalWatch
from controller.lock_book import LockBook
from controller.profile_keeping import profile_text, save
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Event,
    Known,
    Lock,
    Origin,
    Outcome,
    Reason,
    Record,
    StateValue,
)
from controller.remembering import begin_after_damage, first_states, remember_commands
from controller.site import LoadedSite
from controller.submitting import Submitting
from controller.surroundings import Surroundings
from controller.upkeep import Upkeep
from controller.views import site_view
from controller.waiting import Clock, monotonic
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, JournalError, NotKnown
from profiles.model import Value

__all__ = ["Controller"]

log = logging.getLogger(__name__)


class Controller(Automated, Cared):
    """One site's controller; implements ``ControllerApi``.

    Make one with ``open``; end it with ``close``.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        journal: Journal,
        *,
        utc: Callable[[], float] = time.time,
        clock: Clock = monotonic,
    ) -> None:
        self._loaded = loaded
        self._journal = journal
        self._utc = utc
        self._clock = clock
        self._began = utc()
        self._fanout = Fanout()
        publish = self._fanout.publish
        self._alerts = AlertBook(publish, utc)
        site = loaded.site
        self._watch = JournalWatch(journal, self._alerts.set, keeping(site.journal))
        self._locks = LockBook(journal, journal.locks(), publish, utc)
        self._gate = Gate(
            [bus_rules(name, bus, loaded.profiles[name]) for name, bus in site.buses.items()],
            [unit_rules(name, unit) for name, unit in site.units.items()],
        )
        self._states = first_states(loaded, journal, utc())
        surroundings = Surroundings(
            self._gate,
            self._states,
            journal,
            publish,
            self._locks.standing,
            utc,
            self._alerts.set,
            self._watch.failed,
        )
        self._surroundings = surroundings
        self._buses = {name: self._make_bus(name) for name in site.buses}
        self._commands = Submitting(surroundings, self._buses, clock)
        self._upkeep = Upkeep(loaded, self._buses, self._scheduled_probe, surroundings, clock)
        self._automation = Automation(loaded, surroundings, self._commands, self.all_off, clock)
        self._saving = asyncio.Lock()

    def _make_bus(self, name: str) -> Bus:
        setup = bus_setup(name, self._loaded.site.buses[name], self._loaded, self._journal.learned(name))
        return Bus(setup, self._loaded.profiles[name], self._surroundings, clock=self._clock)

    # Life

    @classmethod
    async def open(
        cls,
        loaded: LoadedSite,
        state_folder: Path,
        *,
        utc: Callable[[], float] = time.time,
        clock: Clock = monotonic,
    ) -> Controller:
        """Open the journal and the ports of a site; nothing is sent.

        Args:
            loaded: the site.
            state_folder: where the journal is; the caller holds the folder's ``Claim``.
            utc: UTC seconds.
            clock: monotonic seconds.

        Raises:
            JournalError: the journal can't be opened.
        """
        journal = await Journal.open(state_folder / "journal.sqlite", clock=utc, begin_anew=True)
        try:
            controller = cls(loaded, journal, utc=utc, clock=clock)
        except BaseException:
            await journal.close()
            raise
        try:
            await controller._begin()
        except BaseException:
            await controller.close()
            raise
        return controller

    async def _begin(self) -> None:
        self._fanout.listen(self._journal.note)
        await begin_after_damage(self._loaded, self._journal, self._alerts, self._locks)
        try:
            await remember_commands(self._gate, self._journal, utc=self._utc(), now=self._clock())
        except JournalError as error:
            log.warning("what was sent lately can't be read: %s", error)
        self._automation.start(self._fanout)
        self._upkeep.start(self._fanout)
        for bus in self._buses.values():
            await bus.start()
        self._watch.start()

    async def ready(self) -> None:
        """Wait until each port is open, or is known not to be."""
        await asyncio.gather(*(bus.first_word() for bus in self._buses.values()))

    async def close(self) -> None:
        """End every command with its outcome, let the ports go, close the journal. Again: does nothing."""
        self._commands.refuse_new()
        await self._automation.close()
        await self._upkeep.close()
        ended = await asyncio.gather(*(bus.stop() for bus in self._buses.values()), return_exceptions=True)
        for name, error in zip(self._buses, ended, strict=True):
            if error is not None:
                log.error("bus %s did not end as it should", name, exc_info=error)
        await self._commands.close()
        await self._automation.ended()
        await self._watch.close()
        await asyncio.to_thread(end_own_lines, self._loaded)
        self._fanout.close()
        await self._journal.close()

    # Commands

    async def submit(self, command: Command) -> Outcome:
        """Carry out a command; returns when its outcome is journalled.

        The same id twice is one command: the second call gets the first one's outcome. The caller may go
        away; the command is carried out all the same.
        """
        return await self._commands.submit(command)

    def begin(self, command: Command, *, new: bool = False) -> asyncio.Future[Outcome]:
        """Begin what ``submit`` waits for, at once; gives its outcome as it will be. Not to be cancelled.

        Args:
            command: what is asked.
            new: whether its id was made in this process just now, so that it can be known to nobody.
        """
        return self._commands.begin(command, new=new)

    async def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""
        return bool(self._commands.take_back(lambda each: each.command.id == command_id, TakenBack()))

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        """De-energise a unit, a group, a bus, or everything, now: past locks and queues.

        What would energise any of it and is not over yet is taken back. Power amplifiers go first. A unit
        without a de-energising action is left out.

        Raises:
            NotKnown: the scope names nothing.
        """
        units = list(self._loaded.site.units) if scope is None else list(self._gate.units_of(scope))
        who = origin.name or origin.kind.value
        why = f"taken back, because {who} switched {scope or 'everything'} off"
        self._automation.everything_off(units, why)
        self._commands.take_back(would_energise(self._gate, scope, units), TakenBack(why))
        commands = off_commands(units, self._loaded, origin, self._utc())
        return list(await asyncio.gather(*(self.submit(command) for command in commands)))

    # What there is

    async def site(self) -> SiteView:
        """The site's buses, units, actions and states."""
        return site_view(self._loaded)

    async def states(self) -> dict[str, dict[str, StateValue]]:
        """Every unit's states."""
        return self._states.all()

    async def buses(self) -> list[BusStatus]:
        """How each bus is."""
        return [replace(bus.status, at=self._utc(), counters=bus.counters()) for bus in self._buses.values()]

    async def alerts(self) -> list[Alert]:
        """What is wrong now."""
        return self._alerts.standing()

    async def locks(self) -> list[Lock]:
        """The service locks that stand."""
        return list(self._locks.standing())

    def subscribe(
        self, kinds: frozenset[str] | None = None, buses: frozenset[str] | None = None
    ) -> AsyncIterator[Record]:
        """Records as they happen."""
        return self._fanout.subscribe(kinds, buses)

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:
        """Commands and what became of them, newest first."""
        return await self._journal.query(query)

    def alert(self, kind: str, target: str, text: str | None, look_at: str = "") -> None:
        """Raise, change or clear (``text`` None) an alert: for what works on a controller, such as MQTT."""
        self._alerts.set(kind, target, text, look_at)

    # Locks and states by hand

    async def lock(self, target: str, who: str, why: str) -> Lock:
        """Set a service lock on a unit, a group or a bus.

        When this returns nothing that energises the target is under way any more: what was is taken back.

        Raises:
            NotKnown: there is no such target.
            InputError: nobody, or no reason, is named.
            JournalError: it can't be kept; it does not stand then.
        """
        self._gate.units_of(target)
        lock = await self._locks.set(target, who, why)

        def energises_it(cleared: Cleared) -> bool:
            return (cleared.energises or cleared.toggles) and self._gate.reaches(cleared, target)

        text = f"taken back: {lock.target} is under a service lock of {lock.who}: {lock.why}"
        taken = TakenBack(text, Reason.LOCKED, f"ask {lock.who}")
        ended = self._commands.take_back(energises_it, taken)
        await asyncio.gather(*map(asyncio.shield, ended), return_exceptions=True)
        return lock

    async def unlock(self, lock_id: str) -> bool:
        """Clear one lock, named by its id or the beginning of it; whether there was one.

        Raises:
            InputError: the beginning fits several locks.
            JournalError: that can't be kept; it still stands then.
        """
        return await self._locks.clear(lock_id)

    async def presume(self, unit: str, state: str, value: Value, origin: Origin) -> StateValue:
        """Set a state right by hand: it is then ``presumed``.

        Raises:
            NotKnown: there is no such unit or state.
            BadValue: the state can't have that value.
        """
        found = self._states.get(unit, state)
        if found is None:
            raise NotKnown(f"there is no state {state!r} of a unit {unit!r}", todo="see `linewarden status`")
        spec = self._loaded.profiles[self._loaded.site.units[unit].bus].profile.states[state]
        problem = spec.problem(value)
        if problem:
            raise BadValue(f"{state} {problem}, not {value!r}", where=unit)
        entry = await enter_by_hand(
            self._journal, unit, state, value, origin, utc=self._utc, failed=self._watch.failed
        )
        for change in self._states.put(unit, {state: value}, Known.PRESUMED, self._utc(), entry.id):
            self._fanout.publish(change)
            found = change.value
        return found

    # Profiles

    async def profile(self, name: str) -> ProfileText:
        """A profile's file, by a shipped or own profile's name, or as a bus of the site names it."""
        return await asyncio.to_thread(profile_text, name, self._loaded)

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:
        """Save a profile; running buses that use it take it between two commands, and nothing is sent.

        Raises:
            FileFaults: it has faults, or the site would have some with it; nothing is saved.
            RevisionMoved: it was saved by somebody else since it was read; nothing is saved.
        """
        async with self._saving:
            saved = await asyncio.to_thread(save, name, text, revision, self._loaded)
            taking = (self._take_profile(bus, saved.compiled) for bus in saved.buses)
            await asyncio.gather(*taking)
        return saved.text

    async def _take_profile(self, bus: str, compiled: CompiledProfile) -> None:
        def adopted() -> None:
            self._loaded.profiles[bus] = compiled
            self._gate.set_profile(bus, compiled)
            units = [unit for unit, spec in self._loaded.site.units.items() if spec.bus == bus]
            for change in self._states.take_specs(units, compiled.profile.states, self._utc()):
                self._fanout.publish(change)
            self._fanout.publish(Event(bus, None, "profile-saved", self._utc()))

        await self._buses[bus].take_profile(compiled, adopted)
