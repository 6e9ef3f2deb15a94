"""Repeating what others say, where the computer is a part of the ring.

What stops a storm: our own frames are never repeated (the echo machine takes them off), nothing is repeated
while a command is under way or for a drain window after any failure, and the same frame goes round at most
once in (N + 2) T. The price: with ``pass_on`` the computer's latency is every sender's, and while it is off
the ring is open.
"""

from __future__ import annotations

import math

from controller.transmission import LineTimes

__all__ = ["RingRelay"]


class RingRelay:
    """Decides which frames are passed on; owns no port and no clock."""

    def __init__(self, times: LineTimes) -> None:
        self._lap = (times.hops + 2) * times.frame
        self._drain = 2 * self._lap + times.slack
        self._closed_until = -math.inf
        self._last_passed: dict[int, float] = {}

    def failed(self, now: float) -> None:
        """Something of ours failed: frames may circulate; let them die."""
        self._closed_until = now + self._drain

    def passes(self, data: bytes, now: float) -> bytes:
        """The frames of ``data`` that are to be repeated ``now``."""
        if now < self._closed_until:
            return b""
        out = bytearray()
        for value in data:
            if now - self._last_passed.get(value, -math.inf) >= self._lap:
                self._last_passed[value] = now
                out.append(value)
        return bytes(out)
