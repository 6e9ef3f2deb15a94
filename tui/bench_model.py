"""Where a person reads in a decoded line: which byte or edge, how closely, and measured from where. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tui.bench_reading import Reading, Slot, Slots

__all__ = ["CLOSEST", "EdgeSight", "Measured", "Reader", "Spot", "span_words"]

CLOSEST = 7
"""Steps closer than one byte: the last shows a tenth of a bit time or so."""
_ASIDE = 1.0
"""Bit times of line that are shown on either side of a byte."""


def span_words(seconds: float) -> str:
    """A time that a person can read, with four digits."""
    size = abs(seconds)
    if size >= 1:
        return f"{seconds:.4g} s"
    if size >= 1e-3:
        return f"{seconds * 1e3:.4g} ms"
    if size >= 1e-6:
        return f"{seconds * 1e6:.4g} µs"
    return f"{seconds * 1e9:.3g} ns" if size else "0 s"


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the line that can be measured from."""

    name: str
    begin: float
    """Seconds from the capture's start."""
    end: float
    """The same as ``begin`` for an edge."""
    place: int
    """In the strip."""
    edge: int | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """What lies between two spots."""

    words: str
    seconds: float
    """From start to start; below zero where the mark is the later one."""
    bits: float


@dataclass(frozen=True, slots=True)
class EdgeSight:
    """An edge, and how far it is from where its frame has it."""

    number: int
    at: float
    """Seconds from the capture's start."""
    rises: bool
    byte: int | None
    """The byte in whose frame it is; None between frames."""
    off: float | None
    """Bit times that it comes late; None between frames."""


