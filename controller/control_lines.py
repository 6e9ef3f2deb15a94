"""The modem control lines that an adapter reads: cts, dsr, dcd, ri. Their changes, as records.

A link looks at them in its own thread, and only at those that the site has a use for, see
``BusSetup.control_lines``. Every change is published as a ``ControlLine`` record; how a line stands when the
port has been opened is told too, marked as ``first``, for it is no change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

__all__ = ["CONTROL_LINES", "ControlLine", "LineWatch"]

CONTROL_LINES = ("cts", "dsr", "dcd", "ri")
"""The inputs of a serial port, by the names of EIA/TIA-232 in use since its CCITT V.24 circuits 106, 107, 109
and 125."""

LOOK_EVERY = 0.02
"""Seconds between two looks. A USB adapter answers each with a transfer of its own, about a millisecond (USB
2.0, full speed: one frame)."""
BUSY_EVERY = 0.25
"""The same while a command is on its way: its frames go first."""


@dataclass(frozen=True, slots=True)
class ControlLine:
    """A control line of a bus's adapter stands so."""

    bus: str
    line: str
    """One of ``CONTROL_LINES``."""
    level: bool
    """As the driver tells it: True where the line is asserted (on an RS-232 port: a positive voltage)."""
    at: float
    """UTC seconds."""
    first: bool = False
    """Whether it is how the line stood when the port had been opened, and so no change."""


@dataclass(slots=True)
class LineWatch:
    """Which lines are looked at, when, and how they stood last. Pure: levels and times are handed in."""

    wanted: frozenset[str]
    """Of ``CONTROL_LINES``; none for never looking."""
    due: float = field(default=math.inf, init=False)
    """Monotonic seconds of the next look."""
    _levels: dict[str, bool] = field(default_factory=dict, init=False)

    def opened(self, now: float) -> None:
        """There is a port: look at once, and take all for new."""
        self._levels.clear()
        if self.wanted:
            self.due = now

    def looked(self, levels: Mapping[str, bool], now: float, *, busy: bool) -> list[tuple[str, bool, bool]]:
        """What has changed: (line, level, whether it is the first word of it).

        Args:
            levels: how the lines stand; those that the port can't tell are missing.
            now: monotonic seconds.
            busy: whether a command is on its way.
        """
        self.due = now + (BUSY_EVERY if busy else LOOK_EVERY)
        found = []
        for name in CONTROL_LINES:
            level = levels.get(name)
            if name in self.wanted and level is not None and level != self._levels.get(name):
                found.append((name, level, name not in self._levels))
                self._levels[name] = level
        return found
