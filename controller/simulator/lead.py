"""A simulated lead unit: it sends a message frame by frame, each when the one before has come back.

It stops after the first frame that does not come back (common practice, no source).
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["Leading", "Step"]


class Step(enum.Enum):
    """What a lead unit does after a frame has come back."""

    NEXT = "next"
    """It sends the next one."""
    DONE = "done"
    """All have come back."""
    WRONG = "wrong"
    """Another frame came back than it sent: it stops."""


@dataclass(slots=True)
class Leading:
    """A message that a lead unit is sending."""

    action: str
    frames: bytes
    """As they go on the wire."""
    pauses: Mapping[int, float]
    """Seconds of idle line before a frame, by the frame's index; those that have none are not in it."""
    index: int = 0
    """The frame that is under way."""

    @property
    def frame(self) -> int:
        """The frame that is under way."""
        return self.frames[self.index]

    @property
    def pause(self) -> float:
        """Seconds of idle line before it."""
        return self.pauses.get(self.index, 0.0)

    def came_back(self, value: int) -> Step:
        """Take the frame that came back."""
        if value != self.frame:
            return Step.WRONG
        if self.index + 1 == len(self.frames):
            return Step.DONE
        self.index += 1
        return Step.NEXT
