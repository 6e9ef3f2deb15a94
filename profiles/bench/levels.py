"""From a voltage to edges: the two levels, a threshold half-way, and hysteresis against noise and ringing.

A line changes level when it passes the far side of the hysteresis band; the edge lies where it crossed the
threshold on its way, interpolated between samples (of several crossings in one change, half-way between the
first and the last). Levels are found where the line rests, so overshoot, offset and slow edges don't move
them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import FloatArray, IntArray

__all__ = ["GREATEST", "Levels", "Samples", "analog_crossings", "find_levels", "smoothed"]

Samples = npt.NDArray[np.float32]

GREATEST = 1e15
"""No voltage is this large; of larger numbers single precision could not hold sums of squares."""
_CHUNK = 1 << 18
_LOOKED_AT = 200_000
"""Samples that the levels are found on."""
_MOST_BAND = 0.30
_LEAST_BAND = 0.10
"""Half-width of the hysteresis band, as a share of the swing."""
_NOISE_WIDTHS = 5.0
_TOO_NOISY = 0.055
"""Noise, as a share of the swing, above which samples are averaged before anything else."""


@dataclass(frozen=True, slots=True)
class Levels:
    """What a voltage rests at, in its own unit."""

    low: float
    high: float
    noise: float
    """Standard deviation of one sample around its level."""
    threshold: float
    hysteresis: float
    """Half the width of the band around the threshold that has to be crossed."""
    clipped: bool
    """Whether the recorder's range cut off the top or the bottom."""

    @property
    def swing(self) -> float:
        """From low to high."""
        return self.high - self.low

    @property
    def alive(self) -> bool:
        """Whether there are two levels at all, and not one with noise on it."""
        return self.swing > 6 * self.noise and self.swing > 0


