"""What a frame's cells may mean: data, parity, stop bits; and how likely each meaning is.

The data bits are not known beforehand, but frames that say the same thing again cost less, words may all be
of one kind, a parity bit that always fits is no accident, and senders pace themselves. All of it goes into
one score.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import IntArray
from profiles.bench.hypotheses import Account
from profiles.bench.numeric import dot
from profiles.bench.odds import anywhere, jittered, log_of_sum, of_some_size
from profiles.frames import FrameFormat, Parity

__all__ = ["Reading", "readings", "rough_score", "stop_bits", "words_score"]

_PARITY, _EARLY = math.log(0.002), math.log(0.002)
_NEW_WORD = 4.0
"""How readily a new data word is expected instead of one that was there before (Dirichlet process)."""
_TIGHT = 0.25
"""Bit times by which a start may miss the end of the stop bits and still be straight after it."""
_WHOLE = 0.12
"""The same for dead times that are a whole number of bit times."""
_MOST_WHOLE = 24
_ALIKE = 0.12
"""Bit times by which two times between starts may differ and still be the same."""
_STRAIGHT = math.log(0.5)
_NEW_TIME = 1.0
"""How readily a new time between starts is expected (Dirichlet process)."""

_COMMON = {
    "8N1": 0.42,
    "8E1": 0.08,
    "8N2": 0.07,
    "7E1": 0.07,
    "8O1": 0.05,
    "7O1": 0.03,
    "9N1": 0.02,
    "7N1": 0.02,
}
_COMMON |= dict.fromkeys(("7E2", "7N2", "7O2", "8E2", "8O2", "5N1", "5N1.5", "6N1"), 0.01)
"""How common formats are (common practice, no source)."""
_RARE = 0.003
_SET = 0.0006
"""A parity bit that never changes: hardly anybody sets it so."""
_CONSTANT = (Parity.MARK, Parity.SPACE)


@dataclass(frozen=True, slots=True)
class Reading:
    """One meaning of a frame's cells, with its score."""

    frame: FrameFormat
    score: float
    """Logarithm of the probability, of everything."""
    parity_errors: int


def rough_score(account: Account) -> float:
    """The score of an account with every cell a data bit and dead times of any length, to weed with."""
    jitter = jittered(account.squares, account.residuals, account.scale)
    gaps = anywhere(account.spacing * account.timing.bit)
    return account.score + jitter + gaps + words_score(account.words >> 1, account.body - 1)


def _dead_times(account: Account, stop: float) -> float:
    """The score of jitter and of times between starts with so many stop bits.

    A start may come straight after the stop bits, after a whole number of bit times, or at any time; and a
    time that was there before is likely to come again (senders pace themselves).
    """
    bit, spacing = account.timing.bit, account.spacing
    if not len(spacing):
        return jittered(account.squares, account.residuals, account.scale)
    blur = math.sqrt(2 * account.squares / max(account.residuals, 1)) / bit
    tolerance, alike_within = max(_TIGHT, min(3 * blur, 0.45)), max(_ALIKE, min(2.5 * blur, 0.4))
    dead = spacing - account.body - stop
    early = dead <= -tolerance
    rest = np.rint(dead)
    tight = ~early & (np.abs(dead) < tolerance)
    whole = ~early & ~tight & (np.abs(dead - rest) < _WHOLE) & (rest <= _MOST_WHOLE)
    free = np.sort(spacing[~early & ~tight & ~whole])
    score = int(early.sum()) * (_EARLY - math.log(bit))
    sizes = [int(tight.sum())] if tight.any() else []
    score += _STRAIGHT if tight.any() else 0.0
    near = np.where(tight, dead, np.where(whole, dead - rest, 0.0))
    squares = dot(near, near)
    exact = int(tight.sum() + whole.sum())
    if whole.any():
        _, counts = np.unique(rest[whole], return_counts=True)
        sizes += counts.tolist()
        score += len(counts) * math.log(0.15 / _MOST_WHOLE)
    if len(free):
        cluster = np.concatenate(([0], np.cumsum(np.diff(free) > alike_within)))
        counts = np.bincount(cluster)
        centre = np.bincount(cluster, free) / counts
        off = free - centre[cluster]
        alike = np.bincount(cluster, off * off) / counts < (alike_within / 2) ** 2
        sizes += counts[alike].tolist() + [1] * int(counts[~alike].sum())
        again = alike[cluster]
        squares += dot(off[again], off[again])
        exact += int((counts[alike] - 1).sum())
        score += of_some_size(np.concatenate((centre[alike], free[~again])) * bit)
    score += len(sizes) * math.log(_NEW_TIME) - math.lgamma(_NEW_TIME + len(spacing)) + math.lgamma(_NEW_TIME)
    score += sum(math.lgamma(size) for size in sizes)
    # Between two starts there is the jitter of both.
    squares = account.squares + squares * bit * bit / 2
    score += jittered(squares, account.residuals + exact, account.scale) - exact * math.log(math.sqrt(2))
    return score


