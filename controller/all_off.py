"""How a unit, or everything, is de-energised. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from controller.guard import Cleared, Gate
from controller.records import Command, Origin
from controller.site import LoadedSite, UnitSpec
from profiles.compiled import CompiledProfile
from profiles.model import Effect

__all__ = ["off_actions", "off_commands", "off_order", "would_energise"]


def off_order(units: Iterable[str], specs: Mapping[str, UnitSpec]) -> list[str]:
    """The units in the order in which they go off: power amplifiers first.

    Common practice, no source: so that no thump of a source reaches a loudspeaker.
    """
    return sorted(units, key=lambda unit: specs[unit].role != "power-amplifier")


def off_actions(profile: CompiledProfile) -> list[str]:
    """The actions that together take all energy away that this profile can take away, as few as possible.

    Only those that need no parameters. One that sets several states off stands for those that set fewer of
    the same; one that sets no state may be about anything, and is always among them.
    """
    wanted = [
        action
        for action in profile.actions.values()
        if action.spec.effect is Effect.DE_ENERGISE
        and all(parameter.default is not None for parameter in action.spec.parameters.values())
    ]
    wanted.sort(key=lambda action: -len(action.spec.sets))
    names: list[str] = []
    covered: set[str] = set()
    for action in wanted:
        if not action.spec.sets or not covered.issuperset(action.spec.sets):
            names.append(action.name)
            covered |= action.spec.sets.keys()
    return names


def off_commands(units: Iterable[str], loaded: LoadedSite, origin: Origin, utc: float) -> list[Command]:
    """The commands that de-energise these units, in their order."""
    specs = loaded.site.units
    return [
        Command(unit, action, origin=origin, at=utc)
        for unit in off_order(units, specs)
        for action in off_actions(loaded.profiles[specs[unit].bus])
    ]


def would_energise(gate: Gate, scope: str | None, units: Iterable[str]) -> Callable[[Cleared], bool]:
    """What tells of a command whether it may energise any of what is to be off.

    Args:
        gate: knows which units a name reaches.
        scope: a unit, a group or a bus; None for everything.
        units: the units of the scope.
    """
    off = frozenset(units)

    def it_would(cleared: Cleared) -> bool:
        if not (cleared.energises or (cleared.toggles and not cleared.de_energises)):
            return False
        return scope is None or gate.reaches(cleared, scope) or not off.isdisjoint(cleared.units)

    return it_would
