"""All circuits that were asked for together, with what they draw and what to be careful of."""

from __future__ import annotations

from dataclasses import dataclass

from profiles.model import LineSettings
from profiles.wiring.divider import DividerNeeds, divider_section
from profiles.wiring.figures import Section
from profiles.wiring.pull_up import LineNeeds, PullUpNeeds, pull_up_section
from profiles.wiring.trigger import TriggerNeeds, trigger_section

__all__ = ["CAUTIONS", "Wiring", "line_of", "wiring"]

CAUTIONS = (
    (
        "Isolation: a trigger line and the bus keep separate grounds, or the isolator is worth nothing. "
        "Never join a trigger voltage to a logic-level bus without isolation or level conversion."
    ),
    "No mains: none of this is for mains, nor for anything that is not isolated from it.",
    (
        "Check with the gear's maker what its trigger output can give and what its bus bears; these values "
        "are computed from common parts, not measured on yours."
    ),
    "Follow local rules for wiring, and leave mains work to licensed people.",
)
"""What is printed with every result."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """What was worked out."""

    sections: tuple[Section, ...]

    @property
    def works(self) -> bool:
        """Whether each circuit has values, and each of them keeps its limits."""
        return all(section.works for section in self.sections)

    @property
    def idle(self) -> float:
        """Amperes that all circuits draw while nothing happens, the trigger off."""
        return sum(section.idle for section in self.sections)


def line_of(line: LineSettings, name: str) -> LineNeeds:
    """What matters here of a profile's line settings."""
    return LineNeeds(line.baud, line.idle == "high", f"profile {name}")


def wiring(
    trigger: TriggerNeeds | None = None,
    divider: DividerNeeds | None = None,
    pull_up: PullUpNeeds | None = None,
) -> Wiring:
    """Work out what is asked for, each circuit by itself."""
    sections: list[Section] = []
    if trigger is not None:
        sections.append(trigger_section(trigger))
    if divider is not None:
        sections.append(divider_section(divider))
    if pull_up is not None:
        sections.append(pull_up_section(pull_up))
    return Wiring(tuple(sections))
