"""A running site takes its file anew: what has changed starts anew, all else goes on as if nothing had been.

The new file has been read and checked before: a faulty one changes nothing. A bus starts anew where its line
or its units' addresses are others; another profile is taken between two commands; rates, rights, titles and
times of units are taken over in the running buses. Nothing is sent.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable, Mapping
from dataclasses import dataclass

from controller.alerts import AlertBook
from controller.bus import Bus
from controller.command_queue import TakenBack
from controller.from_site import bus_rules, end_own_lines, unit_rules
from controller.guard import Cleared, Gate
from controller.records import Event, Outcome, Record
from controller.sensing import sensed_lines
from controller.site import BusSpec, LoadedSite
from controller.states import StateBook
from controller.submitting import Submitting
from controller.triggers_words import heard_actions, watched_lines
from controller.upkeep import Upkeep
from profiles.compiled import CompiledProfile
from profiles.errors import InputError

__all__ = ["Differences", "Running", "check_same_site", "differences", "reload_site"]

log = logging.getLogger(__name__)

_TAKEN_OVER = {"rate_per_s": None, "allow_raw": False, "probe_every_s": None}
"""Keys of a bus that change nothing on its line, each with the same value for a comparison."""
_BACK = TakenBack("taken back: the site file has changed", look_at="the site file; then ask for it again")


@dataclass(frozen=True, slots=True)
class Differences:
    """What two versions of a site differ in, bus by bus."""

    gone: tuple[str, ...] = ()
    new: tuple[str, ...] = ()
    anew: tuple[str, ...] = ()
    """Those that have to start anew."""
    profiles: tuple[str, ...] = ()
    """Those that go on with another profile."""
    taken_over: tuple[str, ...] = ()
    """Those of which only rights, rates, titles or times are others."""
    elsewhere: bool = False
    """Whether anything else is another."""

    def __bool__(self) -> bool:
        return bool(self.gone or self.new or self.anew or self.profiles or self.taken_over or self.elsewhere)

    def __str__(self) -> str:
        parts = (
            ("closed", self.gone),
            ("opened", self.new),
            ("started anew", self.anew),
            ("with another profile", self.profiles),
            ("with other settings", self.taken_over),
        )
        told = [f"{word}: {', '.join(names)}" for word, names in parts if names]
        if self.elsewhere:
            told.append("other settings of the site")
        return "; ".join(told) or "nothing has changed"


def differences(old: LoadedSite, new: LoadedSite) -> Differences:
    """Compare two versions of a site."""
    both = [name for name in old.site.buses if name in new.site.buses]
    anew, profiles, taken_over = [], [], []
    for name in both:
        if _line_of(old, name) != _line_of(new, name):
            anew.append(name)
            continue
        if old.profiles[name].profile != new.profiles[name].profile:
            profiles.append(name)
        if old.site.buses[name] != new.site.buses[name] or _units_of(old, name) != _units_of(new, name):
            taken_over.append(name)
    rest = {"buses", "units"}
    return Differences(
        tuple(name for name in old.site.buses if name not in new.site.buses),
        tuple(name for name in new.site.buses if name not in old.site.buses),
        tuple(anew),
        tuple(profiles),
        tuple(taken_over),
        old.site.model_dump(exclude=rest) != new.site.model_dump(exclude=rest),
    )


def _line_of(loaded: LoadedSite, name: str) -> tuple[BusSpec, dict[str, int | None], frozenset[str]]:
    """What of a bus its link and its listeners are made of."""
    units = {unit: spec.address for unit, spec in loaded.site.units.items() if spec.bus == name}
    lines = watched_lines(loaded.site, name) | sensed_lines(loaded.site, name)
    wanted = lines | heard_actions(loaded.site, name)
    return loaded.site.buses[name].model_copy(update=_TAKEN_OVER), units, wanted


def _units_of(loaded: LoadedSite, name: str) -> dict[str, object]:
    return {unit: spec for unit, spec in loaded.site.units.items() if spec.bus == name}


@dataclass(frozen=True, slots=True)
class Running:
    """The parts of a running controller that a new site file touches."""

    loaded: LoadedSite
    """Changed in place: all who have it see the new one."""
    gate: Gate
    states: StateBook
    buses: dict[str, Bus]
    alerts: AlertBook
    upkeep: Upkeep
    commands: Submitting
    publish: Callable[[Record], None]
    utc: Callable[[], float]
    make: Callable[[str], Bus]
    """A bus of the site as it is now, not started."""
    take_profile: Callable[[str, CompiledProfile], Awaitable[None]]
    """Has a running bus go on with another profile."""


def check_same_site(old: LoadedSite, new: LoadedSite) -> None:
    """See that it is the same site, whatever else has changed.

    Raises:
        InputError: it is another one.
    """
    if new.site.site.id != old.site.site.id:
        raise InputError(
            f"the site is called {new.site.site.id!r} now, and the one that runs is {old.site.site.id!r}",
            where=str(new.path),
            todo="restart the controller: a site's journal goes by its id",
        )


async def reload_site(running: Running, new: LoadedSite) -> Differences:
    """Go on with a new version of the site; what has not changed is not touched.

    Raises:
        InputError: it is another site.
    """
    old = running.loaded
    check_same_site(old, new)
    found = differences(old, new)
    if not found:
        return found
    ending = frozenset((*found.gone, *found.anew))
    units_gone = old.site.units.keys() - new.site.units.keys()
    ending_units = [unit for unit, spec in old.site.units.items() if spec.bus in ending]
    before = LoadedSite(old.path, old.site, dict(old.profiles), old.warnings)
    profiles = {name: compiled for name, compiled in old.profiles.items() if name not in ending}
    # New rules first: from here on nothing is let in that the new file would not let in.
    running.loaded.site, running.loaded.warnings = new.site, new.warnings
    _take_rules(running, {**old.profiles, **{name: new.profiles[name] for name in found.anew}})
    await _end_commands(
        running, lambda cleared: cleared.bus in ending or not units_gone.isdisjoint(cleared.units)
    )
    for name in ending:
        await running.upkeep.end(name)
        await running.buses[name].stop(_BACK)
        running.alerts.forget(name)
    if ending:
        await asyncio.to_thread(end_own_lines, before, ending)
    for name in found.gone:
        del running.buses[name]
    # A profile that says the same stays the same object: nothing that waits has to be judged anew.
    running.loaded.profiles.clear()
    running.loaded.profiles.update({name: profiles.get(name, new.profiles[name]) for name in new.site.buses})
    _take_states(running, [*units_gone, *ending_units])
    for name in (*found.anew, *found.new):
        running.buses[name] = running.make(name)
        await running.buses[name].start()
        running.upkeep.begin(name)
    _take_rules(running, running.loaded.profiles)
    for name in found.profiles:
        await running.take_profile(name, new.profiles[name])
    for name in found.taken_over:
        await running.upkeep.end(name)
        running.upkeep.begin(name)
    running.publish(Event("site", None, "site-reloaded", running.utc()))
    return found


def _take_rules(running: Running, profiles: Mapping[str, CompiledProfile]) -> None:
    """Judge by the site's new rules, as far as there are buses already that can carry anything out."""
    site = running.loaded.site
    running.gate.take_rules(
        [bus_rules(name, bus, profiles[name]) for name, bus in site.buses.items() if name in running.buses],
        [unit_rules(name, unit) for name, unit in site.units.items() if unit.bus in running.buses],
    )


async def _end_commands(running: Running, which: Callable[[Cleared], bool]) -> None:
    ended: list[asyncio.Future[Outcome]] = running.commands.take_back(which, _BACK)
    await asyncio.gather(*map(asyncio.shield, ended), return_exceptions=True)


def _take_states(running: Running, doubted: Iterable[str]) -> None:
    """States of units that are gone go; of those whose line starts anew nothing is known."""
    now, loaded = running.utc(), running.loaded
    changes = running.states.doubt_all(doubted, now)
    for unit in doubted:
        if unit not in loaded.site.units:
            running.states.forget(unit)
            running.alerts.forget(unit)
    for name, profile in loaded.profiles.items():
        units = [unit for unit, spec in loaded.site.units.items() if spec.bus == name]
        changes += running.states.take_specs(units, profile.profile.states, now)
    for change in changes:
        running.publish(change)
