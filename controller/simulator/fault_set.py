"""The faults that stand on a simulated line, and what they do to it."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random
from typing import TypeVar

from controller.simulator.faults import (
    Cut,
    Fault,
    FrameFault,
    Harm,
    LoopBack,
    Noise,
    NoMains,
    Refuse,
    Saturate,
    Slow,
    Talker,
    Unplug,
)

__all__ = ["FaultSet"]

F = TypeVar("F", bound=Fault)


class FaultSet:
    """The faults that stand.

    Args:
        usual_place: whose frames a fault without ``at`` acts on; None for everybody's.
        data_bits: how many bits of a frame noise can hit.
    """

    def __init__(self, usual_place: int | None, data_bits: int = 8) -> None:
        self._usual = usual_place
        self._bits = min(data_bits, 8)
        self._standing: list[Fault] = []
        self._counts: dict[FrameFault, int] = {}
        self._random: dict[Noise, Random] = {}
        self._refresh()

    def __iter__(self) -> Iterator[Fault]:
        return iter(tuple(self._standing))

    def set(self, fault: Fault) -> None:
        """Let a fault stand; one that stands already begins to count anew."""
        self.clear(fault)
        self._standing.append(fault)
        if isinstance(fault, FrameFault):
            self._counts[fault] = 0
        elif isinstance(fault, Noise):
            self._random[fault] = Random(fault.seed)  # noqa: S311 -- noise that can be had again, no secret
        self._refresh()

    def clear(self, fault: Fault) -> bool:
        """Take a fault away; whether it stood."""
        if fault not in self._standing:
            return False
        self._standing.remove(fault)
        if isinstance(fault, FrameFault):
            del self._counts[fault]
        elif isinstance(fault, Noise):
            del self._random[fault]
        self._refresh()
        return True

    def of(self, kind: type[F]) -> list[F]:
        """The faults of one kind."""
        return [fault for fault in self._standing if isinstance(fault, kind)]

    def _refresh(self) -> None:
        """Keep what is asked for each frame at hand: most lines have no fault at all."""
        self._cut = frozenset(fault.unit for fault in self.of(Cut))
        self._dead = frozenset(fault.unit for fault in self.of(NoMains))
        self._slow: dict[int, float] = {}
        for fault in self.of(Slow):
            self._slow[fault.unit] = self._slow.get(fault.unit, 0.0) + fault.microseconds / 1e6
        self._harming: list[FrameFault | Noise] = [*self.of(FrameFault), *self.of(Noise)]
        self.talkers = self.of(Talker)
        self.unplugged = bool(self.of(Unplug))
        looped = self.of(LoopBack)
        self.looped_behind = looped[-1].unit if looped else None
        """Behind which unit the adapter listens, where that is another than the last one."""
        self.saturated = bool(self.of(Saturate))

    def cut(self, behind: int) -> bool:
        """Whether the line is cut behind that unit (0: behind the adapter)."""
        return behind in self._cut

    @property
    def first_cut(self) -> int | None:
        """The unit nearest to the adapter behind which the line is cut."""
        return min(self._cut, default=None)

    def dead(self, unit: int) -> bool:
        """Whether that unit has no mains."""
        return unit in self._dead

    def slowness(self, unit: int) -> float:
        """How much longer that unit takes, in seconds."""
        return self._slow.get(unit, 0.0)

    def refusal(self, unit: int, action: str) -> Refuse | None:
        """The fault by which that unit refuses that action, or None."""
        for fault in self.of(Refuse):
            if fault.unit == unit and fault.action in (None, action):
                return fault
        return None

    def harms(self, place: int) -> bool:
        """Whether any fault acts on frames of that place."""
        return any(self._acts(fault, place) for fault in self._harming)

    def _acts(self, fault: FrameFault | Noise, place: int) -> bool:
        at = self._usual if fault.at is None else fault.at
        return at is None or at == place

    def frames(self, place: int, value: int) -> list[tuple[int, float]]:
        """What becomes of one frame that ``place`` sends.

        Returns:
            Value and seconds that it waits, for each frame that goes out.
        """
        if not self._harming:
            return [(value, 0.0)]
        delay = 0.0
        copies = 1
        for fault in tuple(self._harming):
            if not self._acts(fault, place):
                continue
            if isinstance(fault, Noise):
                source = self._random[fault]
                if source.random() < fault.probability:
                    value ^= 1 << source.randrange(self._bits)
                continue
            self._counts[fault] += 1
            if self._counts[fault] < fault.nth:
                continue
            match fault.harm:
                case Harm.CORRUPT:
                    value ^= fault.mask & ((1 << self._bits) - 1)
                case Harm.DROP:
                    copies = 0
                case Harm.DOUBLE:
                    copies *= 2
                case Harm.DELAY:
                    delay += fault.microseconds / 1e6
            if fault.every:
                self._counts[fault] = 0
            else:
                self.clear(fault)
        return [(value, delay)] * copies
