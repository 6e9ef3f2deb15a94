"""One wire for all, half duplex: everybody hears everybody, and two talkers at once spoil both.

The wire is a wired AND: it is at rest (1) only where nobody pulls it to 0. Where frames overlap, what a
receiver makes of them is worked out bit by bit as a UART does it: a falling edge starts a frame, each bit
is sampled in its middle, and the next start is looked for from the middle of the stop bit on.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from controller.simulator.fault_set import FaultSet
from controller.simulator.medium import ADAPTER, Arrival, Filler, Hearing, frames_by
from profiles.frames import FrameFormat

__all__ = ["SharedWire"]

_SLACK = 0.02
"""Bit times by which frames may seem to overlap through rounding alone."""


class _Spoken(NamedTuple):
    start: float
    value: int
    talker: int


class SharedWire:
    """A wire that the adapter and all units share.

    Args:
        units: how many units.
        frame: the frame's format.
        baud: bits a second.
        faults: what stands on the line; where it is cut, the units behind are as if they were not there.
        hearing: whom to tell what.
        hears_itself: whether the adapter receives what it sends; else it is deaf while it sends.
    """

    def __init__(
        self,
        units: int,
        *,
        frame: FrameFormat,
        baud: float,
        faults: FaultSet,
        hearing: Hearing,
        hears_itself: bool = True,
    ) -> None:
        self.arrivals: list[Arrival] = []
        self._units = units
        self._format = frame
        self._bit = 1 / baud
        self._frame_time = frame.time(baud)
        self._faults = faults
        self._hearing = hearing
        self._hears_itself = hears_itself
        self._cells = {value: self._levels(value) for value in range(1 << min(frame.data_bits, 8))}
        self._spoken: list[_Spoken] = []
        """Frames that are on the wire or will be, by their start."""
        self._free_at = [float("-inf")] * (units + 1)
        self._listening_from = float("-inf")
        self._filler: Filler | None = None

    def _levels(self, value: int) -> tuple[int, ...]:
        """A frame's levels in bit times; a stop bit of 1.5 is no edge, so it need not be told apart."""
        return tuple(level for level, _ in self._format.cells(value))

    def reaches(self, talker: int) -> bool:
        """Whether what that talker says gets through to the adapter's part of the wire."""
        first_cut = self._faults.first_cut
        return first_cut is None or talker <= first_cut

    def send(self, talker: int, frames: Sequence[int], ready: float, pause: float = 0.0) -> float:
        """Put frames on the wire, whoever else speaks."""
        started = max(ready, self._free_at[talker])
        for value in frames:
            self._speak(talker, value, ready)
            ready = max(ready, self._free_at[talker]) + pause
        self._spoken.sort()
        self._speak_against(self._free_at[talker])
        return started

    def _speak(self, talker: int, value: int, ready: float) -> None:
        """One frame from one talker; one that a fault drops leaves its gap."""
        heard = self.reaches(talker) and not self._faults.dead(talker)
        spoken = self._faults.frames(talker, value)
        for given, delay in spoken:
            start = max(ready + delay, self._free_at[talker])
            self._free_at[talker] = start + self._frame_time
            if heard:
                self._spoken.append(_Spoken(start, given, talker))
        if not spoken:
            self._free_at[talker] = max(ready, self._free_at[talker]) + self._frame_time

    def sent_by(self, talker: int) -> float:
        """When the last frame that the talker has sent leaves it whole."""
        return self._free_at[talker]

    def withdraw(self, talker: int, now: float) -> None:
        """Take back the frames of a talker that have not begun by ``now``."""
        self._spoken = [s for s in self._spoken if s.talker != talker or s.start <= now]
        ends = [s.start + self._frame_time for s in self._spoken if s.talker == talker]
        if self._free_at[talker] > now:
            self._free_at[talker] = max(ends, default=now)

    @property
    def next_at(self) -> float | None:
        """When the frame that a receiver takes next is whole."""
        start = self._next_start()
        return None if start is None else start + self._frame_time

    @property
    def bound(self) -> float | None:
        """The same, or the filler's next frame."""
        following = self.next_at
        if self._filler is None:
            return following
        filled = self._free_at[self._filler.unit] + self._frame_time
        return filled if following is None else min(following, filled)

    def _next_start(self) -> float | None:
        """Where the next falling edge is, from where the receivers look for one."""
        slack = _SLACK * self._bit
        while self._spoken and self._spoken[0].start + self._frame_time <= self._listening_from + slack:
            self._spoken.pop(0)
        if not self._spoken:
            return None
        if self._spoken[0].start >= self._listening_from - slack:
            return self._spoken[0].start
        edges = sorted(
            {
                spoken.start + place * self._bit
                for spoken in self._spoken
                for place in range(len(self._cells[spoken.value]) + 1)
            }
        )
        for edge in edges:
            if edge < self._listening_from - slack:
                continue
            before, after = (self._level(edge + side * self._bit * 0.05) for side in (-1, 1))
            if before and not after:
                return edge
        return None

    def _level(self, at: float) -> int:
        """The wire's level at an instant: 0 where anybody pulls it down."""
        for spoken in self._spoken:
            place = int((at - spoken.start) // self._bit)
            if 0 <= place < len(self._cells[spoken.value]) and not self._cells[spoken.value][place]:
                return 0
        return 1

    def step(self) -> None:
        """Let every receiver take the next frame."""
        start = self._next_start()
        assert start is not None  # noqa: S101 -- next_at said so
        slack = _SLACK * self._bit
        whole_at = start + self._frame_time
        involved = [
            spoken
            for spoken in self._spoken
            if spoken.start < whole_at - slack and spoken.start + self._frame_time > start + slack
        ]
        if len(involved) == 1 and abs(involved[0].start - start) < slack:
            value = involved[0].value
            self._listening_from = whole_at - slack
        else:
            data_bits = min(self._format.data_bits, 8)
            value = sum(self._level(start + (1.5 + place) * self._bit) << place for place in range(data_bits))
            stop_at = self._format.bits - self._format.stop_bits + 0.5
            self._listening_from = start + stop_at * self._bit
        self._spoken = [s for s in self._spoken if s.start + self._frame_time > self._listening_from + slack]
        self._deliver(value, {spoken.talker for spoken in involved}, whole_at)

    def _deliver(self, value: int, talkers: set[int], whole_at: float) -> None:
        data = bytes((value,))
        for unit in range(1, self._units + 1):
            if not self.reaches(unit) or self._faults.dead(unit):
                continue
            if unit in talkers:
                self._hearing.unit_gets_back(unit, value, whole_at)
            if talkers != {unit}:
                self._hearing.unit_hears(unit, data, whole_at)
        if ADAPTER not in talkers or self._hears_itself:
            self.arrivals.append(Arrival(data, whole_at, self._frame_time))

    def fill(self, filler: Filler | None, now: float) -> None:
        """A unit speaks without a pause; whoever speaks then spoils it."""
        if filler is not None:
            self._free_at[filler.unit] = max(self._free_at[filler.unit], now)
        self._filler = filler

    def _speak_against(self, until: float) -> None:
        """While others speak, the filler's frames have to be told one by one."""
        if self._filler is None:
            return
        unit = self._filler.unit
        while self._free_at[unit] < until:
            self._speak(unit, self._filler.take(1)[0], self._free_at[unit])
        self._spoken.sort()

    def settle(self, now: float) -> None:
        """Let the filler speak up to ``now``, in one piece where nobody speaks against it."""
        if self._filler is None:
            return
        unit = self._filler.unit
        count = frames_by(now - self._free_at[unit], self._frame_time)
        if self._faults.harms(unit):
            self._speak_against(self._free_at[unit] + count * self._frame_time)
            return
        if not count:
            return
        first = self._free_at[unit] + self._frame_time
        self._free_at[unit] += count * self._frame_time
        data = self._filler.take(count)
        if self._faults.dead(unit) or not self.reaches(unit):
            return
        for other in range(1, self._units + 1):
            if other != unit and self.reaches(other) and not self._faults.dead(other):
                self._hearing.unit_hears(other, data, self._free_at[unit])
        self.arrivals.append(Arrival(data, first, self._frame_time))
