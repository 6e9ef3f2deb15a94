"""How well a line setting explains a line: one number for each, to be weighed against the others.

Every hypothesis (bit time, idle level, number of cells in a frame) has to account for every edge of the
same sample:

- an edge inside a frame lies near a cell's border, with a jitter that is not known beforehand;
- a start edge comes straight after the frame before or after dead time of any length;
- an edge that the hypothesis has no place for (in a glitch, in a frame without a stop bit) could be anywhere;
- the data bits are not known, but frames that say the same thing again cost less, and so do those with a
  parity bit that fits.

The logarithm of the probability of all that is the score. Two rival accounts are scored in the same way:
edges at any time (no digital line at all), and clocked bits without frames (a synchronous line).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from profiles.bench.bit_time import BitFit, BitSums
from profiles.bench.edges import Edges, FloatArray, IntArray
from profiles.bench.uart import Block, LineTiming, frame_blocks
from profiles.frames import FrameFormat, Parity

__all__ = [
    "Account",
    "Reading",
    "account_for",
    "anything_goes",
    "body_format",
    "clocked_bits",
    "readings",
    "rough_score",
]

_SCALES = math.log(1e7)
"""A time of which nothing is known may lie anywhere on so many e-folds."""
_JITTER = 0.03
"""Jitter expected before looking, in bit times; it weighs as much as two edges."""
_JITTER_WEIGHT = 2.0
_SHIFT = 0.08
"""Size of the shift between rising and falling edges expected before looking, in bit times."""
_FRAMING, _PARITY, _BREAK, _GLITCH, _EARLY = (math.log(p) for p in (0.002, 0.002, 0.01, 0.01, 0.002))
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
_COMMON |= {
    "7E2": 0.01,
    "7N2": 0.01,
    "7O2": 0.01,
    "8E2": 0.01,
    "8O2": 0.01,
    "5N1": 0.01,
    "5N1.5": 0.01,
    "6N1": 0.01,
}
_RARE = 0.003
_SET = 0.0006
"""A parity bit that never changes: hardly anybody sets it so."""
_CONSTANT = (Parity.MARK, Parity.SPACE)


def body_format(body: int) -> FrameFormat:
    """A frame with ``body`` cells before its stop bit, whatever they mean."""
    return FrameFormat(body - 1) if body < 11 else FrameFormat(9, Parity.EVEN)


@dataclass(frozen=True, slots=True)
class Reading:
    """One meaning of a frame's cells, with its score."""

    frame: FrameFormat
    score: float
    """Logarithm of the probability, of everything."""
    parity_errors: int
    stop_known: bool
    """Whether frames follow each other so closely that the number of stop bits shows."""


@dataclass(frozen=True, slots=True)
class Account:
    """What one hypothesis says of a sample of edges."""

    timing: LineTiming
    fit: BitFit | None
    body: int
    words: IntArray
    """The frames' cells, those without a stop bit left out."""
    framing_errors: int
    breaks: int
    glitches: int
    score: float
    """Logarithm of the probability of what the frames don't explain."""
    spacing: FloatArray
    """Bit times from each good frame's start to the next frame's start."""
    squares: float
    """The sum of the squared distances of edges inside frames from their places, in ticks."""
    residuals: int
    """How many such distances there are, less one for the fitted bit time."""
    scale: float
    """The jitter expected before looking, in ticks."""
    start: int = 0
    """The edge that reading started at."""

    @property
    def frames(self) -> int:
        """Frames read, good and bad."""
        return len(self.words) + self.framing_errors + self.breaks


def _anywhere(intervals: FloatArray) -> float:
    """Edges that follow each other after intervals of which not even the order of magnitude is known."""
    return -float(np.log(np.maximum(intervals, 1e-9) * _SCALES).sum())


def _jittered(squares: float, count: float, scale: float) -> float:
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


def _scale(bit: float, resolution: float) -> float:
    return math.hypot(_JITTER * bit, 0.3 * resolution)


def account_for(
    edges: Edges, bit: float, idle: int, body: int, *, refine: bool = True, start: int | None = None
) -> Account | None:
    """Read a sample with one hypothesis, fit its bit time, and score it.

    Args:
        edges: the sample, a few thousand edges at most.
        bit: trial bit time in ticks.
        idle: trial idle level.
        body: trial number of cells before the stop bit.
        refine: whether the bit time may be fitted.
        start: the edge to start reading at; by default the first one away from idle.

    Returns:
        The account, or None where not one frame can be read.
    """
    timing = LineTiming(bit, idle, body_format(body))
    fit: BitFit | None = None
    blocks: list[Block] = []
    if start is None:
        start = 0 if edges.first_level == idle else 1
    for _ in range(3 if refine else 1):
        blocks = list(frame_blocks(edges, timing, start=start, block=1 << 20))
        blocks = [block for block in blocks if len(block.words)]
        if not blocks:
            return None
        sums = BitSums(timing)
        sums.add(blocks[0])
        fit = sums.solve(shift_prior=_SHIFT * timing.bit)
        if fit is None or not refine:
            break
        change = abs(fit.bit / timing.bit - 1)
        if not 0.93 < fit.bit / bit < 1.07 or abs(fit.shift) > 0.45 * fit.bit:
            fit = None
            break
        timing = LineTiming(fit.bit, idle, timing.frame, fit.shift)
        if change < 2e-4:
            break
    account = dataclasses.replace(_score(edges, timing, blocks[0], fit), start=start)
    skipped = _anywhere(np.diff(edges.ticks[: start + 1].astype(np.float64)))
    return dataclasses.replace(account, score=account.score + skipped)


