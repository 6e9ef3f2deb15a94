"""Learning how long one hop really is, from the lags of confirmed actions. Pure.

A hop is a frame time in round numbers, and up to half a bit time shorter where a unit's receiver hands a
frame on in the middle of its stop bit. Over many units that adds up to whole frames, and the number that
answer could no longer be told; so the true length is learned where a lag can mean nothing else.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from controller.carrying import middle
from controller.transmission import LineTimes

__all__ = ["HopLearner"]

_ACTIONS = 16
"""Confirmed actions that are looked back on: units may be replaced by others that are quicker or slower."""
_LEAST_FRAMES = 3
"""Frames of an action below which its least lag says too little: latency only adds."""
_UNSURE = 0.05
"""The part of a frame time by which lags may be uncertain. Half a bit time at 8N1: what is to be learned."""
_NEWS = 0.002
"""The part of a hop by which it has to differ from what was known to be worth keeping."""


class HopLearner:
    """Learns from one bus's confirmed actions.

    Args:
        known: one hop in seconds, where it was learned before.
    """

    def __init__(self, known: float | None = None) -> None:
        self._known = known
        self._seen: deque[float] = deque(maxlen=_ACTIONS)

    def learn(
        self, lags: Sequence[float], times: LineTimes, expected: int | None, answering: int | None
    ) -> float | None:
        """Take the lags of a confirmed action in.

        Args:
            lags: seconds, one a frame.
            times: what was known of time on the line when it began.
            expected: units in the ring, where the site says it.
            answering: units that answered, where that could be told.

        Returns:
            One hop in seconds where it is news; None where nothing new was learned.
        """
        if expected is None or answering != expected or len(lags) < _LEAST_FRAMES:
            return None
        unsure = _UNSURE * times.frame
        if times.latency is None or times.jitter is None or times.jitter > unsure:
            return None
        least = min(lags)
        if middle(sorted(lags)) - least > unsure:
            return None  # this computer was busy: how much it has added to the least one can't be told
        self._seen.append((least - times.latency - times.frame) / expected)
        hop = min(self._seen)
        if not times.frame * (times.handed_on - 0.01) <= hop <= times.frame * 1.02:
            return None
        if self._known is not None and abs(hop - self._known) < _NEWS * self._known:
            return None
        self._known = hop
        return hop
