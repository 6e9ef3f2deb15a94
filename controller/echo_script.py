"""What of a message is out, what comes next, and when it may go."""

from __future__ import annotations

from controller.transmission import LineTimes, Transmission
from profiles.model import Method

__all__ = ["Script"]


class Script:
    """A cursor over one message; it knows the wire's time, and nothing of echoes.

    A *stretch* is what goes out in one write: a single frame in lockstep or where frames need dead time,
    else everything up to the next pause.
    """

    __slots__ = (
        "_dead_time",
        "_frame",
        "_once",
        "_pauses",
        "data",
        "first",
        "lockstep",
        "next",
        "out_at",
        "out_until",
    )

    def __init__(self, transmission: Transmission, times: LineTimes) -> None:
        self.data = transmission.message.data
        self.lockstep = transmission.method is Method.LOOP
        """Whether each frame must come back before the next one goes out."""
        self._frame = times.frame
        self._dead_time = times.dead_time
        self._once = transmission.once or len(self.data)
        self._pauses: dict[int, float] = {}
        for pause in transmission.message.pauses:
            # A pause at the end of one copy and the one before the next stand at the same place.
            self._pauses[pause.before] = self._pauses.get(pause.before, 0.0) + pause.seconds
        self.first = 0
        """Index of the first frame that is out."""
        self.next = 0
        """Index of the next frame to go."""
        self.out_at = 0.0
        """When what is out was written."""
        self.out_until = 0.0
        """When its last frame has left, if the adapter was free."""

    @property
    def complete(self) -> bool:
        """Whether the last frame is out."""
        return self.next >= len(self.data)

    @property
    def acted_on(self) -> bool:
        """Whether so much is out that a unit may obey: one whole copy of what is said."""
        return self.next >= self._once

    @property
    def expected(self) -> int:
        """The first frame of what is out: in lockstep, the one whose echo is due."""
        return self.data[self.first]

    @property
    def lead(self) -> float:
        """Seconds of quiet line that the message wants before it."""
        return self._pauses.get(0, 0.0)

    @property
    def trail(self) -> float:
        """Seconds of quiet line that it wants after it."""
        return self._pauses.get(len(self.data), 0.0)

    def rewind(self) -> None:
        """Start from the first frame again."""
        self.first = self.next = 0

    def due(self, now: float) -> float:
        """When the next stretch may go, if what was out is accounted for by ``now``."""
        if self.next == 0:
            return now
        left = now if self.lockstep else self.out_until
        return left + self._dead_time + self._pauses.get(self.next, 0.0)

    def take(self, now: float) -> bytes:
        """The next stretch, taken to be written ``now``."""
        stop = self.next + 1
        if not self.lockstep and not self._dead_time:
            while stop < len(self.data) and stop not in self._pauses:
                stop += 1
        self.first, self.next = self.next, stop
        self.out_at = now
        self.out_until = now + (stop - self.first) * self._frame
        return self.data[self.first : stop]
