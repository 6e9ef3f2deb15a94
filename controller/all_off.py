"""How a unit, or everything, is de-energised. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from controller.site import UnitSpec
from profiles.compiled import CompiledProfile
from profiles.model import Effect

__all__ = ["off_actions", "off_order"]


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
