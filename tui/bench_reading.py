"""A decoded line as one text of bytes, and how that text is broken into rows. Pure.

However long a capture is, nothing here is made for each byte before somebody looks at it.
"""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from profiles.bench.comparison import Comparison, Pair
from profiles.bench.decoding import DecodedChannel, DecodedSegment
from profiles.bench.edges import FloatArray
from profiles.bench.uart import FrameError, LineTiming
from profiles.frames import BitOrder, FrameFormat

__all__ = ["Cell", "Reading", "Rows", "Slot", "Slots"]

_LOOKED_AT = 2_000
_PRINTABLE_SHARE = 0.7


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell of a frame as it was read."""

    name: str
    """start, stop, parity, or the data bit's place as it is on the line, from 1."""
    level: int
    """What a receiver reads: 1 is the idle level."""
    begin: float
    """Seconds from the capture's start."""
    end: float


class Reading:
    """The bytes of a channel, through all of its segments, counted from 0.

    Args:
        channel: as it was decoded.
    """

    def __init__(self, channel: DecodedChannel) -> None:
        self.channel = channel
        # Frames that were read at a guess are shown as well, and told as what they are.
        self.parts: list[DecodedSegment] = []
        self._timings: list[LineTiming] = []
        self._firsts: list[int] = []
        starts: list[int] = []
        count = 0
        for part in channel.segments:
            if part.fit.timing is None or part.fit.refusal:
                continue
            self.parts.append(part)
            self._timings.append(part.fit.timing)
            self._firsts.append(count)
            starts += [count + first for first, _ in part.bursts]
            count += len(part.segment.frames)
        self._count = count
        self.burst_starts = starts
        """The first byte of each burst."""
        self._edges: FloatArray | None = None
        self._text: bytes | None = None

    def __len__(self) -> int:
        return self._count

    @property
    def told(self) -> bool:
        """Whether the line's settings could be told; else the bytes are a guess."""
        return all(part.fit.frame is not None for part in self.parts) and bool(self.parts)

    @property
    def sure(self) -> DecodedSegment:
        """The segment whose answers stand for the channel."""
        return self.channel.main

    def _part(self, byte: int) -> int:
        at = bisect.bisect_right(self._firsts, byte) - 1
        # Segments without a byte share their first index with the next one.
        while at < len(self.parts) - 1 and byte - self._firsts[at] >= len(self.parts[at].segment.frames):
            at += 1
        return at

    def place(self, byte: int) -> tuple[DecodedSegment, int]:
        """A byte's segment, and its index there."""
        at = self._part(byte)
        return self.parts[at], byte - self._firsts[at]

    def index(self, part: DecodedSegment, local: int) -> int:
        """The number of a byte that a segment knows by another."""
        return self._firsts[next(n for n, each in enumerate(self.parts) if each is part)] + local

    def value(self, byte: int) -> int:
        """The byte, in the order of bits that was found or given."""
        part, local = self.place(byte)
        return part.values[local]

    def error(self, byte: int) -> FrameError:
        """What is wrong with its frame."""
        part, local = self.place(byte)
        return FrameError(int(part.segment.frames.errors[local]))

    def span(self, byte: int) -> tuple[float, float]:
        """When its frame begins and ends, in seconds from the capture's start."""
        part, local = self.place(byte)
        frames = part.segment.frames
        return float(frames.starts[local]), float(frames.ends[local])

    def timing(self, byte: int) -> LineTiming:
        """What its frame was read with."""
        return self._timings[self._part(byte)]

    def frame(self, byte: int) -> FrameFormat:
        """Its frame's format."""
        return self.timing(byte).frame

    def bit(self, byte: int) -> float:
        """A bit time, in seconds."""
        part, _ = self.place(byte)
        return self.timing(byte).bit * part.segment.edges.tick

    def dead_time(self, byte: int) -> float | None:
        """Seconds of idle line before it; None for the first."""
        if byte <= 0:
            return None
        return max(0.0, self.span(byte)[0] - self.span(byte - 1)[1])

    def burst(self, byte: int) -> tuple[int, int, int]:
        """The burst that a byte is in: which one from 0, its first byte, and the one after its last."""
        number = max(0, bisect.bisect_right(self.burst_starts, byte) - 1)
        stop = self.burst_starts[number + 1] if number + 1 < len(self.burst_starts) else self._count
        return number, self.burst_starts[number], stop

    def whole(self, first: int, stop: int) -> bytes | None:
        """The bytes from one to another, if all came whole and are bytes; else None."""
        values = [self.value(byte) for byte in range(first, stop)]
        if any(self.error(byte) is not FrameError.NONE for byte in range(first, stop)):
            return None
        return bytes(values) if values and max(values) <= 0xFF else None

    def cells(self, byte: int) -> list[Cell]:
        """A byte's cells, where a receiver reads them; a break has none."""
        part, local = self.place(byte)
        frames, timing = part.segment.frames, self.timing(byte)
        if frames.errors[local] == FrameError.BREAK:
            return []
        bit, at = self.bit(byte), float(frames.starts[local])
        made = []
        for number, (level, length) in enumerate(timing.frame.cells(int(frames.values[local]))):
            name = _cell_name(number, timing.frame)
            if name == "stop" and frames.errors[local] == FrameError.FRAMING:
                level = 0
            if name == "parity" and frames.errors[local] == FrameError.PARITY:
                level = 1 - level
            made.append(Cell(name, level, at, at + length * bit))
            at += length * bit
        return made

    def at(self, instant: float) -> int:
        """The byte whose frame an instant is in, or the last before it."""
        low, high = 0, self._count
        while low < high:
            middle = (low + high) // 2
            if self.span(middle)[0] <= instant:
                low = middle + 1
            else:
                high = middle
        return max(0, low - 1)

    def find(self, data: bytes, after: int) -> int | None:
        """Where bytes are said next after a byte, round the end; None where they are not.

        Of frames of nine data bits the lowest eight count.
        """
        if self._text is None:
            self._text = bytes(value & 0xFF for part in self.parts for value in part.values)
        at = self._text.find(data, after + 1)
        at = at if at >= 0 else self._text.find(data)
        return at if at >= 0 else None

    @property
    def edges(self) -> FloatArray:
        """When the line changed, in seconds; none where bytes alone were recorded."""
        if self._edges is None:
            times = [part.segment.edges.seconds() for part in self.channel.segments]
            self._edges = np.concatenate(times) if times else np.empty(0)
        return self._edges

    def rises(self, edge: int) -> bool:
        """Whether the line goes high with an edge."""
        return (self.channel.segments[0].segment.edges.first_level ^ edge & 1) == 0

    @property
    def readable(self) -> bool:
        """Whether most of it is text, so that its letters help."""
        seen = [self.value(byte) for byte in range(min(len(self), _LOOKED_AT))]
        good = sum(0x20 <= value < 0x7F or value in (0x0A, 0x0D) for value in seen)
        return bool(seen) and good >= _PRINTABLE_SHARE * len(seen)

    @property
    def order(self) -> BitOrder | None:
        """The order of bits, where it was found or given."""
        return self.sure.order.order


