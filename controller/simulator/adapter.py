"""The simulated adapter between line and computer: how late, and in what pieces, it hands bytes on.

A USB-UART holds received bytes until 62 of them are there or its latency timer ends, 16 ms by default
(FTDI AN232B-04, "Small Amounts of Data and End of Buffer Conditions"); a change of a status line sends
them at once. What the computer writes passes without delay.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

from controller.control_lines import CONTROL_LINES
from controller.simulator.medium import Arrival
from profiles.errors import BadValue

__all__ = ["QUICK", "Adapter", "AdapterFacts"]


@dataclass(frozen=True, slots=True)
class AdapterFacts:
    """What an adapter is like."""

    latency_s: float = 0.0
    """How long received bytes are held, seconds; 0 for an adapter that hands each on at once."""
    free_running: bool = False
    """Whether its timer runs on by itself, so that a byte waits for anything up to the latency; else the
    timer starts with the first byte held."""
    batch: int = 62
    """Bytes that are handed on without waiting for the timer."""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.latency_s) and 0 <= self.latency_s <= 10):
            raise BadValue(f"an adapter can't be {self.latency_s} s late", todo="give 0 to 10000 ms")
        if not 1 <= self.batch <= 65536:
            raise BadValue(f"an adapter can't hold {self.batch} bytes", todo="give 1 to 65536")

    @property
    def least_s(self) -> float:
        """The least that it adds to a frame that comes alone, seconds."""
        return 0.0 if self.free_running else self.latency_s

    @property
    def jitter_s(self) -> float:
        """How much more it sometimes adds, seconds."""
        return self.latency_s if self.free_running else 0.0


QUICK = AdapterFacts()
"""An adapter that hands each byte on at once."""


class Adapter:
    """Holds what has come in until it is handed on."""

    def __init__(self, facts: AdapterFacts = QUICK) -> None:
        self.facts = facts
        self.control_lines = dict.fromkeys(CONTROL_LINES, False)
        """Levels of the lines that it reads."""
        self._coming: deque[Arrival] = deque()
        self._held = bytearray()
        self._until = 0.0
        self._out: list[tuple[bytes, float]] = []

    def take(self, arrivals: Iterable[Arrival]) -> None:
        """Take frames from the line, in the order of their times."""
        self._coming.extend(arrivals)

    def set_control_line(self, name: str, on: bool, now: float) -> None:
        """Switch a line; a change hands on at once what is held."""
        if self.control_lines[name] != on:
            self._run(now)
            self.control_lines[name] = on
            self._hand_on(now)

    def reset(self) -> None:
        """Forget everything: the adapter was pulled out."""
        self._coming.clear()
        self._held.clear()
        self._out.clear()

    def due(self, now: float) -> list[tuple[bytes, float]]:
        """What is handed to the computer by ``now``: pieces, each with its time."""
        self._run(now)
        out, self._out = self._out, []
        return out

    def deadline(self, next_arrival: float | None, frame_time: float) -> float | None:
        """The earliest time at which a piece can be handed on.

        Args:
            next_arrival: the earliest time at which a further frame can come in.
            frame_time: the least time from one frame to the next, seconds.
        """
        if self._coming and (next_arrival is None or self._coming[0].at < next_arrival):
            next_arrival = self._coming[0].at
        if self.facts.latency_s == 0:
            return next_arrival
        if next_arrival is None:
            return self._until if self._held else None
        ends = self._until if self._held else self._timer_end(next_arrival)
        return min(ends, next_arrival + (self.facts.batch - len(self._held) - 1) * frame_time)

    def _timer_end(self, first_at: float) -> float:
        latency = self.facts.latency_s
        if self.facts.free_running:
            return (math.floor(first_at / latency) + 1) * latency
        return first_at + latency

    def _hand_on(self, at: float) -> None:
        if self._held:
            self._out.append((bytes(self._held), at))
            self._held.clear()

    def _run(self, now: float) -> None:
        while self._coming and self._coming[0].at <= now:
            arrival = self._coming.popleft()
            count = len(arrival.data)
            if arrival.last_at > now:
                count = min(count, max(1, math.floor((now - arrival.at) / arrival.step + 1e-6) + 1))
                rest_at = arrival.at + count * arrival.step
                self._coming.appendleft(Arrival(arrival.data[count:], rest_at, arrival.step))
            self._receive(Arrival(arrival.data[:count], arrival.at, arrival.step))
        if self._held and self._until <= now:
            self._hand_on(self._until)

    def _receive(self, run: Arrival) -> None:
        if self.facts.latency_s == 0:
            self._out.append((run.data, run.last_at))
            return
        place = 0
        while place < len(run.data):
            at = run.at + place * run.step
            if self._held and self._until < at:
                self._hand_on(self._until)
            if not self._held:
                self._until = self._timer_end(at)
            fits_timer = math.floor((self._until - at) / run.step + 1e-6) + 1
            count = min(len(run.data) - place, self.facts.batch - len(self._held), fits_timer)
            self._held += run.data[place : place + count]
            place += count
            if len(self._held) >= self.facts.batch:
                self._hand_on(run.at + (place - 1) * run.step)
