"""Where a transmission stands on its way out: what is out, what comes next, and when it may go."""

from __future__ import annotations

from controller.transmission import LineTimes, Transmission
from profiles.model import Method

__all__ = ["Script"]


class Script:
    """A cursor over one message; it knows the wire's time, and nothing of echoes.

    A *stretch* is what goes out in one write: a single frame in lockstep or where frames need dead time,
    else everything up to the next pause.
    """

    def __init__(self, transmission: Transmission, times: LineTimes) -> None:
        self.transmission = transmission
        self.data = transmission.message.data
        self._times = times
        self._pauses = {pause.before: pause.seconds for pause in transmission.message.pauses}
        self.lockstep = transmission.method is Method.LOOP
        self.heard = transmission.method is Method.LOCAL or transmission.hears_itself
        """Whether our own frames are heard as they go out, on a shared line."""
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
    def expected(self) -> int:
        """The frame that is out, in lockstep."""
        return self.data[self.first]

    @property
    def previous(self) -> int | None:
        """The frame before it."""
        return self.data[self.first - 1] if self.first else None

    def rewind(self) -> None:
        """Start from the first frame again."""
        self.first = self.next = 0

    def due(self, now: float) -> float:
        """When the next stretch may go, if what was out is accounted for by ``now``."""
        on_line_until = now if self.lockstep else self.out_until
        if self.next == 0:
            return now
        return on_line_until + self._times.dead_time + self._pauses.get(self.next, 0.0)

    def take(self, now: float) -> bytes:
        """The next stretch, taken to be written ``now``."""
        stop = self.next + 1
        if not self.lockstep and not self._times.dead_time:
            while stop < len(self.data) and stop not in self._pauses:
                stop += 1
        self.first, self.next = self.next, stop
        self.out_at = now
        self.out_until = now + (stop - self.first) * self._times.frame
        return self.data[self.first : stop]
