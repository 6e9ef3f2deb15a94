"""From a sequence in the site's file to the steps that are carried out, unit by unit. Pure."""

from __future__ import annotations

import enum
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from controller.clearance import MAY_ENERGISE
from controller.sequences_model import SequenceSpec, StepSpec
from controller.site_model import UnitSpec
from profiles.compiled import CompiledProfile
from profiles.model import Effect, Value, written

__all__ = ["Direction", "Do", "Pause", "Plan", "Planner", "Step", "Until", "opposite"]

STAGGER = 0.5
"""Seconds between two units of a group that are energised, where the site does not say (common practice, no
source: a toroidal transformer's inrush is over in some tenths of a second)."""


class Direction(enum.StrEnum):
    """Which way a sequence goes."""

    UP = "up"
    DOWN = "down"


Wanted = Mapping[str, Mapping[str, Value]]
"""Unit -> state -> value."""


@dataclass(frozen=True, slots=True)
class Do:
    """A unit is told an action."""

    unit: str
    action: str
    parameters: Mapping[str, Value] = field(default_factory=dict)
    only_if: Wanted = field(default_factory=dict)
    effect: Effect = Effect.UNKNOWN
    undone_by: str | None = None
    """The action that takes it back; None where there is none."""
    place: int = 0
    """Which step of the site's file it comes from, counted from 0."""

    @property
    def energises(self) -> bool:
        """Whether it may energise: ``unknown`` counts as if it did."""
        return self.effect in MAY_ENERGISE

    @property
    def words(self) -> str:
        """What it does, for a person."""
        values = "".join(f" {name}={written(value)}" for name, value in self.parameters.items())
        condition = f", only if {condition_words(self.only_if)}" if self.only_if else ""
        return f"{self.unit} {self.action}{values}{condition}"


@dataclass(frozen=True, slots=True)
class Pause:
    """Time passes."""

    seconds: float
    place: int = 0

    @property
    def words(self) -> str:
        """What it does, for a person."""
        return f"wait {self.seconds:g} s"


@dataclass(frozen=True, slots=True)
class Until:
    """It goes on when states are so."""

    wanted: Wanted
    within: float
    """Seconds after which it has failed."""
    place: int = 0

    @property
    def words(self) -> str:
        """What it does, for a person."""
        return f"wait until {condition_words(self.wanted)}, {self.within:g} s at most"


Step = Do | Pause | Until


@dataclass(frozen=True, slots=True)
class Plan:
    """What is carried out when a sequence goes one way."""

    sequence: str
    direction: Direction
    steps: tuple[Step, ...]
    on_failure: str = "stop"
    """``stop``, ``go-on`` or ``undo``."""

    @property
    def done(self) -> tuple[Do, ...]:
        """Its actions."""
        return tuple(step for step in self.steps if isinstance(step, Do))

    @property
    def units(self) -> frozenset[str]:
        """The units that are told something."""
        return frozenset(step.unit for step in self.done)


@dataclass(frozen=True, slots=True)
class Planner:
    """Makes the plans of a site.

    Args:
        units: its units.
        profiles: each bus's profile.
    """

    units: Mapping[str, UnitSpec]
    profiles: Mapping[str, CompiledProfile]

    def plan(self, name: str, spec: SequenceSpec, direction: Direction) -> Plan:
        """The plan of a sequence that has no faults, for one direction."""
        if direction is Direction.UP:
            return Plan(name, direction, tuple(self.steps(spec.up)), spec.on_failure)
        if spec.down is not None:
            return Plan(name, direction, tuple(self.steps(spec.down)), spec.down_on_failure)
        return Plan(name, direction, self.reverse(tuple(self.steps(spec.up))), spec.down_on_failure)

    def steps(self, specs: Sequence[StepSpec]) -> Iterator[Step]:
        """Steps as they are carried out: a group's, one for each of its units."""
        for place, spec in enumerate(specs):
            if spec.wait_s is not None:
                yield Pause(spec.wait_s, place)
            elif spec.until:
                yield Until(spec.until, spec.within_s, place)
            elif spec.action is not None:
                yield from self._action(spec, spec.action, place)

    def _action(self, spec: StepSpec, action: str, place: int) -> Iterator[Step]:
        told = [self._do(unit, action, spec, place) for unit in self.members(spec)]
        taking_away = any(each.effect is Effect.DE_ENERGISE for each in told)
        # The order of the site's file, but power amplifiers at the end where it may be loud.
        told.sort(key=lambda each: (self.units[each.unit].role == "power-amplifier") != taking_away)
        stagger = spec.stagger_s
        if stagger is None:
            stagger = STAGGER if any(each.energises for each in told) else 0.0
        for number, each in enumerate(told):
            if number and stagger > 0:
                yield Pause(stagger, place)
            yield each

    def members(self, spec: StepSpec) -> list[str]:
        """The units that a step tells something."""
        if spec.unit is not None:
            return [spec.unit]
        return [name for name, unit in self.units.items() if unit.group == spec.group]

    def _do(self, unit: str, action: str, spec: StepSpec, place: int) -> Do:
        profile = self.profiles[self.units[unit].bus]
        effect = profile.actions[action].spec.effect
        undone_by = opposite(profile, action)
        return Do(unit, action, spec.parameters, spec.only_if, effect, undone_by, place)

    def reverse(self, steps: Sequence[Step]) -> tuple[Step, ...]:
        """The way back: last step first, each action replaced by the one that undoes it.

        What has none, and energises nothing, is left out; so are waits until something is so, and conditions,
        for they are about the way up.
        """
        back: list[Step] = []
        for step in reversed(steps):
            if isinstance(step, Pause):
                back.append(step)
            elif isinstance(step, Do) and step.undone_by is not None:
                back.append(self.undoing(step))
        while back and isinstance(back[-1], Pause):
            back.pop()
        while back and isinstance(back[0], Pause):
            back.pop(0)
        return tuple(back)

    def undoing(self, step: Do) -> Do:
        """The step that takes one back."""
        profile = self.profiles[self.units[step.unit].bus]
        action = step.undone_by or ""
        effect = profile.actions[action].spec.effect
        return replace(
            step, action=action, parameters={}, only_if={}, effect=effect, undone_by=opposite(profile, action)
        )


def opposite(profile: CompiledProfile, action: str) -> str | None:
    """The action that takes another one back, as the profile's states tell it; None where there is none.

    It sets the same states, all of them true or false, the other way round. What energises is taken back by
    what de-energises, what is neutral by what is neutral; nothing is ever taken back by energising.
    """
    spec = profile.actions[action].spec
    if not spec.sets or not all(isinstance(value, bool) for value in spec.sets.values()):
        return None
    if spec.effect is Effect.DE_ENERGISE:
        return None
    wanted = Effect.NEUTRAL if spec.effect is Effect.NEUTRAL else Effect.DE_ENERGISE
    found = [
        other
        for other in profile.actions.values()
        if other.spec.effect is wanted
        and all(parameter.default is not None for parameter in other.spec.parameters.values())
        and all(other.spec.sets.get(state) is (not value) for state, value in spec.sets.items())
    ]
    return min(found, key=lambda other: len(other.spec.sets)).name if found else None


def condition_words(wanted: Wanted) -> str:
    """States that have to be so, for a person."""
    return " and ".join(
        f"{unit}'s {state} is {written(value)}"
        for unit, states in wanted.items()
        for state, value in states.items()
    )
