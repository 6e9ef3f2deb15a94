"""A trigger's input as a state machine: levels and times in, turns out. It reads no clock.

How an input stands when it is first known is no change: it is followed only where the site says so. However
long nobody looked, and however often the input changed meanwhile, a turn is taken once.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["InputMachine", "Timing", "Turn"]


@dataclass(frozen=True, slots=True)
class Timing:
    """How an input is taken; seconds."""

    pulse: bool = False
    """Only that it becomes so counts; else it counts as long as it is so."""
    debounce: float = 0.0
    delay_on: float = 0.0
    delay_off: float = 0.0
    hold: float = 0.0
    """Least time from on to off. Of a pulse: how long it counts, 0 for no off at all."""
    follow: bool = False
    """Whether how it stands at first is followed."""
    start_delay: float = 5.0


@dataclass(frozen=True, slots=True)
class Turn:
    """The trigger goes on or off."""

    on: bool


class InputMachine:
    """One trigger's input.

    Args:
        timing: how it is taken.
    """

    def __init__(self, timing: Timing) -> None:
        self._timing = timing
        self.level: bool | None = None
        """How the input stands, debounced; None while that is not known."""
        self.on: bool | None = None
        """What the trigger has turned to; None for neither."""
        self._raw: bool | None = None
        self._steady_at: float | None = None
        self._turn: tuple[float, bool] | None = None
        self._on_since = float("-inf")

    @property
    def deadline(self) -> float | None:
        """When ``look`` is due."""
        times = [at for at in (self._steady_at, self._turn[0] if self._turn else None) if at is not None]
        return min(times, default=None)

    @property
    def pending(self) -> tuple[float, bool] | None:
        """When it is going to turn, and which way, unless something comes in between."""
        return self._turn

    # What happens

    def input(self, level: bool | None, now: float) -> list[Turn]:
        """The input stands so; None: that is not known any more."""
        turns = self.look(now)
        if level is None:
            # Whatever was about to be done was for an input that nobody sees now.
            self._raw = self.level = self._steady_at = self._turn = None
            return turns
        if level != self._raw:
            self._raw = level
            self._steady_at = None if level == self.level else now + self._timing.debounce
        return turns + self.look(now)

    def pulse(self, now: float) -> list[Turn]:
        """Something has happened that has no level: it counts at once, as becoming so does."""
        turns = self.look(now)
        self._rises(now)
        return turns + self.look(now)

    def look(self, now: float) -> list[Turn]:
        """The time is ``now``."""
        turns = []
        while (due := self.deadline) is not None and due <= now:
            if self._steady_at is not None and self._steady_at <= due:
                self._steady_at = None
                self._settles(due)
            elif self._turn is not None:
                on = self._turn[1]
                self._turn = None
                self._turns(on, due)
                turns.append(Turn(on))
        return turns

    # Inside

    def _settles(self, at: float) -> None:
        """The input has been steady for long enough."""
        first, self.level = self.level is None, self._raw
        if first:
            self._stands(at)
        elif self.level:
            self._rises(at)
        elif not self._timing.pulse:
            self._falls(at)

    def _stands(self, at: float) -> None:
        """So it stands, and nobody has seen it change."""
        if self._timing.pulse:
            return
        if self._timing.follow and self.level is not None:
            if self.on != self.level:
                self._turn = (at + self._timing.start_delay, self.level)
        else:
            self.on = self.level
            self._on_since = float("-inf")

    def _rises(self, at: float) -> None:
        timing = self._timing
        if not timing.pulse:
            self._turn = None if self.on else (at + timing.delay_on, True)
        elif self.on:
            # Held: it counts for longer, and is not done again.
            self._turn = (at + timing.hold, False)
        elif self._turn is None:
            self._turn = (at + timing.delay_on, True)

    def _falls(self, at: float) -> None:
        timing = self._timing
        if self.on is False:
            self._turn = None
        else:
            self._turn = (max(at + timing.delay_off, self._on_since + timing.hold), False)

    def _turns(self, on: bool, at: float) -> None:
        self.on = on
        if on:
            self._on_since = at
            if self._timing.pulse:
                if self._timing.hold > 0:
                    self._turn = (at + self._timing.hold, False)
                else:
                    self.on = None
