"""What a calculation gives: figures with their working, margin and source; parts; and what is wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from profiles.wiring.quantities import quantity

__all__ = ["Figure", "Part", "Section", "at_least", "at_most", "plain_figure"]

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Figure:
    """One computed value, held against its limit."""

    name: str
    """What it is, in words."""
    value: float
    """In ``unit``."""
    unit: str
    working: str
    """The formula with its numbers in it."""
    source: str
    """Where the formula or the limit is from."""
    limit: float | None = None
    """None where nothing limits it."""
    limit_words: str = ""
    """What the limit is, in words."""
    margin: float | None = None
    """How many times over it keeps its limit: 1 is just at it, below 1 is past it; None without a limit."""

    @property
    def ok(self) -> bool:
        """Whether it keeps its limit."""
        return self.margin is None or self.margin >= 1 - _ROUNDING

    @property
    def text(self) -> str:
        """The value with its unit."""
        return quantity(self.value, self.unit)


def at_most(
    name: str, value: float, unit: str, limit: float, words: str, *, working: str, source: str
) -> Figure:
    """A figure that must not be above its limit."""
    margin = limit / value if value > 0 else math.inf
    return Figure(name, value, unit, working, source, limit, words, margin)


def at_least(
    name: str, value: float, unit: str, limit: float, words: str, *, working: str, source: str
) -> Figure:
    """A figure that must not be below its limit."""
    return Figure(name, value, unit, working, source, limit, words, value / limit if limit > 0 else math.inf)


def plain_figure(name: str, value: float, unit: str, *, working: str, source: str) -> Figure:
    """A figure that is only told."""
    return Figure(name, value, unit, working, source)


@dataclass(frozen=True, slots=True)
class Part:
    """One component."""

    id: str
    """As the drawing names it: R1, D1, U1."""
    what: str
    """What it is for."""
    value: float | None
    """Ohms or farads; None where it has none."""
    text: str
    """As it is bought: ``2.2 kΩ, 5 %, 0.5 W``."""


@dataclass(frozen=True, slots=True)
class Section:
    """One circuit with its values: a trigger input, a level conversion, a pull-up."""

    kind: str
    title: str
    given: tuple[tuple[str, str], ...]
    """What was asked for and taken for granted: name and text."""
    parts: tuple[Part, ...]
    figures: tuple[Figure, ...]
    problem: str = ""
    """Why no value works; empty where one does."""
    notes: tuple[str, ...] = ()
    labels: dict[str, str] = field(default_factory=dict)
    """What the drawing writes at its places."""
    idle: float = 0.0
    """Amperes that it draws from the box's own supply while nothing happens."""

    @property
    def warnings(self) -> tuple[str, ...]:
        """Every figure that leaves its limit, in a sentence."""
        return tuple(
            f"{each.name} is {each.text}, past the limit of {quantity(each.limit or 0.0, each.unit)} "
            f"({each.limit_words})"
            for each in self.figures
            if not each.ok
        )

    @property
    def works(self) -> bool:
        """Whether there are values, and each keeps its limit."""
        return not self.problem and not self.warnings

    def part(self, identity: str) -> Part | None:
        """The part of that name."""
        return next((part for part in self.parts if part.id == identity), None)