def _cell_name(number: int, frame: FrameFormat) -> str:
    if number == 0:
        return "start"
    if number <= frame.data_bits:
        return str(number)
    return "parity" if frame.parity_bit(0) is not None and number == frame.data_bits + 1 else "stop"


@dataclass(frozen=True, slots=True)
class Slot:
    """A place in the strip: a byte of the line, and the one laid over it. One of them may be missing."""

    byte: int | None
    other: int | None = None
    differs: bool = False
    edge: float | None = None
    """The farthest that an edge is off in it, in bit times."""


class Slots:
    """The places of a strip: all bytes of a line, or the pairs of a comparison.

    Args:
        reading: the line.
        comparison: with the line that is laid over it.
        other: that line.
    """

    def __init__(
        self, reading: Reading, comparison: Comparison | None = None, other: Reading | None = None
    ) -> None:
        self.reading = reading
        self.other = other
        self.comparison = comparison
        self._slots: list[Slot] = []
        self.starts: Sequence[int] = reading.burst_starts
        if comparison is not None and other is not None:
            self._slots = [
                _slot(reading, other, pair, comparison.tolerance.edge) for pair in comparison.pairs
            ]
            bursts = set(reading.burst_starts)
            self.starts = [n for n, slot in enumerate(self._slots) if n == 0 or slot.byte in bursts]

    def __len__(self) -> int:
        return len(self._slots) if self.other is not None else len(self.reading)

    def __getitem__(self, place: int) -> Slot:
        return self._slots[place] if self.other is not None else Slot(place)

    def of_byte(self, byte: int) -> int:
        """The place of a byte of the line."""
        if self.other is None:
            return byte
        return next((n for n, slot in enumerate(self._slots) if slot.byte == byte), 0)

    def odd(self, place: int) -> bool:
        """Whether there is something to look at: an error, or a difference."""
        slot = self[place]
        if slot.differs:
            return True
        return slot.byte is not None and self.reading.error(slot.byte) is not FrameError.NONE

    def next_odd(self, place: int) -> int | None:
        """The next place at which there is something to look at, round the end; None where there is none."""
        if self.other is None:
            errors: Any = (
                np.concatenate([part.segment.frames.errors for part in self.reading.parts])
                if self.reading.parts
                else np.empty(0)
            )
            odd = np.flatnonzero(errors).tolist()
        else:
            odd = [n for n in range(len(self)) if self.odd(n)]
        return next((n for n in odd if n > place), odd[0] if odd else None)


