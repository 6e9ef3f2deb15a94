"""Odds: the few probabilities that weighing one account of a line against another is made of.

All are natural logarithms; times are in ticks, whatever a tick is, as long as rivals have the same.
"""

from __future__ import annotations

import math

import numpy as np

from profiles.bench.edges import FloatArray

__all__ = ["anywhere", "jittered", "log_intervals", "log_of_sum", "of_some_size"]

_SCALES = math.log(1e7)
"""A time of which nothing is known may lie anywhere on so many e-folds."""
_JITTER_WEIGHT = 2.0
"""How many edges the jitter weighs as that is expected before looking."""


def anywhere(intervals: FloatArray) -> float:
    """Edges that follow each other after intervals of which not even the order of magnitude is known."""
    return -float(log_intervals(intervals).sum())


def log_intervals(intervals: FloatArray) -> FloatArray:
    """What each of such intervals costs."""
    costs: FloatArray = np.log(np.maximum(intervals, 1e-9) * _SCALES)
    return costs


def of_some_size(times: FloatArray) -> float:
    """Times of which the order of magnitude is not known beforehand, but is much the same for all of them."""
    if not len(times):
        return 0.0
    logs = np.log(np.maximum(times, 1e-9))
    count = len(times)
    spread = (float(logs.max() - logs.min()) + 0.05) * (count + 2) / count
    learned = 2 * math.log(_SCALES) + count * math.log(spread)
    return -float(logs.sum()) - min(learned, count * math.log(_SCALES))


def jittered(squares: float, count: float, scale: float) -> float:
    """Residuals around zero with a spread of which only the rough size is known (Student's distribution)."""
    if count <= 0:
        return 0.0
    base = _JITTER_WEIGHT * scale * scale
    rest = (_JITTER_WEIGHT + count) / 2
    return (
        math.lgamma(rest)
        - math.lgamma(_JITTER_WEIGHT / 2)
        + _JITTER_WEIGHT / 2 * math.log(base)
        - rest * math.log(base + squares)
        - count / 2 * math.log(math.pi)
    )


def log_of_sum(logs: list[float]) -> float:
    """The logarithm of the sum of the exponentials."""
    most = max(logs)
    return most + math.log(sum(math.exp(value - most) for value in logs))
