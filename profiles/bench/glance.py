"""A first glance at a line: every hypothesis about it scored at once, to weed with.

The same score that `account_for` without refinement and `rough_score` give, worked out for all trial bit
times and frame lengths together, a row each: a few hundred hypotheses on a hundred edges take as long as two
dozen one by one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from profiles.bench.bit_time import OUTLIER
from profiles.bench.edges import Edges, FloatArray, IntArray
from profiles.bench.hypotheses import (
    BREAK,
    FRAMING,
    GLITCH,
    SHIFT,
    account_for,
    body_format,
    expected_jitter,
    first_away,
)
from profiles.bench.meanings import rough_score, words_score
from profiles.bench.odds import jittered, log_intervals
from profiles.bench.uart import GLITCH_BITS, LONGEST_CELLS, LineTiming

__all__ = ["Guess", "glance"]

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Guess:
    """A hypothesis with its score."""

    timing: LineTiming
    score: float

    @property
    def body(self) -> int:
        """Cells before the stop bit."""
        return self.timing.body


def glance(edges: Edges, trials: Sequence[float], idles: Sequence[int], bodies: Sequence[int]) -> list[Guess]:
    """Score every combination of bit time, idle level and frame length that reads a frame.

    Args:
        edges: a hundred or two.
        trials: bit times in ticks.
        idles: levels.
        bodies: cells before the stop bit.

    Returns:
        The hypotheses, the likeliest first.
    """
    shortest = float(np.diff(edges.ticks).min()) if len(edges) > 1 else math.inf
    # Where a run would be a glitch, each bit time has edges of its own: those are read one by one.
    plain = [trial for trial in trials if shortest >= GLITCH_BITS * trial]
    found: list[Guess] = []
    for idle in idles:
        rows = list(itertools.product(plain, bodies))
        if rows:
            found += _Together(edges, rows, idle).guesses()
    for trial, idle, body in itertools.product([t for t in trials if t not in plain], idles, bodies):
        account = account_for(edges, trial, idle, body, refine=False)
        if account is not None:
            found.append(Guess(account.timing, rough_score(account)))
    found.sort(key=lambda guess: -guess.score)
    return found


@dataclass(frozen=True, slots=True)
class _Read:
    """All edges that lie in frames, one list for all rows, and all frames, another."""

    row: IntArray
    """For each edge: whose it is."""
    column: IntArray
    """Which edge it is."""
    frame: IntArray
    """Which of all frames it is in."""
    begins: IntArray
    """For each frame: its start edge's place in the list."""
    cells: IntArray
    """For each edge: cells from its frame's start."""
    off: FloatArray
    """Ticks from its place."""
    words: IntArray
    """For each frame: its cells, the first lowest, idle being 1."""
    stopped: Mask
    """Whether it has a stop bit."""
    explained: Mask
    """For each edge: whether it is a start or a cell's border."""

    @property
    def whose(self) -> IntArray:
        """For each frame its row."""
        return self.row[self.begins]


