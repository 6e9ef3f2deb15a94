"""Which bit times a line might have: those of which its runs are whole multiples.

Runs at one level are ``n bit + shift`` long, at the other ``n bit - shift``; the phases of all runs against
a trial bit time therefore point one way when the trial is right, also where the edges are shifted against
each other.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import FloatArray

__all__ = ["bit_time_candidates"]

_STEP = 0.004
"""Relative step of the trial bit times; over eleven cells it costs less than a twentieth of a bit time."""
_RUNS = 600
"""Runs looked at: more say nothing new."""
_LONGEST = 12
"""Cells above which a run may be idle line of any length."""


def bit_time_candidates(times: FloatArray, resolution: float, *, most: int = 24) -> list[float]:
    """Trial bit times, in the unit of ``times``, the most regular first.

    Args:
        times: edges, rising in time.
        resolution: how far an edge may be from where it was on the line.
        most: how many candidates to give.
    """
    runs = np.diff(times)
    parity = np.arange(len(runs)) & 1
    # Two edges at one time are no run, and in steps of a bit time of zero no frame would ever end.
    there = runs > 0
    runs, parity = runs[there], parity[there]
    if len(runs) < 2:
        return [float(run) for run in runs]
    short = runs < 40 * np.median(runs)
    runs, parity = runs[short][:_RUNS], parity[short][:_RUNS]
    ordered = np.sort(runs)
    longest = 1.4 * float(ordered[len(ordered) // 4])
    shortest = max(longest / 18, 1.2 * resolution, float(ordered[0]) / 12)
    if longest <= shortest:
        return [longest]
    trials = np.exp(np.arange(math.log(shortest), math.log(longest), _STEP))
    score = _regularity(runs, parity, trials)
    peaks = np.flatnonzero((score >= np.roll(score, 1)) & (score >= np.roll(score, -1)))
    strong = peaks[np.argsort(-score[peaks], kind="stable")]
    found = [float(trials[peak]) for peak in strong[:most] if score[peak] > 0.15]
    return found or [float(ordered[len(ordered) // 4])]


def _regularity(runs: FloatArray, parity: npt.NDArray[np.int64], trials: FloatArray) -> FloatArray:
    """How well each trial divides the runs, 0 to 1; runs that may be idle line are left out."""
    values, counts = np.unique(np.stack((runs, parity.astype(np.float64))), axis=1, return_counts=True)
    lengths, sides = values
    weights = counts.astype(np.float64)
    cells = lengths[None, :] / trials[:, None]
    turn = np.exp(2j * np.pi * np.where(sides > 0, -cells, cells))
    counted = np.where((cells < _LONGEST) & (cells > 0.5), weights[None, :], 0.0)
    total = counted.sum(axis=1)
    strength: FloatArray = np.abs((turn * counted).sum(axis=1)) / np.maximum(total, 1.0)
    # Of two trials that divide equally well, the one that explains more runs is the better guess.
    strength *= np.sqrt(total / weights.sum())
    return strength
