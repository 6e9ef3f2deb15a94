"""Edges without glitches, and the row of frames that follow each other among them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import IntArray

__all__ = ["chain_of", "without_glitches"]

_LEAP = 8
"""Frames that are followed in one go; a power of two."""


def without_glitches(times: npt.NDArray[Any], shortest: float) -> tuple[npt.NDArray[Any], IntArray]:
    """Drop runs shorter than ``shortest``: the edges left, and the index at which each one's cluster begins.

    A glitch is two edges and both go. Of an odd number of edges close together (a change that bounces) the
    middle one stays, so that levels still alternate.
    """
    short = np.diff(times) < shortest
    everything: IntArray = np.arange(len(times))
    if not short.any():
        return times, everything
    # A cluster is a row of edges each of which is close to the next.
    cluster = np.concatenate(([0], np.cumsum(~short)))
    sizes = np.bincount(cluster)
    first = np.concatenate(([0], np.cumsum(sizes)[:-1]))
    odd = sizes % 2 == 1
    begins: IntArray = first[odd]
    return times[begins + sizes[odd] // 2], begins


def chain_of(steps: npt.NDArray[np.uint8]) -> IntArray:
    """Follow ``steps`` from the first on: each frame's start says where the next one is.

    Eight steps are put together into one for all places at once, so that few are left to be followed singly.

    Args:
        steps: how many further the next frame starts, for each place; no step leads past their end.
    """
    count = len(steps)
    after = np.arange(count + 1)
    after[:-1] += steps
    leaps = after
    for _ in range(_LEAP.bit_length() - 1):
        leaps = leaps[leaps]
    look, place, found = leaps.data, 0, []
    while place < count:
        found.append(place)
        place = look[place]
    chain = np.empty((len(found), _LEAP), np.int64)
    column: IntArray = np.array(found, np.int64)
    for step in range(_LEAP):
        chain[:, step] = column
        column = after[column]
    flat: IntArray = chain.ravel()
    # The last leap may have gone on from the end.
    return flat[: int(np.searchsorted(flat, count))]
