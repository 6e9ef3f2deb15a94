"""Repeating what others say, where the computer is a part of the ring.

Our own frames are never repeated (the echo machine takes them off), and nothing is repeated while a command
is under way or for a drain window after any failure. What is left to stop is a frame that nobody takes off
the ring, such as one that noise made: it comes back to us after a lap, again and again.

By its time alone it can't be told from the next frame of a sender in lockstep, if that is an equal one: a
message of `00 00` looks just so, (N + 1) T apart. A rule of one equal frame in (N + 2) T would stop the
second `00`, whose sender would wait in vain (tests/controller/test_relay.py shows it). So an equal frame may
come round a few times before it is stopped: one frame a lap, which is no storm. Equal frames that come sooner
than a lap are two frames, and both are passed on.

The price of being a part of the ring: the computer's latency is every sender's, and while it is off the ring
is open.
"""

from __future__ import annotations

import math
from collections import deque

from controller.transmission import CLOCKS, LineTimes

__all__ = ["RingRelay"]

_ROUNDS = 16
"""How often an equal frame may come round again: a run of equal bytes in a message that is sent in lockstep
may be one longer."""


class RingRelay:
    """Decides which frames are passed on; owns no port and no clock.

    Args:
        times: what is known of time on the line.
    """

    def __init__(self, times: LineTimes) -> None:
        self.set_times(times)
        self._closed_until = -math.inf
        self._under_way: dict[int, deque[tuple[float, int]]] = {}
        """By value: when each frame was passed on that can still come round, and how often it had by then."""

    def set_times(self, times: LineTimes) -> None:
        """Go on with what is known of time on the line by now."""
        self._shortest_lap = (times.hops + 1) * times.frame * times.handed_on * CLOCKS
        self._longest_lap = (times.hops + 2) * times.frame + times.slack
        self._drain = 2 * self._longest_lap

    def failed(self, now: float) -> None:
        """Something of ours failed: frames may circulate; let them die."""
        self._closed_until = now + self._drain
        self._under_way.clear()

    def passes(self, data: bytes, now: float) -> bytes:
        """The frames of ``data``, read by ``now``, that are to be repeated."""
        if now < self._closed_until:
            return b""
        out = bytearray()
        for value in data:
            under_way = self._under_way.setdefault(value, deque())
            while under_way and now - under_way[0][0] > self._longest_lap:
                under_way.popleft()
            rounds = 0
            if under_way and now - under_way[0][0] >= self._shortest_lap:
                rounds = under_way.popleft()[1] + 1
            if rounds <= _ROUNDS:
                under_way.append((now, rounds))
                out.append(value)
        return bytes(out)
