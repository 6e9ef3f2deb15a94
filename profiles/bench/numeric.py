"""Sums of products without a thread pool, which spins for longer than the work takes."""

from __future__ import annotations

import numpy as np

from profiles.bench.edges import FloatArray

__all__ = ["dot"]


def dot(one: FloatArray, other: FloatArray) -> float:
    """The sum of the products of two arrays of one length."""
    return float(np.einsum("i,i->", one, other))