def _score(edges: Edges, timing: LineTiming, block: Block, fit: BitFit | None) -> Account:
    body, bit = timing.body, timing.bit
    words, firsts = block.words, block.firsts
    stopped = words >> body != 0
    broken = words == 0
    bad = ~stopped & ~broken
    first = int(firsts[0])
    times = block.edges
    count = len(block.cells)
    owner = np.repeat(np.arange(len(firsts)), np.diff(firsts, append=first + count))
    is_start = np.zeros(count, bool)
    is_start[firsts - first] = True
    explained = is_start | (stopped[owner] & (block.cells <= body))
    stray = np.flatnonzero(~explained) + first
    stray = stray[stray > 0]
    # What comes before the first frame and after the last whole one is not explained either.
    score = _anywhere(np.diff(times[: first + 1])) + _anywhere(np.diff(times[first + count - 1 :]))
    score += _anywhere(times[stray] - times[stray - 1])
    residual = times[first : first + count] - block.starts[owner] - block.cells * bit
    inside = explained & ~is_start
    taken = residual[inside]
    squares = (
        fit.squares if fit is not None and fit.edges - fit.frames >= len(taken) else float(taken @ taken)
    )
    if timing.shift:
        score -= 0.5 * (timing.shift / (_SHIFT * bit)) ** 2
    score += int(bad.sum()) * _FRAMING + int(broken.sum()) * _BREAK
    odd = block.glitches + block.false_starts
    score += odd * (_GLITCH - 2 * math.log(20 * bit))
    spacing = np.diff(block.starts)[stopped[:-1]] / bit
    # After a frame that went wrong the next start could be anywhere.
    score += _anywhere(np.diff(block.starts)[~stopped[:-1]])
    return Account(
        timing,
        fit,
        body,
        words[stopped],
        int(bad.sum()),
        int(broken.sum()),
        odd,
        score,
        spacing,
        squares,
        max(len(taken) - 1, 0),
        _scale(bit, edges.resolution),
    )


def _dead_times(account: Account, stop: float) -> tuple[float, bool]:
    """The score of jitter and of times between starts, and whether frames show so many stop bits.

    A start may come straight after the stop bits, after a whole number of bit times, or at any time; and a
    time that was there before is likely to come again (senders pace themselves).
    """
    bit, spacing = account.timing.bit, account.spacing
    if not len(spacing):
        return _jittered(account.squares, account.residuals, account.scale), False
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
    squares = float(near @ near)
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
        squares += float(off[again] @ off[again])
        exact += int((counts[alike] - 1).sum())
        score += _anywhere(centre[alike] * bit) + _anywhere(free[~again] * bit)
    score += len(sizes) * math.log(_NEW_TIME) - math.lgamma(_NEW_TIME + len(spacing)) + math.lgamma(_NEW_TIME)
    score += sum(math.lgamma(size) for size in sizes)
    # Between two starts there is the jitter of both.
    squares = account.squares + squares * bit * bit / 2
    score += _jittered(squares, account.residuals + exact, account.scale) - exact * math.log(math.sqrt(2))
    return score, bool(tight.any())


def _data(values: IntArray, bits: int) -> float:
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
    return process + _sum_of_exponentials(bases)


def _sum_of_exponentials(logs: list[float]) -> float:
    most = max(logs)
    return most + math.log(sum(math.exp(value - most) for value in logs))


def rough_score(account: Account) -> float:
    """The score of an account with every cell a data bit and dead times of any length, to weed with."""
    jitter = _jittered(account.squares, account.residuals, account.scale)
    gaps = _anywhere(account.spacing * account.timing.bit)
    return account.score + jitter + gaps + _data(account.words >> 1, account.body - 1)


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
        score += _data(values, bits)
        for stop, (gaps, shown) in by_stop.items():
            frame = FrameFormat(bits, parity, stop)
            if only is not None and frame != only:
                continue
            prior = math.log(_COMMON.get(str(frame), _SET if parity in _CONSTANT else _RARE))
            found.append(Reading(frame, score + gaps + prior, errors, shown))
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


def anything_goes(edges: Edges) -> float:
    """The score of edges at any time: the line is no digital line."""
    times = np.asarray(edges.ticks, np.float64)
    return _anywhere(np.diff(times)) if len(times) > 1 else 0.0


def clocked_bits(edges: Edges, bit: float) -> float:
    """The score of bits at a steady clock without frames around them: a synchronous line."""
    runs = np.diff(np.asarray(edges.ticks, np.float64))
    cells = np.rint(runs / bit)
    inside = (cells >= 1) & (cells <= 40)
    exact = runs[inside]
    number = cells[inside]
    if len(exact) < 3:
        return -math.inf
    fitted = float(exact @ number / (number @ number))
    residual = exact - number * fitted
    score = _anywhere(runs[~inside]) - float(number.sum()) * math.log(2)
    # A run has two edges with jitter.
    squares = float(residual @ residual) / 2
    jitter = _jittered(squares, len(exact) - 1, _scale(bit, edges.resolution))
    return score + jitter - len(exact) * math.log(math.sqrt(2))