def stop_bits(account: Account, cells: int) -> tuple[float, bool]:
    """The number of stop bits that the closest frames show, and whether they do; else the fewest, 1.

    Args:
        account: with the times between starts.
        cells: before the stop bits, parity among them.
    """
    spacing = np.sort(account.spacing) - cells
    if not len(spacing):
        return 1.0, False
    # One in a hundred starts may be early: a glitch, or a unit with a fast clock.
    least = spacing[len(spacing) // 100 :]
    blur = math.sqrt(2 * account.squares / max(account.residuals, 1)) / account.timing.bit
    within = min(max(3.5 * blur, 0.12), _TIGHT)
    for stop in (1.0, 1.5, 2.0):
        close = int((np.abs(least - stop) <= within).sum())
        if least[0] > stop - 0.5 and close >= max(2, 0.04 * len(least)) and least[0] >= stop - within:
            beyond = int(((least > stop + within) & (least <= stop + 3 * within)).sum())
            return stop, close > 3 * beyond or close == len(least)
    return 1.0, False


def words_score(values: IntArray, bits: int) -> float:
    """The score of data words: new ones cost their bits, those seen before cost less."""
    if not len(values):
        return 0.0
    distinct, counts = np.unique(values, return_counts=True)
    kinds = len(distinct)
    process = kinds * math.log(_NEW_WORD) + math.lgamma(_NEW_WORD) - math.lgamma(_NEW_WORD + len(values))
    process += sum(math.lgamma(count) for count in counts.tolist())
    # Words may be of one kind (all with the top bit clear, all text), but for a stray one.
    high = int((distinct >> bits - 1).sum())
    text = int(((distinct >= 32) & (distinct < 127) | (distinct == 10) | (distinct == 13)).sum())
    any_word = -bits * math.log(2)
    stray = math.log(0.02) + any_word
    bases = [
        math.log(0.5) + kinds * any_word,
        math.log(0.25) + (kinds - high) * (any_word + math.log(2)) + high * stray,
        math.log(0.005) + high * (any_word + math.log(2)) + (kinds - high) * stray,
    ]
    if bits >= 7:
        bases.append(math.log(0.2) - text * math.log(97) + (kinds - text) * stray)
    return process + log_of_sum(bases)


def readings(account: Account, only: FrameFormat | None = None) -> list[Reading]:
    """Every meaning that the cells of an account can have.

    Args:
        account: the frames.
        only: the one format that is allowed; by default all are.
    """
    words, body = account.words, account.body
    by_stop = {stop: _dead_times(account, stop) for stop in (1.0, 1.5, 2.0)}
    found = []
    for parity in Parity:
        bits = body - 1 - (parity is not Parity.NONE)
        if not 5 <= bits <= 9:
            continue
        values = words >> 1 & ((1 << bits) - 1)
        score, errors = account.score, 0
        if parity is not Parity.NONE:
            wrong = _wrong_parity(values, words >> body - 1 & 1, parity)
            errors = int(wrong.sum())
            score += errors * _PARITY
        score += words_score(values, bits)
        for stop, gaps in by_stop.items():
            frame = FrameFormat(bits, parity, stop)
            if only is not None and frame != only:
                continue
            prior = math.log(_COMMON.get(str(frame), _SET if parity in _CONSTANT else _RARE))
            found.append(Reading(frame, score + gaps + prior, errors))
    return found


def _wrong_parity(values: IntArray, sent: IntArray, parity: Parity) -> npt.NDArray[np.bool_]:
    match parity:
        case Parity.MARK:
            wrong: npt.NDArray[np.bool_] = sent == 0
        case Parity.SPACE:
            wrong = sent == 1
        case _:
            wrong = (np.bitwise_count(values) & 1) ^ sent != (parity is Parity.ODD)
    return wrong
