"""Finding where a ring is cut, by joining the adapter's input to one unit's output after another. Pure.

What is sent goes from the adapter into unit 1, and on from unit to unit. Joined behind unit K (0: to the
adapter's own output), the adapter hears what it sends exactly where everything up to there is good. So each
probe halves the places that are left, and the number of hops in its echo tells whether the lead really is
behind unit K.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

__all__ = ["BreakSearch", "Found"]


@dataclass(frozen=True, slots=True)
class Found:
    """Where the ring is cut."""

    after: int
    """The last place up to which all is good: a unit's number, 0 for the adapter; -1 where not even the
    adapter hears itself."""
    text: str
    look_at: str


@dataclass(slots=True)
class BreakSearch:
    """The search in one ring.

    Args:
        units: how many units are in it.
        names: what they are called, in the order of the ring; empty where that is not known.
    """

    units: int
    names: Sequence[str] = ()
    _good: int = field(default=-1, init=False)
    """The furthest place from which an echo came."""
    _bad: int = field(default=0, init=False)
    """The nearest place from which none came; beyond the last unit it is the whole ring."""
    _doubted: set[tuple[int, int]] = field(default_factory=set, init=False)

    def __post_init__(self) -> None:
        self._bad = self.units + 1

    @property
    def place(self) -> int | None:
        """Behind which unit the adapter is to listen next, 0: to its own output; None when it is found."""
        return (self._good + self._bad) // 2 if self._bad - self._good > 1 else None

    @property
    def steps_left(self) -> int:
        """The most steps that it still takes."""
        return (self._bad - self._good - 1).bit_length()

    def took(self, came_back: bool, answering: int | None) -> str | None:
        """Take in what became of the probe that was sent with the lead at ``place``.

        Args:
            came_back: whether each frame's echo came back right.
            answering: how many units repeated it, where the adapter allows that to be told.

        Returns:
            What is odd about it, where it has to be looked at and probed again; None where it counts.
        """
        place = self.place
        if place is None:
            return None
        if not came_back:
            self._bad = place
            return None
        # Units may be bypassed, and are then good all the same; but not all that there are.
        known = (place, answering) in self._doubted and answering != 0
        if answering is not None and answering != place and not known:
            self._doubted.add((place, answering))
            return (
                f"{_units(answering)} repeated it, and the lead should be behind {self.name(place)}: "
                "see whether it is, and whether a unit is bypassed"
            )
        self._good = place
        return None

    def name(self, place: int) -> str:
        """What a place is called."""
        if place == 0:
            return "the adapter itself"
        named = f" ({self.names[place - 1]})" if len(self.names) == self.units else ""
        return f"unit {place}{named}"

    @property
    def found(self) -> Found | None:
        """Where it is cut; None while that is not found."""
        if self.place is not None:
            return None
        good, bad = self._good, self._bad
        if bad == 0:
            return Found(
                good,
                "the adapter does not even hear itself",
                "the plug that joins its output to its input, its cable, and `port` and the profile's [line]",
            )
        if bad > self.units:
            return Found(
                good,
                f"all {self.units} units are good: the ring is cut behind {self.name(good)}",
                f"the lead from {self.name(good)} back to the adapter",
            )
        before, behind = self.name(good), self.name(bad)
        return Found(
            good,
            f"all is good up to {before}: the ring is cut between it and the output of {behind}",
            f"the lead from {before} to {behind}; then {behind}: its mains, its input, its output",
        )


def _units(count: int) -> str:
    return "no unit" if count == 0 else f"{count} unit{'s' * (count != 1)}"
