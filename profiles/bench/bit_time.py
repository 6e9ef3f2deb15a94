"""The bit time by least squares, with its standard error.

Dead times are arbitrary, so frames share no grid: each has a start of its own. An edge that lies n cells
after its frame's start is at ``start + n bit + (shift, if it leads back to idle)``. The starts are got rid
of by taking each frame's edges against their mean; what is left are two numbers, bit time and shift, from
all frames together. For jitter of equal size on all edges, start edges included, this is the estimate with
the least possible spread (the Gauss-Markov theorem), so for Gaussian jitter it lies on the Cramer-Rao
bound.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from profiles.bench.edges import Edges
from profiles.bench.numeric import dot
from profiles.bench.uart import Block, LineTiming, frame_blocks

__all__ = ["ENOUGH", "OUTLIER", "BitFit", "BitSums", "fit_bit_time", "fit_line"]

ENOUGH = 1 << 18
"""Edges up to which all are fitted. Of more, so many are taken from all over the capture: the standard error
is a thousandth of one edge's jitter by then."""
_STRETCHES = 32

OUTLIER = 0.4
"""Frames with an edge further than this many bit times from its place say nothing about the bit time."""


@dataclass(frozen=True, slots=True)
class BitFit:
    """A fitted bit time, in ticks."""

    bit: float
    """Ticks in a bit time."""
    error: float
    """The standard error of ``bit``; infinite where there are not enough edges to tell."""
    shift: float
    """How much later edges back to idle come."""
    shift_known: bool
    """False where bit time and shift can't be told apart (each frame has one low run of the same length);
    the shift is then taken for none."""
    jitter: float
    """Standard deviation of one edge around its place."""
    leverage: float
    """The standard error of ``bit`` for a jitter of 1."""
    edges: int
    frames: int
    squares: float
    """The sum of the squared residuals."""

    @property
    def freedom(self) -> int:
        """Degrees of freedom: what is left of the edges when starts, bit time and shift are fitted."""
        return self.edges - self.frames - 1 - self.shift_known


@dataclass(slots=True)
class BitSums:
    """The sums of the normal equations, gathered block by block."""

    timing: LineTiming
    cc: float = 0.0
    cr: float = 0.0
    rr: float = 0.0
    cy: float = 0.0
    ry: float = 0.0
    yy: float = 0.0
    edges: int = 0
    frames: int = 0

    def add(self, block: Block) -> None:
        """Take in a block's frames: those with a stop bit whose edges all are near their cells' borders."""
        if not len(block.firsts):
            return
        body, bit = self.timing.body, self.timing.bit
        first, cells = int(block.firsts[0]), block.cells
        counts = np.diff(block.firsts, append=first + len(cells))
        c = cells.astype(np.float64)
        y = block.edges[first : first + len(cells)] - np.repeat(block.starts, counts)
        y -= c * bit
        if self.timing.shift:
            y[1::2] -= self.timing.shift
        r = np.zeros(len(c))
        r[1::2] = 1.0
        begins = block.firsts - first
        outside = (cells > body) | (np.abs(y) > OUTLIER * bit)
        unstopped = block.words >> body == 0
        if outside.any() or unstopped.any():
            owner = np.repeat(np.arange(len(begins)), counts)
            usable = ~unstopped
            usable[owner[outside & (cells <= body)]] = False
            take = np.flatnonzero(usable[owner] & (cells <= body))
            if not len(take):
                return
            owner, c, y, r = owner[take], c[take], y[take], r[take]
            begins = np.flatnonzero(np.diff(owner, prepend=-1))
            counts = np.diff(begins, append=len(owner))
        of_c, of_r, of_y = (np.add.reduceat(values, begins) for values in (c, r, y))
        self.cc += dot(c, c) - float((of_c * of_c / counts).sum())
        self.cr += dot(c, r) - float((of_c * of_r / counts).sum())
        self.rr += dot(r, r) - float((of_r * of_r / counts).sum())
        self.cy += dot(c, y) - float((of_c * of_y / counts).sum())
        self.ry += dot(r, y) - float((of_r * of_y / counts).sum())
        self.yy += dot(y, y) - float((of_y * of_y / counts).sum())
        self.edges += len(c)
        self.frames += len(begins)

    def solve(self, *, shift_prior: float | None = None) -> BitFit | None:
        """The fit, or None where there is not one frame with two edges.

        Args:
            shift_prior: ticks; where given, the shift is expected to be of about this size, which keeps it in
                bounds where few edges can't tell it from the bit time.
        """
        if self.cc <= 0:
            return None
        cc, cr, rr = self.cc, self.cr, self.rr
        if shift_prior is not None:
            jitter = max(self.yy / max(self.edges - self.frames, 1), (0.01 * self.timing.bit) ** 2)
            rr += jitter / shift_prior**2
        determinant = cc * rr - cr * cr
        known = determinant > 1e-9 * cc * rr and rr > 0
        if known:
            bit = (rr * self.cy - cr * self.ry) / determinant
            shift = (cc * self.ry - cr * self.cy) / determinant
            inverse = rr / determinant
        else:
            bit, shift, inverse = self.cy / cc, 0.0, 1 / cc
        explained = 2 * (bit * self.cy + shift * self.ry)
        curvature = bit * bit * self.cc + 2 * bit * shift * self.cr + shift * shift * self.rr
        squares = max(self.yy - explained + curvature, 0.0)
        freedom = self.edges - self.frames - 1 - known
        jitter = math.sqrt(squares / freedom) if freedom > 0 else math.inf
        return BitFit(
            self.timing.bit + bit,
            jitter * math.sqrt(inverse) if freedom > 0 else math.inf,
            self.timing.shift + shift,
            known,
            jitter if freedom > 0 else 0.0,
            math.sqrt(inverse),
            self.edges,
            self.frames,
            squares,
        )


def fit_bit_time(
    blocks: Iterable[Block], timing: LineTiming, *, shift_prior: float | None = None
) -> BitFit | None:
    """Fit bit time and shift to decoded frames.

    Args:
        blocks: what `frame_blocks` read with ``timing``.
        timing: the timing that they were read with, in ticks.
        shift_prior: the size expected of the shift, in ticks; by default it is free.

    Returns:
        The fit, or None where no frame has two edges.
    """
    sums = BitSums(timing)
    for block in blocks:
        sums.add(block)
    return sums.solve(shift_prior=shift_prior)


def fit_line(edges: Edges, timing: LineTiming, *, start: int | None = None) -> BitFit | None:
    """Fit bit time and shift to a capture: to all of its frames, or, of a long one, to stretches all over it.

    Args:
        edges: what was captured.
        timing: what is known of the line, in the ticks of ``edges``.
        start: the edge to start reading at; by default found.

    Returns:
        The fit, or None where no frame has two edges.
    """
    if len(edges) <= ENOUGH:
        return fit_bit_time(frame_blocks(edges, timing, start=start), timing)
    sums = BitSums(timing)
    for first in np.linspace(0, len(edges) - ENOUGH // _STRETCHES, _STRETCHES).astype(int).tolist():
        stretch = edges.part(first, first + ENOUGH // _STRETCHES)
        # A start in the middle of a frame does no harm: its edges are whole bit times apart as well.
        away = int(stretch.first_level != timing.idle)
        for block in frame_blocks(stretch, timing, start=start if first == 0 and start is not None else away):
            sums.add(block)
    return sums.solve()
