"""What is to be done in a qualification: which actions, how often, with which times between them. Pure."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from controller.api import ActionView, SiteView, UnitView
from profiles.errors import BadValue, NotKnown
from profiles.model import Effect, Value

__all__ = ["MOST_CYCLES", "Asked", "QualifyPlan", "plan_for"]

MOST_CYCLES = 10_000
_LONGEST = 86_400.0
_ON_FOR, _OFF_FOR = 2.0, 5.0
"""Seconds. Relays, thermistors and capacitors want some seconds off before they are switched on again: common
practice, no source."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asks for; None leaves it to the unit's profile and site."""

    unit: str
    on: str | None = None
    on_parameters: Mapping[str, Value] = field(default_factory=dict)
    off: str | None = None
    off_parameters: Mapping[str, Value] = field(default_factory=dict)
    cycles: int = 20
    on_for: float | None = None
    """Seconds on in each cycle."""
    off_for: float | None = None
    """Seconds off in each cycle."""
    ready: str | None = None
    """The event that says that the unit is up; without it the state that the on action sets."""
    tap: str | None = None
    """A bus that listens to the unit's line."""


@dataclass(frozen=True, slots=True)
class QualifyPlan:
    """What is done."""

    unit: str
    bus: str
    title: str
    on: str
    off: str
    cycles: int
    on_for: float
    """Seconds from the end of an on action to the off action, hold-off and minimum time on included."""
    off_for: float
    """Seconds from the end of an off action to the on action, hold-off and minimum time off included."""
    on_parameters: Mapping[str, Value] = field(default_factory=dict)
    off_parameters: Mapping[str, Value] = field(default_factory=dict)
    state: str | None = None
    """The state that the on action sets: it says how the unit was found, and when it is up."""
    state_on: Value = True
    state_off: Value = False
    ready: str | None = None
    tap: str | None = None
    why_times: tuple[str, ...] = ()
    """What made the times longer than was asked, in words."""
    also: tuple[str, ...] = ()
    """Other units that hear the same bytes as their own, and are switched with it."""

    @property
    def all_switched(self) -> str:
        """The unit by its title, and with it whatever else is switched."""
        return f"{self.title} (and {', '.join(self.also)}, which hear the same)" if self.also else self.title

    @property
    def seconds(self) -> float:
        """How long the waits of all cycles take together."""
        return self.cycles * (self.on_for + self.off_for)


def plan_for(site: SiteView, asked: Asked) -> QualifyPlan:
    """Fit what is asked to what the site and the unit's profile say.

    Raises:
        NotKnown: there is no such unit, action or bus.
        BadValue: a number can't be, the actions don't switch a unit on and off, or a bus can't be the tap.
    """
    unit = next((each for each in site.units if each.id == asked.unit), None)
    if unit is None:
        near = difflib.get_close_matches(asked.unit, [each.id for each in site.units], n=1)
        todo = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(u.id for u in site.units)}"
        raise NotKnown(f"no unit is called {asked.unit!r}", todo=todo)
    _check(asked)
    bus = next(each for each in site.buses if each.id == unit.bus)
    if bus.topology == "tap":
        raise BadValue(f"bus {bus.id} is a tap: nothing is ever written to it", where=unit.id)
    _check_tap(site, unit, asked.tap)
    on = _action(unit, asked.on, (Effect.ENERGISE, Effect.UNKNOWN), "on")
    off = _action(unit, asked.off, (Effect.DE_ENERGISE,), "off")
    state = next((name for name, value in on.sets.items() if off.sets.get(name, value) != value), None)
    on_for, on_why = _longest(
        asked.on_for if asked.on_for is not None else _ON_FOR,
        (on.hold_off_ms / 1000, f"{on.name} has a hold-off of {on.hold_off_ms:g} ms"),
        (unit.minimum_on_s, f"{unit.id} stays on for {unit.minimum_on_s:g} s at least"),
    )
    off_for, off_why = _longest(
        asked.off_for if asked.off_for is not None else _OFF_FOR,
        (off.hold_off_ms / 1000, f"{off.name} has a hold-off of {off.hold_off_ms:g} ms"),
        (unit.minimum_off_s, f"{unit.id} stays off for {unit.minimum_off_s:g} s at least"),
    )
    return QualifyPlan(
        unit.id,
        unit.bus,
        unit.title,
        on.name,
        off.name,
        asked.cycles,
        on_for,
        off_for,
        dict(asked.on_parameters),
        dict(asked.off_parameters),
        state,
        on.sets[state] if state else True,
        off.sets[state] if state else False,
        asked.ready,
        asked.tap,
        (*on_why, *off_why),
        _also(site, unit, on, off),
    )


def _also(site: SiteView, unit: UnitView, on: ActionView, off: ActionView) -> tuple[str, ...]:
    """The other units on the bus, where an action carries no address."""
    if on.addressed and off.addressed:
        return ()
    return tuple(each.id for each in site.units if each.bus == unit.bus and each.id != unit.id)


def _check(asked: Asked) -> None:
    if not 1 <= asked.cycles <= MOST_CYCLES:
        raise BadValue(f"{asked.cycles} cycles can't be", todo=f"give 1 to {MOST_CYCLES}")
    for name, seconds in (("on", asked.on_for), ("off", asked.off_for)):
        if seconds is not None and not (math.isfinite(seconds) and 0 <= seconds <= _LONGEST):
            raise BadValue(f"{seconds:g} s {name} can't be", todo=f"give 0 to {_LONGEST:g} seconds")


def _check_tap(site: SiteView, unit: UnitView, tap: str | None) -> None:
    if tap is None:
        return
    if tap not in {bus.id for bus in site.buses}:
        known = ", ".join(bus.id for bus in site.buses)
        raise NotKnown(f"no bus is called {tap!r}", todo=f"known are {known}")
    if tap == unit.bus:
        raise BadValue(
            f"{tap} is the bus that {unit.id} is driven on",
            todo='name a second adapter that listens to the same line: a bus of topology "tap"',
        )


def _action(unit: UnitView, name: str | None, effects: tuple[Effect, ...], word: str) -> ActionView:
    """The action that switches on or off: the named one, or the first that a state names and that fits."""
    fitting = [each for each in unit.actions if each.effect in effects]
    if name is not None:
        found = next((each for each in unit.actions if each.name == name), None)
        if found is None:
            near = difflib.get_close_matches(name, [each.name for each in unit.actions], n=1)
            todo = (
                f"did you mean {near[0]!r}?" if near else f"it has {', '.join(a.name for a in unit.actions)}"
            )
            raise NotKnown(f"{unit.id} has no action {name!r}", todo=todo)
        if found not in fitting:
            raise BadValue(
                f"{name} can't be the {word} action: its effect is {found.effect}",
                where=unit.id,
                todo=f"name one whose effect is {' or '.join(effects)}",
            )
        return found
    alone = [
        each
        for each in fitting
        if each.effect is not Effect.UNKNOWN.value
        and all(spec.get("default") is not None for spec in each.parameters.values())
    ]
    if not alone:
        raise BadValue(
            f"{unit.id} has no action of effect {effects[0]} that needs no parameters",
            todo=f"name one with --{word} ACTION name=value",
        )
    # One that sets a state tells more: how the unit was found, and when it is up.
    return next((each for each in alone if each.sets), alone[0])


def _longest(asked: float, *others: tuple[float, str]) -> tuple[float, tuple[str, ...]]:
    longest = max([asked, *(seconds for seconds, _ in others)])
    return longest, tuple(why for seconds, why in others if seconds > asked and seconds == longest)
