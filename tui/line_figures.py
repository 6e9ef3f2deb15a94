"""Echo lag and line load of each bus as they were lately, for a rolling plot. Pure."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping

from controller.api import BusView
from controller.records import Direction, Traffic
from profiles.frames import FrameFormat

__all__ = ["LineFigures", "burst_times"]

_KEPT = 120
"""Seconds with frames, and deliveries with echoes, that are kept of each bus."""


def burst_times(bus: BusView) -> tuple[float, float]:
    """The greatest idle line within a message, and a frame time, in seconds."""
    return bus.burst_gap_ms / 1000, FrameFormat.parse(bus.frame).time(bus.baud) if bus.baud else 0.0


class LineFigures:
    """How much of each second the line carried frames, and the least echo lag of each delivery.

    Args:
        buses: the site's buses; their frame times make bytes into load.
    """

    def __init__(self, buses: Mapping[str, BusView]) -> None:
        self._frame = {name: burst_times(bus)[1] for name, bus in buses.items()}
        self._busy: dict[str, deque[tuple[int, float]]] = {name: deque(maxlen=_KEPT) for name in buses}
        self._lag: dict[str, deque[float]] = {name: deque(maxlen=_KEPT) for name in buses}

    def add(self, record: Traffic) -> None:
        """Count a traffic record. An echo is the same frame again: the line carried it once."""
        if record.bus not in self._busy:
            return
        if record.direction is Direction.ECHOED:
            lags = [lag for lag in record.lags or () if lag is not None]
            if lags:
                self._lag[record.bus].append(min(lags))
            return
        second = int(record.at)
        busy = self._busy[record.bus]
        took = len(record.data) * self._frame[record.bus]
        if busy and busy[-1][0] == second:
            busy[-1] = (second, busy[-1][1] + took)
        else:
            busy.append((second, took))

    def load(self, bus: str, now: float, seconds: int = 30) -> list[float]:
        """The share of each of the last seconds in which the line carried frames, 0 to 1, oldest first."""
        by_second = dict(self._busy.get(bus, ()))
        last = int(now)
        return [min(1.0, by_second.get(second, 0.0)) for second in range(last - seconds + 1, last + 1)]

    def lags(self, bus: str) -> list[float]:
        """The least echo lags of the last deliveries, in seconds, oldest first."""
        return list(self._lag.get(bus, ()))