def _slot(reading: Reading, other: Reading, pair: Pair, tolerance: float) -> Slot:
    one = None if pair.original is None else reading.index(reading.sure, pair.original)
    two = None if pair.replay is None else other.index(other.sure, pair.replay)
    differs = one is None or two is None
    if one is not None and two is not None:
        differs = (reading.value(one), reading.error(one)) != (other.value(two), other.error(two))
    too_far = pair.edge is not None and abs(pair.edge) > tolerance
    return Slot(one, two, differs or too_far, pair.edge)


class Rows:
    """How a strip is broken into rows: each burst begins one, and goes on for as many as it needs.

    Args:
        slots: the places.
        width: cells for a row.
        pitch: cells for a byte.
    """

    def __init__(self, slots: Slots, width: int, pitch: int) -> None:
        self.slots = slots
        self.per_row = max(1, width // pitch)
        starts = np.asarray(slots.starts, np.int64)
        stops = np.append(starts[1:], len(slots))
        counts = np.maximum(1, -(-(stops - starts) // self.per_row)) if len(starts) else starts
        self._starts = starts
        self._ends: Any = np.cumsum(counts)

    def __len__(self) -> int:
        return int(self._ends[-1]) if len(self._ends) else 0

    def of(self, place: int) -> tuple[int, int]:
        """The row and the place in it of a place in the strip."""
        burst = max(0, int(np.searchsorted(self._starts, place, side="right")) - 1)
        if not len(self._starts):
            return 0, 0
        row = int(self._ends[burst - 1]) if burst else 0
        beyond = place - int(self._starts[burst])
        return row + beyond // self.per_row, beyond % self.per_row

    def row(self, number: int) -> tuple[range, int | None]:
        """The places of a row, and which burst begins with it; None where one goes on."""
        burst = int(np.searchsorted(self._ends, number, side="right"))
        before = int(self._ends[burst - 1]) if burst else 0
        first = int(self._starts[burst]) + (number - before) * self.per_row
        stop = int(self._starts[burst + 1]) if burst + 1 < len(self._starts) else len(self.slots)
        return range(first, min(first + self.per_row, stop)), burst if number == before else None

    def moved(self, place: int, by: int) -> int:
        """The place so many rows further down, as near below as there is one."""
        row, column = self.of(place)
        row = max(0, min(row + by, len(self) - 1))
        places, _ = self.row(row)
        return places[min(column, len(places) - 1)]
