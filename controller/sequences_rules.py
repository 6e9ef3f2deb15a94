"""Rules about a site's sequences: what a step can be, and power amplifiers last on and first off."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from controller.sequences_model import Conditions, SequenceSpec, StepSpec
from controller.sequences_plan import Direction, Do, Planner
from profiles.errors import BadValue
from profiles.model import Effect
from profiles.wording import near

if TYPE_CHECKING:
    from controller.site_rules import Key, LookedSite

__all__ = ["LOUD", "look_at_sequences", "loud_order"]

LOUD = ("source", "preamplifier", "display", "relay", "other")
"""Roles of what a power amplifier may make heard when it is switched. Motors and lighting carry no sound."""


def look_at_sequences(looked: LookedSite) -> None:
    """Go through the rules for each sequence."""
    for name, spec in looked.site.sequences.items():
        path: Key = ("sequences", name)
        before = _errors(looked)
        _steps(looked, (*path, "up"), spec.up)
        if spec.down is not None:
            _steps(looked, (*path, "down"), spec.down)
        # What is left needs whole steps, and every unit's profile.
        known = all(unit.bus in looked.profiles for unit in looked.site.units.values())
        if known and _errors(looked) == before and not looked.broken:
            _way_back(looked, path, spec)
            _order(looked, path, name, spec)


def _errors(looked: LookedSite) -> int:
    return sum(not fault.warning for fault in looked.faults)


def _steps(looked: LookedSite, path: Key, steps: Sequence[StepSpec]) -> None:
    for place, step in enumerate(steps):
        _step(looked, (*path, place), step)


def _step(looked: LookedSite, path: Key, step: StepSpec) -> None:
    given = step.model_fields_set
    kinds = [key for key in ("action", "wait_s", "until") if key in given]
    if len(kinds) != 1:
        told = f"has {' and '.join(kinds)}: it can be one of them" if kinds else "says nothing to do"
        looked.fault(path, told, "write an `action`, a `wait_s` or an `until`")
        return
    takes = {
        "action": {"unit", "group", "action", "parameters", "only_if", "stagger_s"},
        "wait_s": {"wait_s"},
        "until": {"until", "within_s"},
    }[kinds[0]]
    for key in sorted(given - takes):
        looked.fault(
            (*path, key), f"does not go with `{kinds[0]}`", "leave it out, or make it a step of its own"
        )
    if kinds[0] == "action":
        _action(looked, path, step)
    _conditions(looked, (*path, "only_if"), step.only_if)
    _conditions(looked, (*path, "until"), step.until)


def _action(looked: LookedSite, path: Key, step: StepSpec) -> None:
    site = looked.site
    if (step.unit is None) == (step.group is None):
        looked.fault(path, "tells nobody, or two", "write either `unit` or `group`")
        return
    if step.stagger_s is not None and step.group is None:
        looked.fault((*path, "stagger_s"), "is for a group", "leave it out")
    members = Planner(site.units, looked.profiles).members(step)
    if step.unit is not None and step.unit not in site.units:
        if ("units", step.unit) not in looked.broken:
            looked.fault(
                (*path, "unit"), f"no unit is called {step.unit!r}", near(step.unit, list(site.units))
            )
        return
    if not members:
        groups = [unit.group for unit in site.units.values() if unit.group]
        looked.fault((*path, "group"), f"no unit is in {step.group!r}", near(step.group or "", groups))
    for unit in members:
        profile = looked.profiles.get(site.units[unit].bus)
        if profile is None:
            continue
        action = profile.actions.get(step.action or "")
        if action is None:
            looked.fault(
                (*path, "action"),
                f"{unit} has no action {step.action!r}",
                near(step.action or "", list(profile.actions)),
            )
            continue
        try:
            action.parameters(step.parameters)
        except BadValue as error:
            looked.fault((*path, "parameters"), error.what, error.todo)
        if site.buses[site.units[unit].bus].topology == "tap":
            looked.fault(path, f"{unit} is on a tap: nothing is ever written to it", "leave it out")


def _conditions(looked: LookedSite, path: Key, wanted: Conditions) -> None:
    for unit, states in wanted.items():
        spec = looked.site.units.get(unit)
        if spec is None:
            if ("units", unit) not in looked.broken:
                units = list(looked.site.units)
                looked.fault((*path, unit), f"no unit is called {unit!r}", near(unit, units))
            continue
        profile = looked.profiles.get(spec.bus)
        for state, value in states.items() if profile is not None else ():
            known = profile.profile.states if profile is not None else {}
            if state not in known:
                looked.fault((*path, unit, state), f"{unit} has no state {state!r}", near(state, list(known)))
            elif problem := known[state].problem(value):
                looked.fault((*path, unit, state), f"{problem}, not {value!r}")


def _way_back(looked: LookedSite, path: Key, spec: SequenceSpec) -> None:
    """Whether what energises can be taken back, where that is left to be found out."""
    if spec.down is not None and spec.on_failure != "undo":
        return
    planner = Planner(looked.site.units, looked.profiles)
    for step in planner.steps(spec.up):
        if not isinstance(step, Do) or not step.energises or step.undone_by is not None:
            continue
        where = (*path, "up", step.place)
        if spec.down is None:
            what = f"nothing that {step.unit} can be told takes {step.action} back: there is no way down"
            looked.fault(where, what, "write the way down as `down`")
        else:
            what = f"nothing that {step.unit} can be told takes {step.action} back: it can't be undone"
            looked.fault(where, what, 'use on_failure = "stop" or "go-on"')
        return


def _order(looked: LookedSite, path: Key, name: str, spec: SequenceSpec) -> None:
    planner = Planner(looked.site.units, looked.profiles)
    for direction in Direction:
        if direction is Direction.DOWN and spec.down is None:
            continue  # in reverse, it is as right as the way up
        for step, text in loud_order(planner, name, spec, direction):
            todo = "switch power amplifiers on last, and off first"
            looked.warn((*path, direction.value, step.place), text, todo)


def loud_order(planner: Planner, name: str, spec: SequenceSpec, direction: Direction) -> list[tuple[Do, str]]:
    """What is switched while a power amplifier is on (common practice, no source: last on, first off).

    Returns:
        Each step that is out of order, and why, in words.
    """
    steps = planner.plan(name, spec, direction).done
    amplifiers = [
        (index, step)
        for index, step in enumerate(steps)
        if planner.units[step.unit].role == "power-amplifier"
        and (step.energises if direction is Direction.UP else step.effect is Effect.DE_ENERGISE)
    ]
    found = []
    for index, step in enumerate(steps):
        role = planner.units[step.unit].role
        if role not in LOUD:
            continue
        if direction is Direction.UP and step.energises:
            sooner = [amp for place, amp in amplifiers if place < index]
            if sooner:
                found.append(
                    (step, f"{step.unit} ({role}) comes on after {sooner[0].unit}, a power amplifier")
                )
        elif direction is Direction.DOWN and step.effect is Effect.DE_ENERGISE:
            later = [amp for place, amp in amplifiers if place > index]
            if later:
                found.append(
                    (step, f"{step.unit} ({role}) goes off before {later[0].unit}, a power amplifier")
                )
    return found