class Reader:
    """A place in a strip.

    Args:
        slots: the strip.
    """

    def __init__(self, slots: Slots) -> None:
        self.slots = slots
        self.place = 0
        self.edge: int | None = None
        """The edge that is looked at; None for the whole byte."""
        self.mark: Spot | None = None
        self.zoom = 0
        """Steps closer than a byte; below zero further away."""
        if not len(slots) and len(slots.reading.edges):
            self.edge = 0

    @property
    def slot(self) -> Slot | None:
        """What stands at the place; None in an empty strip."""
        return self.slots[self.place] if len(self.slots) else None

    @property
    def shown(self) -> Reading:
        """The line whose byte is looked at: the other one where that alone has a byte here."""
        slot, other = self.slot, self.slots.other
        return other if slot is not None and slot.byte is None and other is not None else self.slots.reading

    @property
    def byte(self) -> int | None:
        """The byte that is looked at, in the line that ``shown`` says."""
        slot = self.slot
        if slot is None:
            return None
        return slot.byte if slot.byte is not None else slot.other

    @property
    def bit(self) -> float:
        """A bit time here, in seconds; where there is none, the shortest run of the line."""
        byte = self.byte
        if byte is not None:
            return self.shown.bit(byte)
        edges = self.shown.edges
        runs = np.diff(edges[:4096])
        if len(runs):
            return max(float(np.quantile(runs, 0.1)), 1e-12)
        return max(self.shown.sure.segment.edges.duration / 12, 1e-12)

    # Moving

    def go(self, place: int) -> None:
        """Look at a byte."""
        if len(self.slots):
            self.place = max(0, min(place, len(self.slots) - 1))
            self.edge = None
            if self.zoom > 0:
                self.edge = self._first_edge()
            self.zoom = max(self.zoom, self.widest)

    def move(self, by: int) -> None:
        """On by bytes; closer in than a byte, by edges."""
        if self.zoom > 0 or not len(self.slots):
            self.step(by)
        else:
            self.go(self.place + by)

    def step(self, by: int) -> None:
        """On by edges."""
        edges = self.shown.edges
        if not len(edges):
            return
        if self.edge is None:
            first = self._first_edge()
            if first is None:
                return
            self.edge = first if by > 0 else max(0, first - 1)
        else:
            self.edge = max(0, min(self.edge + by, len(edges) - 1))
        if len(self.slots) and self.shown is self.slots.reading:
            # An edge of a start bit is where its frame begins, as near as edges are known.
            byte = self.slots.reading.at(float(edges[self.edge]) + 0.3 * self.bit)
            self.place = self.slots.of_byte(byte)

    def _first_edge(self) -> int | None:
        """The edge with which the byte begins; None where no edges were captured."""
        edges, byte = self.shown.edges, self.byte
        if byte is None or not len(edges):
            return None
        begin, _ = self.shown.span(byte)
        after = int(np.searchsorted(edges, begin))
        near = [n for n in (after - 1, after) if 0 <= n < len(edges)]
        return min(near, key=lambda n: abs(float(edges[n]) - begin))

    # How closely

    @property
    def widest(self) -> int:
        """The zoom at which the whole burst is seen."""
        byte = self.byte
        if byte is None:
            return -12
        begin, end = self._burst()
        bits = (end - begin) / self.bit
        return -max(0, math.ceil(math.log2(max(1.0, bits / self._base))))

    @property
    def _base(self) -> float:
        """Bit times that are shown at zoom 0."""
        byte = self.byte
        return (self.shown.frame(byte).bits if byte is not None else 10.0) + 2 * _ASIDE

    def _burst(self) -> tuple[float, float]:
        """When the burst begins and ends, with some line on either side."""
        byte = self.byte or 0
        _, first, stop = self.shown.burst(byte)
        aside = _ASIDE * self.bit
        return self.shown.span(first)[0] - aside, self.shown.span(stop - 1)[1] + aside

    def closer(self) -> bool:
        """A step closer; False where there is nothing closer to see."""
        first = self.edge if self.edge is not None else self._first_edge()
        if self.zoom >= CLOSEST or (self.zoom == 0 and first is None):
            return False
        self.zoom += 1
        if self.zoom > 0:
            self.edge = first
        return True

    def wider(self) -> bool:
        """A step further away; False where the whole burst is seen already."""
        if self.zoom <= self.widest:
            return False
        self.zoom -= 1
        return True

    @property
    def window(self) -> tuple[float, float]:
        """What is shown, in seconds from the capture's start."""
        bits = self._base / 2.0**self.zoom
        length = bits * self.bit
        edges, byte = self.shown.edges, self.byte
        if self.edge is not None and (self.zoom > 0 or byte is None):
            middle = float(edges[self.edge])
            return middle - length / 2, middle + length / 2
        if byte is None:
            return 0.0, max(self.shown.sure.segment.edges.duration, length)
        start, _ = self.shown.span(byte)
        if self.zoom == 0:
            begin = start - _ASIDE * self.bit
            if self.edge is not None and not begin <= float(edges[self.edge]) <= begin + length:
                begin = float(edges[self.edge]) - length / 2
            return begin, begin + length
        begin, end = self._burst()
        if end - begin <= length:
            return begin, end
        left = max(begin, min(start + (self._base - 2) / 2 * self.bit - length / 2, end - length))
        return left, left + length

    # Measuring

    @property
    def spot(self) -> Spot | None:
        """Where one is."""
        if self.edge is not None:
            sight = self.sight(self.edge)
            way = "rising" if sight.rises else "falling"
            return Spot(f"{way} edge at {span_words(sight.at)}", sight.at, sight.at, self.place, self.edge)
        byte = self.byte
        if byte is None:
            return None
        begin, end = self.shown.span(byte)
        return Spot(f"byte {byte + 1} ({self.shown.value(byte):02X})", begin, end, self.place)

    def set_mark(self) -> None:
        """Measure from here; where the mark is here already, no more."""
        self.mark = None if self.mark is not None and self.mark == self.spot else self.spot

    @property
    def measured(self) -> Measured | None:
        """What lies between the mark and here; None without a mark, or at it."""
        here, mark = self.spot, self.mark
        if here is None or mark is None or here == mark:
            return None
        first, second = sorted((mark, here), key=lambda spot: spot.begin)
        seconds = here.begin - mark.begin
        bits = seconds / self.bit
        words = f"{first.name} → {second.name}: {span_words(abs(seconds))}, {abs(bits):.2f} bit times"
        if mark.edge is None and here.edge is None:
            idle = second.begin - first.end
            words += f"; {max(0.0, idle) / self.bit:.2f} between"
        return Measured(words, seconds, bits)

    def sight(self, edge: int) -> EdgeSight:
        """An edge, and how far it is from where its frame has it."""
        reading = self.shown
        at = float(reading.edges[edge])
        byte: int | None = None
        off: float | None = None
        if len(reading):
            byte = reading.at(at + 0.3 * self.bit)
            begin, end = reading.span(byte)
            bit = reading.bit(byte)
            if begin - 0.5 * bit <= at <= end - 0.5 * bit:
                off = (at - begin) / bit - round((at - begin) / bit)
            else:
                byte = None
        return EdgeSight(edge, at, reading.rises(edge), byte, off)
