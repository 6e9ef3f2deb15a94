"""From the probability that the model gives to how often such answers are right.

The model takes words for independent and jitter for Gaussian; the world keeps to neither, so its high
probabilities are too sure of themselves. Over 1,500 random lines (those of the tests, with another seed)
answers that it gave 0.981 were right in 94 of 100, those at 0.996 in 98.5, those at 0.9995 in 99.4; below
0.9 it was right as often as it said. What was wrong at the top had few different words, or heavy jitter.
"""

from __future__ import annotations

import math

__all__ = ["calibrated"]

_TRUSTED = 2.0
"""Log-odds up to which the model is right as often as it says."""
_BEYOND = 0.7
"""What each further unit of log-odds is worth."""
_CEILING = 0.998
_DOUBTFUL_CEILING = 0.985
_FEW_WORDS = 6
_HEAVY_JITTER = 0.1


def calibrated(probability: float, different_words: int, jitter: float) -> float:
    """How often an answer of this probability is right.

    Args:
        probability: the model's own, 0 to 1.
        different_words: on how many different data words it rests.
        jitter: standard deviation of an edge, in bit times.
    """
    inner = min(max(probability, 1e-9), 1 - 1e-9)
    odds = math.log(inner / (1 - inner))
    if odds > _TRUSTED:
        odds = _TRUSTED + _BEYOND * (odds - _TRUSTED)
    doubtful = different_words <= _FEW_WORDS or jitter > _HEAVY_JITTER
    return min(1 / (1 + math.exp(-odds)), _DOUBTFUL_CEILING if doubtful else _CEILING)