def find_levels(samples: Samples, threshold: float | None = None, hysteresis: float | None = None) -> Levels:
    """Find the two levels of a voltage.

    Args:
        samples: the voltage.
        threshold: given by a person instead of half-way.
        hysteresis: half-width of the band, given by a person.
    """
    look = samples[:: max(1, len(samples) // _LOOKED_AT)]
    least, most = float(samples.min()), float(samples.max())
    middle = (least + most) / 2
    if min(np.count_nonzero(look > middle), np.count_nonzero(look <= middle)) < 200:
        # One level is rare: look where it is.
        rare = samples > middle
        if np.count_nonzero(rare) > len(samples) // 2:
            rare = ~rare
        places = np.flatnonzero(rare)[:_LOOKED_AT]
        look = np.concatenate((look[:: max(1, len(look) // max(len(places), 50))], samples[places]))
    low, high = least, most
    for _ in range(8):
        above = look > middle
        if above.all() or not above.any():
            break
        low, high = float(np.median(look[~above])), float(np.median(look[above]))
        moved = (low + high) / 2
        if abs(moved - middle) < 1e-4 * (high - low):
            break
        middle = moved
    noise = _noise(samples, low, high)
    swing = high - low
    if threshold is None:
        threshold = middle
    if hysteresis is None:
        hysteresis = min(max(_NOISE_WIDTHS * noise, _LEAST_BAND * swing), _MOST_BAND * swing)
    return Levels(low, high, noise, threshold, hysteresis, _clipped(look, middle))


def _noise(samples: Samples, low: float, high: float) -> float:
    """The noise of one sample, from neighbours that rest on one level, so that hum and edges don't count."""
    length = min(len(samples), 1 << 16)
    pieces = [samples[start : start + length] for start in (0, (len(samples) - length) // 2)]
    near = np.concatenate([np.abs(piece[2:] - 2 * piece[1:-1] + piece[:-2]) for piece in pieces])
    if not len(near):
        return 0.0
    quiet = near[near < 0.9 * (high - low)] if high > low else near
    return float(np.median(quiet)) / 0.6745 / math.sqrt(6) if len(quiet) else 0.0


def _clipped(look: Samples, middle: float) -> bool:
    """Whether one level is a flat line while the other has noise on it: the recorder's range cut it off."""
    upper, lower = look[look > middle], look[look <= middle]
    if len(upper) < 20 or len(lower) < 20:
        return False
    swing = float(look.max() - look.min())
    flat = (
        np.count_nonzero(upper == upper.max()) / len(upper),
        np.count_nonzero(lower == lower.min()) / len(lower),
    )
    noisy = [len(np.unique(side)) > 5 and float(side.std()) > 0.005 * swing for side in (upper, lower)]
    return bool(
        (flat[0] > 0.6 and noisy[1] and flat[1] < 0.1) or (flat[1] > 0.6 and noisy[0] and flat[0] < 0.1)
    )


def smoothed(samples: Samples, levels: Levels) -> tuple[Samples, int]:
    """Average neighbours where noise would hide the edges: the samples, and how many went into each."""
    width = 1
    while levels.noise / math.sqrt(width) > _TOO_NOISY * levels.swing and width < 64:
        width *= 2
    if width == 1 or len(samples) < 4 * width:
        return samples, 1
    kernel = np.full(width, 1 / width, np.float32)
    out = np.empty(len(samples) - width + 1, np.float32)
    for start in range(0, len(out), _CHUNK):
        stop = min(start + _CHUNK, len(out))
        out[start:stop] = np.convolve(samples[start : stop + width - 1], kernel, "valid")
    return out, width


def analog_crossings(samples: Samples, levels: Levels) -> tuple[FloatArray, int]:
    """Where a voltage changes level.

    Args:
        samples: the voltage; nan is taken for the sample before it.
        levels: with the threshold and hysteresis to use.

    Returns:
        The edges, in samples from the first, and the level before the first edge.
    """
    upper, lower = levels.threshold + levels.hysteresis, levels.threshold - levels.hysteresis
    found: list[FloatArray] = []
    state = -1
    first_level = int(samples[0] > levels.threshold)
    left_low = left_high = 0
    for start in range(0, len(samples), _CHUNK):
        here = samples[max(start - 1, 0) : start + _CHUNK]
        offset = max(start - 1, 0)
        above, below = here > upper, here < lower
        if state < 0 and len(here):
            state, first_level, begun = _first_state(above, below, first_level)
            if not begun:
                continue
        ups = np.flatnonzero(above[1:] > above[:-1]) + (offset + 1)
        downs = np.flatnonzero(below[1:] > below[:-1]) + (offset + 1)
        where = np.concatenate((ups, downs))
        if not len(where):
            left_low, left_high = _last_seen(above, below, offset, left_low, left_high)
            continue
        order = np.argsort(where, kind="stable")
        where = where[order]
        levels_then = (order < len(ups)).astype(np.int8)
        change = levels_then != np.concatenate(([state], levels_then[:-1]))
        ends, rising = where[change], levels_then[change] == 1
        state = int(levels_then[-1])
        if len(ends):
            leave_low = np.flatnonzero(below[1:] < below[:-1]) + offset
            leave_high = np.flatnonzero(above[1:] < above[:-1]) + offset
            begins = np.where(
                rising, _before(leave_low, ends, left_low), _before(leave_high, ends, left_high)
            )
            found.append(_interpolated(samples, begins, ends, levels.threshold))
        left_low, left_high = _last_seen(above, below, offset, left_low, left_high)
    edges = np.concatenate(found) if found else np.empty(0)
    return edges, first_level


def _first_state(
    above: npt.NDArray[np.bool_], below: npt.NDArray[np.bool_], guess: int
) -> tuple[int, int, bool]:
    """The level at the first sample outside the band."""
    decided = np.flatnonzero(above | below)
    if not len(decided):
        return -1, guess, False
    level = int(above[decided[0]])
    return level, level, True


def _last_seen(
    above: npt.NDArray[np.bool_], below: npt.NDArray[np.bool_], offset: int, left_low: int, left_high: int
) -> tuple[int, int]:
    """The last samples at which the line was clearly low and clearly high."""

    def last(where: npt.NDArray[np.bool_], before: int) -> int:
        if where[-1]:
            return offset + len(where) - 1
        back = int(where[::-1].argmax())
        return offset + len(where) - 1 - back if where[len(where) - 1 - back] else before

    return last(below, left_low), last(above, left_high)


def _before(leaving: IntArray, ends: IntArray, default: int) -> IntArray:
    """For each end the last sample before it at which the line was still at its old level."""
    place = np.searchsorted(leaving, ends, side="right") - 1
    before: IntArray = np.where(
        place >= 0, leaving[np.maximum(place, 0)] if len(leaving) else default, default
    )
    return np.minimum(before, ends - 1)


def _interpolated(samples: Samples, begins: IntArray, ends: IntArray, threshold: float) -> FloatArray:
    """Where the threshold is crossed between samples ``begins`` and ``ends``."""
    lengths = ends - begins
    owner = np.repeat(np.arange(len(ends)), lengths)
    first = np.cumsum(lengths) - lengths
    index = np.arange(len(owner)) - first[owner] + begins[owner]
    left = samples[index].astype(np.float64) - threshold
    right = samples[index + 1].astype(np.float64) - threshold
    crossing = (left > 0) != (right > 0)
    owner, index = owner[crossing], index[crossing]
    left, right = left[crossing], right[crossing]
    place = index + left / (left - right)
    new = np.flatnonzero(np.diff(owner, prepend=-1))
    last = np.append(new[1:], len(owner)) - 1
    result = (begins + ends) / 2.0
    result[owner[new]] = (place[new] + place[last]) / 2
    return result
