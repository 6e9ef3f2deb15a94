"""From edges to frames and bursts, the way a receiver with a perfect clock would read them.

A frame starts with the edge that leaves the idle level. Each bit is read in the middle of its cell, counted
from that edge; with the bit time known this is right up to the ideal limit of a clock error of 0.5 / (N -
0.5) for a frame of N bits, stop bit included. Runs shorter than a quarter of a bit time are glitches: they
are dropped and counted. The next frame may start half a bit time before the first stop bit is over, as in
any receiver.

Everything is done in blocks of edges, so that a capture's length costs time and not memory.
"""

from __future__ import annotations

import enum
import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import Edges, FloatArray, IntArray
from profiles.bench.following import chain_of, without_glitches
from profiles.frames import FrameFormat, Parity

__all__ = [
    "GLITCH_BITS",
    "LONGEST_CELLS",
    "Block",
    "FrameError",
    "Frames",
    "LineTiming",
    "bursts",
    "decode_edges",
    "frame_blocks",
]

GLITCH_BITS = 0.25
"""Runs shorter than this many bit times are glitches."""
_BLOCK = 1 << 16
"""Edges decoded in one go."""
_LONGEST_BLOCK = 1 << 24
"""Edges of which none starts a frame, after which the ones before are given up: noise without end."""
LONGEST_CELLS = 64
"""Cells from the frame's start at which an edge is of no interest any more."""


class FrameError(enum.IntEnum):
    """What is wrong with a frame."""

    NONE = 0
    FRAMING = 1
    """There is no stop bit where it should be."""
    PARITY = 2
    """The parity bit does not fit."""
    BREAK = 3
    """The line left idle for longer than a frame."""

    @property
    def word(self) -> str | None:
        """As ``decode --json`` says it; None where nothing is wrong."""
        return None if self is FrameError.NONE else self.name.lower()


@dataclass(frozen=True, slots=True)
class LineTiming:
    """What the decoder has to know of a line, in ticks of the edges that it reads."""

    bit: float
    """Ticks in a bit time."""
    idle: int
    """The idle level, 0 or 1."""
    frame: FrameFormat
    shift: float = 0.0
    """How many ticks later edges back to idle come than edges away from it."""

    @property
    def body(self) -> int:
        """Cells before the stop bit: the start bit, data bits and parity bit."""
        return 1 + self.frame.data_bits + (self.frame.parity is not Parity.NONE)


@dataclass(frozen=True, slots=True)
class Block:
    """Some frames, with the edges that they were read from."""

    starts: FloatArray
    """Where each frame starts, in ticks."""
    words: IntArray
    """The cells of each frame, first cell lowest, start and first stop bit included; idle is 1."""
    firsts: IntArray
    """The index in ``edges`` of each frame's start edge."""
    edges: npt.NDArray[Any]
    """The edges, in ticks, without glitches."""
    cells: npt.NDArray[np.int8]
    """For each edge from ``firsts[0]`` on: the number of cells between the frame's start and it."""
    glitches: int
    false_starts: int
    """Times the line left idle for less than half a bit time, and more than a glitch."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Decoded frames, one array a property, all of one length."""

    starts: FloatArray
    """Seconds from the start of the capture to each start bit."""
    values: npt.NDArray[np.uint16]
    """The data bits, first bit on the line lowest."""
    errors: npt.NDArray[np.uint8]
    """A `FrameError` each."""
    ends: FloatArray
    """Seconds to the end of each frame: start and all of its bits, for a break the return to idle."""
    glitches: int = 0
    false_starts: int = 0
    lost_in_gaps: int = 0
    """Frames dropped because a stretch that was not recorded lies in them."""
    break_lengths: dict[int, float] = field(default_factory=dict)
    """For each break's index its length in seconds."""

    def __len__(self) -> int:
        return len(self.starts)

    @property
    def dead_times(self) -> FloatArray:
        """Seconds of idle line before each frame, nan for the first; never below zero."""
        dead = np.full(len(self.starts), np.nan)
        dead[1:] = np.maximum(self.starts[1:] - self.ends[:-1], 0.0)
        return dead

    @property
    def data(self) -> bytes:
        """The values of all frames without errors as bytes; of nine data bits the lowest eight."""
        good = self.values[self.errors == FrameError.NONE]
        low: npt.NDArray[np.uint8] = (good & 0xFF).astype(np.uint8)
        return low.tobytes()