class _Together:
    """All hypotheses with one idle level, a row each; a column is an edge."""

    def __init__(self, edges: Edges, rows: Sequence[tuple[float, int]], idle: int) -> None:
        self.rows = rows
        self.idle = idle
        self.skipped = first_away(edges, idle)
        self.before = np.asarray(edges.ticks[: self.skipped + 1], np.float64)
        self.times = np.asarray(edges.ticks[self.skipped :], np.float64)
        self.end = edges.end
        self.scale = expected_jitter(edges)
        self.bits = np.array([bit for bit, _ in rows])
        self.bodies = np.array([body for _, body in rows])

    def guesses(self) -> list[Guess]:
        """The hypotheses that read a frame."""
        if not len(self.times):
            return []
        is_start, stop, false_starts = self._starts()
        alive = np.flatnonzero(is_start.any(axis=1)).tolist()
        if not alive:
            return []
        score = self._score(is_start, stop, false_starts).tolist()
        found = []
        for at in alive:
            bit, body = self.rows[at]
            found.append(Guess(LineTiming(bit, self.idle, body_format(body)), score[at]))
        return found

    def _starts(self) -> tuple[Mask, IntArray, IntArray]:
        """Which edges start a frame, the edge at which the last one ends, and how many starts are false."""
        leaving, returning = self.times[0::2], self.times[1::2]
        count, height = len(leaving), len(self.rows)
        length = (self.bodies + 0.5) * self.bits
        following = np.searchsorted(leaving, leaving + length[:, None])
        false = np.zeros((height, count), bool)
        false[:, : len(returning)] = returning - leaving[: len(returning)] < 0.5 * self.bits[:, None]
        following = np.where(false, np.arange(1, count + 1), following)
        visited = np.zeros((height, count + 1), bool)
        place, row = np.zeros(height, np.int64), np.arange(height)
        last = place
        while (place < count).any():
            visited[row, place] = True
            last = np.where(place < count, place, last)
            place = np.concatenate((following, np.full((height, 1), count)), axis=1)[row, place]
        visited = visited[:, :count]
        # A last frame that the end of the capture cuts off is left out.
        cut = leaving[last] + length > self.end
        visited[cut, last[cut]] = False
        stop = np.where(cut, 2 * last, len(self.times))
        is_start = np.zeros((height, len(self.times)), bool)
        is_start[:, 0::2] = visited & ~false
        return is_start, stop, (visited & false).sum(axis=1)

    def _score(self, is_start: Mask, stop: IntArray, false_starts: IntArray) -> FloatArray:
        read = self._read(is_start, stop)
        score = -self._unexplained(is_start, read)
        score += FRAMING * self._by_row(read.whose, ~read.stopped & (read.words != 0))
        score += BREAK * self._by_row(read.whose, read.words == 0)
        score += false_starts * (GLITCH - 2 * np.log(20 * self.bits))
        taken = read.explained.copy()
        taken[read.begins] = False
        number = self._by_row(read.row[taken], taken[taken])
        fitted, edges = self._fitted(read)
        plain = self._by_row(read.row[taken], read.off[taken] ** 2)
        squares = np.where((edges >= number) & ~np.isnan(fitted), fitted, plain)
        limits = np.searchsorted(read.whose, np.arange(len(self.rows) + 1))
        for at, (_, body) in enumerate(self.rows):
            said = slice(limits[at], limits[at + 1])
            words = read.words[said][read.stopped[said]]
            score[at] += words_score(words >> 1, body - 1)
            score[at] += jittered(float(squares[at]), max(float(number[at]) - 1, 0.0), self.scale)
        return score

    def _read(self, is_start: Mask, stop: IntArray) -> _Read:
        """The cells of all frames, in single precision as frames are read."""
        index = np.arange(len(self.times))
        start_at = np.maximum.accumulate(np.where(is_start, index, -1), axis=1)
        row, column = np.nonzero((start_at >= 0) & (index < stop[:, None]))
        begins = np.flatnonzero(is_start[row, column])
        frame = np.cumsum(is_start[row, column]) - 1
        bit, body = self.bits[row], self.bodies[row]
        since = self.times[column] - self.times[start_at[row, column]]
        places = since.astype(np.float32) * (1.0 / bit).astype(np.float32) + np.float32(0.5)
        cells: IntArray = np.clip(places, 0, LONGEST_CELLS).astype(np.int64)
        full = (1 << body + 1) - 1
        words = np.bitwise_xor.reduceat(full & (full << np.minimum(cells, 16)), begins) ^ full[begins]
        stopped = words >> body[begins] != 0
        explained = stopped[frame] & (cells <= body)
        explained[begins] = True
        return _Read(row, column, frame, begins, cells, since - cells * bit, words, stopped, explained)

    def _unexplained(self, is_start: Mask, read: _Read) -> FloatArray:
        """What the intervals cost that could be anything: those outside frames, and from start to start."""
        away = np.ones(is_start.shape, bool)
        away[read.row[read.explained], read.column[read.explained]] = False
        # The interval before the first frame's start is no part of a frame either.
        away |= np.arange(len(self.times)) == is_start.argmax(axis=1)[:, None]
        away[:, 0] = False
        cost: FloatArray = (away * log_intervals(np.diff(self.times, prepend=self.times[0] - 1.0))).sum(
            axis=1
        )
        starts = self.times[read.column[read.begins]]
        together = read.whose[1:] == read.whose[:-1]
        cost += self._by_row(read.whose[1:][together], log_intervals(np.diff(starts)[together]))
        return cost + float(log_intervals(np.diff(self.before)).sum())

    def _by_row(self, row: IntArray, values: npt.NDArray[Any]) -> FloatArray:
        """The sum of values over each row."""
        summed: FloatArray = np.bincount(row, values.astype(np.float64), len(self.rows)).astype(np.float64)
        return summed

    def _fitted(self, read: _Read) -> tuple[FloatArray, FloatArray]:
        """The squares that are left when bit time and shift are fitted, and the edges that they are of.

        The sums are those of `BitSums`, a row each; nan where there is nothing to fit.
        """
        within = read.cells <= self.bodies[read.row]
        usable = read.stopped.copy()
        usable[read.frame[within & (np.abs(read.off) > OUTLIER * self.bits[read.row])]] = False
        take = usable[read.frame] & within
        row, frame = read.row[take], read.frame[take]
        c, y = read.cells[take].astype(np.float64), read.off[take]
        r = (read.column[take] & 1).astype(np.float64)
        whose, frames = read.whose[usable], np.cumsum(usable) - 1
        size = np.bincount(frames[frame], minlength=len(whose)).astype(np.float64)

        def centred(one: FloatArray, other: FloatArray) -> FloatArray:
            sums = [np.bincount(frames[frame], each, len(whose)) for each in (one, other)]
            return self._by_row(row, one * other) - self._by_row(whose, sums[0] * sums[1] / size)

        cc, cr, rr = centred(c, c), centred(c, r), centred(r, r)
        cy, ry, yy = centred(c, y), centred(r, y), centred(y, y)
        left = self._by_row(row, np.ones(len(row))) - self._by_row(whose, np.ones(len(whose)))
        jitter = np.maximum(yy / np.maximum(left, 1), (0.01 * self.bits) ** 2)
        expected: FloatArray = rr + jitter / (SHIFT * self.bits) ** 2
        with np.errstate(divide="ignore", invalid="ignore"):
            determinant = cc * expected - cr * cr
            known = determinant > 1e-9 * cc * expected
            by = np.where(known, (expected * cy - cr * ry) / determinant, cy / cc)
            shift = np.where(known, (cc * ry - cr * cy) / determinant, 0.0)
            squares = (
                yy - 2 * (by * cy + shift * ry) + by * by * cc + 2 * by * shift * cr + shift * shift * rr
            )
        return np.where(cc > 0, np.maximum(squares, 0.0), np.nan), left
