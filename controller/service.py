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
from controller.api import JournalEntry, JournalQuery, ProbeReport, ProfileText, SiteView
from controller.bus import Bus
from controller.fanout import Fanout
from controller.from_site import bus_rules, bus_setup, unit_rules
from controller.guard import Cleared, Gate, Refusal
from controller.journal import Journal
from controller.probing import probe_bus
from controller.records import (
    Accepted,
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
    Result,
    StateChange,
    StateValue,
    new_id,
)
from controller.site import LoadedSite
from controller.states import StateBook
from controller.surroundings import Surroundings
from controller.views import site_view
from controller.waiting import Clock, monotonic
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, InputError, JournalError, NotKnown
from profiles.exchange import save_profile
from profiles.library import Source, find
from profiles.model import Effect, Value
from profiles.storage import revision as revision_of

__all__ = ["Controller"]

log = logging.getLogger(__name__)


class Controller:
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
        self._fanout = Fanout()
        self._alerts = AlertBook(self._publish, utc)
        self._locks: dict[str, Lock] = {}
        self._states = StateBook({})
        self._under_way: dict[str, asyncio.Task[Outcome]] = {}
        self._asked: dict[str, Command] = {}
        """The commands that are under way."""
        self._closing = False
        site = loaded.site
        self._gate = Gate(
            [bus_rules(name, bus, loaded.profiles[name]) for name, bus in site.buses.items()],
            [unit_rules(name, unit) for name, unit in site.units.items()],
        )
        self._buses: dict[str, Bus] = {}

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

        Raises:
            JournalError: the journal can't be opened.
        """
        journal = await Journal.open(state_folder / "journal.sqlite", clock=utc, begin_anew=True)
        controller = cls(loaded, journal, utc=utc, clock=clock)
        try:
            await controller._begin()
        except BaseException:
            await controller.close()
            raise
        return controller

    async def _begin(self) -> None:
        site = self._loaded.site
        last = {
            (unit, name): value.last_known
            for unit, named in self._journal.states().items()
            for name, value in named.items()
            if value.last_known is not None
        }
        names = {unit: self._loaded.profiles[spec.bus].profile.states for unit, spec in site.units.items()}
        self._states = StateBook(names, last, self._utc())
        self._locks = {lock.id: lock for lock in self._journal.locks()}
        if self._journal.set_aside is not None:
            await self._begin_after_damage(self._journal.set_aside)
        self._fanout.listen(self._journal.note)
        surroundings = Surroundings(
            self._gate,
            self._states,
            self._journal,
            self._publish,
            lambda: tuple(self._locks.values()),
            self._utc,
            self._alerts.set,
        )
        for name, spec in site.buses.items():
            setup = bus_setup(name, spec, self._loaded, self._journal.learned(name))
            self._buses[name] = Bus(setup, self._loaded.profiles[name], surroundings, clock=self._clock)
        for bus in self._buses.values():
            await bus.start()

    async def _begin_after_damage(self, set_aside: Path) -> None:
        """The journal was damaged: say so; where its locks are lost, lock every bus until somebody looks."""
        self._alerts.set(
            "journal-damaged",
            "site",
            f"the journal was damaged; it is kept as {set_aside.name}, and a new one was begun",
            "the disk",
        )
        if self._journal.locks_rescued:
            return
        for bus in self._loaded.site.buses:
            why = "the journal was damaged, and service locks that stood may be lost"
            await self.lock(bus, "Linewarden", why)

    async def ready(self) -> None:
        """Wait until each port is open, or is known not to be."""
        await asyncio.gather(*(bus.first_word() for bus in self._buses.values()))

    async def close(self) -> None:
        """End every command with its outcome, let the ports go, close the journal."""
        self._closing = True
        await asyncio.gather(*(bus.stop() for bus in self._buses.values()))
        await asyncio.gather(*self._under_way.values(), return_exceptions=True)
        self._fanout.close()
        await self._journal.close()

    # Commands

    async def submit(self, command: Command) -> Outcome:
        """Carry out a command; returns when its outcome is journalled.

        The same id twice is one command: the second call gets the first one's outcome. The caller may go
        away; the command is carried out all the same.
        """
        task = self._under_way.get(command.id)
        if task is not None and _other(command, self._asked[command.id]):
            refusal = Refusal(
                Reason.NOT_ALLOWED, "another command of this id is under way", "use a fresh one"
            )
            return self._refused(command, refusal)
        if task is None:
            if command.at == 0.0:
                command = replace(command, at=self._utc())
            task = asyncio.create_task(self._submit(command), name=f"command {command.id[:8]}")
            self._under_way[command.id] = task
            self._asked[command.id] = command
            task.add_done_callback(lambda _: self._over(command.id))
        return await asyncio.shield(task)

    def _over(self, command_id: str) -> None:
        del self._under_way[command_id], self._asked[command_id]

    async def _submit(self, command: Command) -> Outcome:
        if self._closing:
            return self._refused(command, Refusal(Reason.CANCELLED, "the controller is ending", ""))
        judged = self._gate.admit(command, utc=self._utc(), locks=self._locks.values())
        try:
            earlier = await self._journal.intent(command)
        except JournalError as error:
            self._alerts.set("journal", "site", f"the journal can't be written: {error.what}", error.todo)
            if not (isinstance(judged, Cleared) and judged.de_energises):
                text = f"the journal can't be written, so nothing that may energise is sent: {error.what}"
                return self._refused(command, Refusal(Reason.JOURNAL, text, error.todo))
        else:
            self._alerts.set("journal", "site", None)
            if earlier is not None and _other(command, earlier.command):
                return self._refused(command, _OTHER)
            if earlier is not None:
                return earlier.outcome or self._refused(
                    command, Refusal(Reason.NOT_ALLOWED, "a command of this id is under way already")
                )
        self._publish(command)
        if isinstance(judged, Cleared):
            judged = self._gate.within_rate(judged, self._clock()) or judged
        if isinstance(judged, Refusal):
            outcome = self._refused(command, judged)
            await self._keep(outcome)
            self._publish(outcome)
            return outcome
        self._publish(Accepted(command.id, self._utc()))
        return await self._buses[judged.bus].execute(judged)

    def _refused(self, command: Command, refusal: Refusal) -> Outcome:
        return Outcome(command.id, Result.REFUSED, refusal.reason, refusal.text, refusal.todo, at=self._utc())

    async def _keep(self, outcome: Outcome) -> None:
        try:
            await self._journal.outcome(outcome)
        except JournalError as error:
            self._alerts.set("journal", "site", f"the journal can't be written: {error.what}", error.todo)

    async def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""
        return any(bus.cancel(command_id) for bus in self._buses.values())

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        """De-energise a unit, a group, a bus, or everything, now: past locks and queues.

        Power amplifiers go first (common practice, no source: so that no thump of a source reaches a
        loudspeaker). A unit without a de-energising action is left out.

        Raises:
            NotKnown: the scope names nothing.
        """
        units = list(self._loaded.site.units) if scope is None else list(self._gate.units_of(scope))
        site = self._loaded.site
        units.sort(key=lambda unit: site.units[unit].role != "power-amplifier")
        commands = []
        for unit in units:
            profile = self._loaded.profiles[site.units[unit].bus]
            action = _off_action(profile)
            if action is not None:
                commands.append(Command(unit, action, origin=origin, at=self._utc()))
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
        return [
            replace(bus.status, at=self._utc(), counters=bus.driver_counters())
            for bus in self._buses.values()
        ]

    async def alerts(self) -> list[Alert]:
        """What is wrong now."""
        return self._alerts.standing()

    async def locks(self) -> list[Lock]:
        """The service locks that stand."""
        return sorted(self._locks.values(), key=lambda lock: lock.at)

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

        Raises:
            NotKnown: there is no such target.
            InputError: nobody, or no reason, is named.
        """
        self._gate.units_of(target)
        if not who.strip() or not why.strip():
            raise InputError("a lock needs who sets it and why", where=target, todo="give both")
        lock = Lock(new_id(), target, who.strip(), why.strip(), self._utc())
        await self._journal.add_lock(lock)
        self._locks[lock.id] = lock
        self._publish(lock)
        return lock

    async def unlock(self, lock_id: str) -> bool:
        """Clear one lock, named by its id or the beginning of it; whether there was one.

        Raises:
            InputError: the beginning fits several locks.
        """
        found = [lock for lock in self._locks.values() if lock.id.startswith(lock_id)] if lock_id else []
        if len(found) > 1:
            raise InputError(f"{len(found)} locks begin with {lock_id!r}", todo="give more of the id")
        if not found:
            return False
        await self._journal.remove_lock(found[0].id)
        del self._locks[found[0].id]
        self._publish(replace(found[0], over=True))
        return True

    async def presume(self, unit: str, state: str, value: Value, origin: Origin) -> StateValue:
        """Set a state right by hand: it is then ``presumed``.

        Raises:
            NotKnown: there is no such unit or state.
            BadValue: the state can't have that value.
        """
        if self._states.get(unit, state) is None:
            raise NotKnown(f"there is no state {state!r} of a unit {unit!r}", todo="see `linewarden status`")
        spec = self._loaded.profiles[self._loaded.site.units[unit].bus].profile.states[state]
        problem = spec.problem(value)
        if problem:
            raise BadValue(f"{state} {problem}, not {value!r}", where=unit)
        log.info("%s of %s is set to %r by hand (%s %s)", state, unit, value, origin.kind, origin.name)
        for change in self._states.put(unit, {state: value}, Known.PRESUMED, self._utc()):
            self._publish(change)
        found = self._states.get(unit, state)
        if found is None:
            raise NotKnown(f"the state {state!r} is gone")
        return found

    # Profiles

    async def profile(self, name: str) -> ProfileText:
        """A profile's file, by a shipped or own profile's name, or as a bus of the site names it."""
        return await asyncio.to_thread(lambda: _profile_text(find(name, self._loaded.path)))

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:
        """Save a profile; running buses that use it take it, and nothing is sent.

        Raises:
            FileFaults: it has faults; nothing is saved.
            RevisionMoved: it was saved by somebody else since it was read; nothing is saved.
        """

        def save() -> tuple[Source, CompiledProfile]:
            source = find(name, self._loaded.path)
            compiled = load_profile(text, source.where)
            return save_profile(source, text, revision), compiled

        saved, compiled = await asyncio.to_thread(save)
        for bus, spec in self._loaded.site.buses.items():
            if find(spec.profile, self._loaded.path).where == saved.where:
                self._take_profile(bus, compiled)
        return await asyncio.to_thread(_profile_text, saved)

    def _take_profile(self, bus_name: str, compiled: CompiledProfile) -> None:
        self._loaded.profiles[bus_name] = compiled
        self._gate.set_profile(bus_name, compiled)
        units = [u for u, spec in self._loaded.site.units.items() if spec.bus == bus_name]
        self._states.rename(units, compiled.profile.states, self._utc())
        self._buses[bus_name].take_profile(compiled)
        self._publish(Event(bus_name, None, "profile-saved", self._utc()))

    # Diagnosis and simulation

    async def probe(self, bus: str) -> ProbeReport:
        """Find out who answers.

        Raises:
            NotKnown: there is no such bus, or its profile has no probe.
        """
        found = self._buses.get(bus)
        if found is None:
            raise NotKnown(f"no bus is called {bus!r}", todo=f"known are {', '.join(self._buses)}")
        return await probe_bus(found, self._loaded, self.submit)

    async def simulate(self, bus: str, order: str) -> str:
        """Give a simulated bus a fault or press a button; says what it did.

        Raises:
            InputError: the bus is not simulated, or the order is none.
        """
        if bus not in self._buses:
            raise NotKnown(f"no bus is called {bus!r}", todo=f"known are {', '.join(self._buses)}")
        port = self._buses[bus].setup.port.port
        if not port.startswith("sim://"):
            raise InputError("is no simulated bus", where=bus, todo="use a bus whose port begins with sim://")
        from controller.simulator.registry import attach

        return await asyncio.to_thread(lambda: attach(port).order(order))

    def _publish(self, record: Record) -> None:
        # While closing, links go down and states are doubted: that is no news of the gear.
        if not (self._closing and isinstance(record, StateChange)):
            self._fanout.publish(record)


_OTHER = Refusal(Reason.NOT_ALLOWED, "another command has this id", "use a fresh one")


def _other(one: Command, two: Command) -> bool:
    """Whether they ask for different things, whoever asks and when."""
    return (one.unit, one.action, one.parameters, one.raw) != (two.unit, two.action, two.parameters, two.raw)


def _profile_text(source: Source) -> ProfileText:
    text = source.text()
    return ProfileText(source.name, text, revision_of(text), source.where, source.writable)


def _off_action(profile: CompiledProfile) -> str | None:
    """The action that takes a unit's energy away: one that needs no parameters."""
    for name, action in profile.actions.items():
        needs = [p for p in action.spec.parameters.values() if p.default is None]
        if action.spec.effect is Effect.DE_ENERGISE and not needs:
            return name
    return None