def _further(times: npt.NDArray[Any], length: float) -> npt.NDArray[Any]:
    """Times moved on; whole ticks stay whole, so that a comparison with ``<`` comes out the same."""
    return times + (math.ceil(length) if times.dtype.kind == "i" else length)


def _steps(
    leaving: npt.NDArray[Any], returning: npt.NDArray[Any], timing: LineTiming
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
    """For each edge away from idle: how many further the next start is if this one starts a frame.

    Also which of them are no start at all, the line being back before the middle of the start bit.
    """
    reach = _further(leaving, (timing.body + 0.5) * timing.bit)
    steps = np.ones(len(leaving), np.uint8)
    for ahead in range(1, len(leaving)):
        inside = leaving[ahead:] < reach[:-ahead]
        if not inside.any():
            break
        steps[:-ahead] += inside
    false_start = returning - leaving[: len(returning)] < 0.5 * timing.bit + timing.shift
    if false_start.any():
        steps[: len(false_start)][false_start] = 1
    return steps, false_start


def first_start(edges: Edges, timing: LineTiming) -> int:
    """The index of the edge at which decoding should start.

    Where the capture begins in the middle of a frame, the first edge away from idle may be a data bit. Of the
    possible starts that one is taken which leads to the fewest faults, and of equal ones the first.
    """
    first = 0 if edges.first_level == timing.idle else 1
    if len(edges) <= first or edges.ticks[first] >= timing.body * timing.bit:
        return first  # a frame that was under way when the capture began is over by then
    best, fewest = first, math.inf
    # The next frame starts no further on than a frame whose bits alternate has edges.
    for start in range(first, first + timing.body, 2):
        block = next(frame_blocks(edges.part(start, first + 400), timing, start=0), None)
        if block is None or not len(block.words):
            break
        words = block.words[:60]
        bad = int(
            np.count_nonzero(words >> timing.body == 0) + np.count_nonzero(_parity_errors(words, timing))
        )
        if bad < fewest:
            best, fewest = start, bad
    return best


def frame_blocks(
    edges: Edges, timing: LineTiming, *, start: int | None = None, block: int = _BLOCK
) -> Iterator[Block]:
    """Read frames in blocks of edges.

    Args:
        edges: what was captured.
        timing: what is known of the line, in the ticks of ``edges``.
        start: the index of the first edge away from idle to start with; by default found.
        block: edges in one block.

    Yields:
        Blocks in the order of time. A last frame that the end of the capture cuts off is left out.
    """
    position = first_start(edges, timing) if start is None else start
    total = len(edges.ticks)
    shortest = GLITCH_BITS * timing.bit
    length = (timing.body + 0.5) * timing.bit
    while position < total:
        last = position + block >= total
        raw = edges.ticks[position : position + block]
        times, kept = without_glitches(raw, shortest)
        leaving, returning = times[0::2], times[1::2]
        steps, false_start = _steps(leaving, returning[: len(leaving)], timing)
        chain = chain_of(steps)
        if not len(chain):
            usable = 0
        elif last:
            usable = len(chain) - int(leaving[chain[-1]] + length > edges.end)
        else:
            usable = int(np.searchsorted(leaving[chain], leaving[-1] - 2 * LONGEST_CELLS * timing.bit))
        if not (usable or last) and block < _LONGEST_BLOCK:
            block *= 2
            continue
        stop = int(chain[usable]) if usable < len(chain) else len(leaving)
        if not (usable or last):
            stop = len(leaving)  # noise through all of the longest block: nothing of it is met again
        done = int(kept[2 * stop]) if stop < len(leaving) else len(raw)
        # Two edges each; those behind the last usable frame are met again in the next block.
        glitches = (done - min(2 * stop, len(times))) // 2
        chain = chain[:usable]
        good = chain
        if false_start.any():
            is_false = np.zeros(len(leaving), bool)
            is_false[: len(false_start)] = false_start
            good = chain[~is_false[chain]]
        if len(good):
            yield _read(times, good, 2 * stop, timing, glitches, len(chain) - len(good))
        elif glitches or len(chain):
            nothing: IntArray = np.empty(0, np.int64)
            yield Block(np.empty(0), nothing, nothing, times[:0], np.empty(0, np.int8), glitches, len(chain))
        if last:
            return
        position += done


def _read(
    times: npt.NDArray[Any], starts: IntArray, stop: int, timing: LineTiming, glitches: int, false_starts: int
) -> Block:
    """Read the frames that start at the edges ``2 * starts``; the last one's edges end at index ``stop``."""
    firsts = 2 * starts
    stop = min(stop, len(times))
    counts = np.diff(firsts, append=stop)
    begins = times[firsts]
    # A frame is a few hundred ticks long: single precision is enough once the start is taken off.
    since = (times[firsts[0] : stop] - np.repeat(begins, counts)).astype(np.float32)
    since *= np.float32(1.0 / timing.bit)
    since += np.float32(0.5)
    if timing.shift:
        since[1::2] -= np.float32(timing.shift / timing.bit)
    np.minimum(since, LONGEST_CELLS, out=since)
    cells = since.astype(np.int8)
    full = (1 << timing.body + 1) - 1
    flips = np.array([full & (full << cell) for cell in range(LONGEST_CELLS + 1)], np.uint16)
    words = np.bitwise_xor.reduceat(flips[cells], firsts - firsts[0]) ^ np.uint16(full)
    return Block(
        begins.astype(np.float64), words.astype(np.int64), firsts, times, cells, glitches, false_starts
    )


def _parity_errors(words: IntArray, timing: LineTiming) -> npt.NDArray[np.bool_]:
    parity = timing.frame.parity
    if parity is Parity.NONE:
        return np.zeros(len(words), bool)
    sent = words >> timing.body - 1 & 1
    if parity in (Parity.MARK, Parity.SPACE):
        wrong: npt.NDArray[np.bool_] = sent != (parity is Parity.MARK)
        return wrong
    ones = np.bitwise_count(words & (1 << timing.body) - 1)
    unequal: npt.NDArray[np.bool_] = (ones & 1) != (parity is Parity.ODD)
    return unequal


def decode_edges(edges: Edges, timing: LineTiming, *, start: int | None = None) -> Frames:
    """Read all frames of a capture.

    Args:
        edges: what was captured.
        timing: what is known of the line, in the ticks of ``edges``.
        start: the index of the first edge to start with, which has to lead away from idle; by default found.
    """
    starts, values, errors = [], [], []
    breaks: dict[int, float] = {}
    glitches = false_starts = count = 0
    mask = (1 << timing.frame.data_bits) - 1
    for block in frame_blocks(edges, timing, start=start):
        glitches += block.glitches
        false_starts += block.false_starts
        words = block.words
        state = np.zeros(len(words), np.uint8)
        state[_parity_errors(words, timing)] = FrameError.PARITY
        state[words >> timing.body == 0] = FrameError.FRAMING
        broken = np.flatnonzero(words == 0)
        state[broken] = FrameError.BREAK
        for index in broken.tolist():
            at = int(block.firsts[index]) + 1
            end = float(block.edges[at]) if at < len(block.edges) else edges.end
            breaks[count + index] = (end - float(block.starts[index])) * edges.tick
        starts.append(block.starts)
        values.append((words >> 1 & mask).astype(np.uint16))
        errors.append(state)
        count += len(words)
    if not count:
        return Frames(
            np.empty(0), np.empty(0, np.uint16), np.empty(0, np.uint8), np.empty(0), glitches, false_starts
        )
    begins = np.concatenate(starts) * edges.tick
    ends = begins + timing.frame.bits * timing.bit * edges.tick
    for index, seconds in breaks.items():
        ends[index] = begins[index] + seconds
    frames = Frames(
        begins,
        np.concatenate(values),
        np.concatenate(errors),
        ends,
        glitches,
        false_starts,
        break_lengths=breaks,
    )
    return _outside_gaps(frames, edges) if edges.gaps else frames


def _outside_gaps(frames: Frames, edges: Edges) -> Frames:
    """Drop the frames in which something was not recorded."""
    keep = np.ones(len(frames), bool)
    for begin, end in edges.gaps:
        keep &= (frames.ends <= begin * edges.tick) | (frames.starts >= end * edges.tick)
    new_index = np.cumsum(keep) - 1
    return Frames(
        frames.starts[keep],
        frames.values[keep],
        frames.errors[keep],
        frames.ends[keep],
        frames.glitches,
        frames.false_starts,
        int(np.count_nonzero(~keep)),
        {int(new_index[index]): length for index, length in frames.break_lengths.items() if keep[index]},
    )


def bursts(frames: Frames, gap: float) -> list[tuple[int, int]]:
    """Cut frames into bursts (first, last excluded): a new one after more than ``gap`` seconds of idle."""
    if not len(frames):
        return []
    cuts = np.flatnonzero(frames.dead_times[1:] > gap) + 1
    limits: list[int] = [0, *cuts.tolist(), len(frames)]
    return list(itertools.pairwise(limits))
