"""Traffic on its way from a link to its listener: many small reads and writes become few records."""

from __future__ import annotations

from dataclasses import dataclass

from controller.records import Direction, Reason

__all__ = ["Gatherer", "LineEvent"]

_TAKE_TURNS = {
    Direction.SENT: Direction.ECHOED,
    Direction.ECHOED: Direction.SENT,
    Direction.HEARD: Direction.PASSED_ON,
    Direction.PASSED_ON: Direction.HEARD,
}
"""Frames of these directions alternate, in lockstep and where we repeat others' frames."""


@dataclass(frozen=True, slots=True)
class LineEvent:
    """Bytes that went by, gathered: instants are monotonic."""

    direction: Direction
    data: bytes
    at: float
    """When the last of them was written, or read."""
    lags: tuple[float | None, ...] | None = None
    fault: Reason | None = None
    transmission: str | None = None
    attempt: int | None = None
    """Which attempt of the transmission, counted from 1."""


class _Run:
    """A record that still grows."""

    __slots__ = ("at", "attempt", "data", "direction", "fault", "lags", "transmission")

    def __init__(
        self, direction: Direction, fault: Reason | None, transmission: str | None, attempt: int | None
    ) -> None:
        self.direction = direction
        self.fault = fault
        self.transmission = transmission
        self.attempt = attempt
        self.data = bytearray()
        self.lags: list[float | None] | None = None
        self.at = 0.0


class Gatherer:
    """Joins what goes by until it is taken; bytes of one direction keep their order.

    Where two directions take turns, each byte is joined to the last record of its own direction.
    """

    def __init__(self) -> None:
        self._runs: list[_Run] = []
        self.since: float | None = None
        """When the first byte that waits went by; None while none waits."""

    def add(
        self,
        direction: Direction,
        data: bytes,
        at: float,
        transmission: str | None = None,
        *,
        lags: tuple[float | None, ...] | None = None,
        fault: Reason | None = None,
        attempt: int | None = None,
    ) -> None:
        """Bytes went by at ``at``."""
        run = self._run(direction, fault, transmission, attempt)
        run.data += data
        run.at = at
        if lags is not None:
            if run.lags is None:
                run.lags = []
            run.lags.extend(lags)
        if self.since is None:
            self.since = at

    def _run(
        self, direction: Direction, fault: Reason | None, transmission: str | None, attempt: int | None
    ) -> _Run:
        runs = self._runs
        for run in runs[-1:-3:-1]:
            same = run.transmission == transmission and run.attempt == attempt
            if same and run.direction is direction and run.fault is fault:
                return run
            if not same or run.direction is not _TAKE_TURNS[direction]:
                break
        run = _Run(direction, fault, transmission, attempt)
        runs.append(run)
        return run

    def take(self) -> list[LineEvent]:
        """What was gathered, in order."""
        runs, self._runs, self.since = self._runs, [], None
        return [
            LineEvent(
                run.direction,
                bytes(run.data),
                run.at,
                None if run.lags is None else tuple(run.lags),
                run.fault,
                run.transmission,
                run.attempt,
            )
            for run in runs
        ]
