"""How well a line setting explains a line: one number for each, to be weighed against the others.

Every hypothesis (bit time, idle level, number of cells in a frame) has to account for every edge of the
same sample:

- an edge inside a frame lies near a cell's border, with a jitter that is not known beforehand;
- a start edge comes straight after the frame before or after dead time of any length;
- an edge that the hypothesis has no place for (in a glitch, in a frame without a stop bit) could be anywhere;
- what the cells mean is weighed apart (`meanings`).

The logarithm of the probability of all that is the score. Two rival accounts are scored in the same way:
edges at any time (no digital line at all), and clocked bits without frames (a synchronous line).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from profiles.bench.bit_time import BitFit, BitSums
from profiles.bench.edges import Edges, FloatArray, IntArray
from profiles.bench.numeric import dot
from profiles.bench.odds import anywhere, jittered
from profiles.bench.uart import Block, LineTiming, frame_blocks
from profiles.frames import FrameFormat, Parity

__all__ = [
    "BREAK",
    "FRAMING",
    "GLITCH",
    "SHIFT",
    "Account",
    "account_for",
    "anything_goes",
    "body_format",
    "clocked_bits",
    "expected_jitter",
    "first_away",
    "is_clock",
]

_JITTER = 0.03
"""Jitter expected before looking, as a share of a short run."""
SHIFT = 0.08
"""Size of the shift between rising and falling edges expected before looking, in bit times."""
_CLOCK_EDGES = 20
"""So many edges are too few to call a line a clock."""
_CLOCK_SPREAD = 0.12
"""By how much a clock's times between edges may differ: its two halves, and where samples fall."""
FRAMING, BREAK, GLITCH = (math.log(p) for p in (0.002, 0.01, 0.01))


def body_format(body: int) -> FrameFormat:
    """A frame with ``body`` cells before its stop bit, whatever they mean."""
    return FrameFormat(body - 1) if body < 11 else FrameFormat(9, Parity.EVEN)


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


def first_away(edges: Edges, idle: int) -> int:
    """The first edge that leads away from idle."""
    return 0 if edges.first_level == idle else 1


def expected_jitter(edges: Edges) -> float:
    """The jitter expected before looking, in ticks: one for all hypotheses, lest small bit times gain."""
    runs = np.diff(edges.ticks).astype(np.float64)
    typical = float(np.partition(runs, len(runs) // 4)[len(runs) // 4]) if len(runs) else 1.0
    return max(math.hypot(_JITTER * typical, 0.3 * edges.resolution), 1e-12)


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
        start = first_away(edges, idle)
    for _ in range(3 if refine else 1):
        blocks = list(frame_blocks(edges, timing, start=start, block=1 << 20))
        blocks = [block for block in blocks if len(block.words)]
        if not blocks:
            return None
        sums = BitSums(timing)
        sums.add(blocks[0])
        fit = sums.solve(shift_prior=SHIFT * timing.bit)
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
    skipped = anywhere(np.diff(edges.ticks[: start + 1].astype(np.float64)))
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
    score = anywhere(np.diff(times[: first + 1])) + anywhere(np.diff(times[first + count - 1 :]))
    score += anywhere(times[stray] - times[stray - 1])
    residual = times[first : first + count] - block.starts[owner] - block.cells * bit
    residual[1::2] -= timing.shift
    inside = explained & ~is_start
    taken = residual[inside]
    squares = fit.squares if fit is not None and fit.edges - fit.frames >= len(taken) else dot(taken, taken)
    if timing.shift:
        score -= 0.5 * (timing.shift / (SHIFT * bit)) ** 2
    score += int(bad.sum()) * FRAMING + int(broken.sum()) * BREAK
    odd = block.glitches + block.false_starts
    score += odd * (GLITCH - 2 * math.log(20 * bit))
    spacing = np.diff(block.starts)[stopped[:-1]] / bit
    # After a frame that went wrong the next start could be anywhere.
    score += anywhere(np.diff(block.starts)[~stopped[:-1]])
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
        expected_jitter(edges),
    )


def anything_goes(edges: Edges) -> float:
    """The score of edges at any time: the line is no digital line."""
    times = np.asarray(edges.ticks, np.float64)
    return anywhere(np.diff(times)) if len(times) > 1 else 0.0


def is_clock(edges: Edges) -> bool:
    """Whether a line is a clock: it changes after equal times from the capture's beginning to its end.

    A byte such as 55 hex, sent again and again without dead time, looks like that too, at one rate or other:
    what tells it is idle line before the first of its frames or after the last.
    """
    if len(edges) <= _CLOCK_EDGES:
        return False
    runs = np.diff(edges.ticks[: 1 << 16].astype(np.float64))
    mean = float(runs.mean())
    idle = max(float(edges.ticks[0]), edges.end - float(edges.ticks[-1]))
    return idle <= 1.5 * mean and bool(np.abs(runs - mean).max() <= _CLOCK_SPREAD * mean)


def clocked_bits(edges: Edges, bit: float) -> float:
    """The score of bits at a steady clock without frames around them: a synchronous line."""
    runs = np.diff(np.asarray(edges.ticks, np.float64))
    cells = np.rint(runs / bit)
    inside = (cells >= 1) & (cells <= 40)
    exact = runs[inside]
    number = cells[inside]
    if len(exact) < 3:
        return -math.inf
    fitted = dot(exact, number) / dot(number, number)
    residual = exact - number * fitted
    score = anywhere(runs[~inside]) - float(number.sum()) * math.log(2)
    # A run has two edges with jitter.
    squares = dot(residual, residual) / 2
    jitter = jittered(squares, len(exact) - 1, expected_jitter(edges))
    return score + jitter - len(exact) * math.log(math.sqrt(2))
