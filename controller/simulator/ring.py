"""Wires from unit to unit: ring, open line and tapped ring, store and forward.

Wire 0 goes from the adapter to the first unit, wire K from unit K to the next, wire N from the last unit
back. A frame takes its true time on each wire, and frames on one wire come one after another. A unit
starts to repeat a frame when it has received it whole (contracts: a hop; common practice, no source).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.simulator.fault_set import FaultSet
from controller.simulator.medium import ADAPTER, Arrival, Filler, Hearing, Topology, frames_by

__all__ = ["Ring"]


class _Frame(NamedTuple):
    whole_at: float
    value: int
    origin: int


@dataclass(slots=True)
class _Wire:
    frames: deque[_Frame] = field(default_factory=deque)
    free_at: float = float("-inf")
    """When the last frame on it ends."""


class Ring:
    """N units in a row, whose last output returns to the adapter, to nobody, or to the first unit.

    Args:
        units: how many units.
        topology: ring, open or tap.
        frame_time: seconds of a frame on a wire.
        hop_time: seconds from a frame's start at a unit to the start of its repetition; a frame time, or a
            little less where the receiver hands a byte on in the middle of its stop bit.
        faults: what stands on the line.
        hearing: whom to tell what.
        pass_on: whether the adapter repeats what others sent, so that a unit must know its own frames
            again by their value.
        memory: seconds for which a unit waits for its own frames, with ``pass_on``.
    """

    def __init__(
        self,
        units: int,
        topology: Topology,
        *,
        frame_time: float,
        hop_time: float,
        faults: FaultSet,
        hearing: Hearing,
        pass_on: bool = False,
        memory: float = 1.0,
    ) -> None:
        self.arrivals: list[Arrival] = []
        self._units = units
        self._topology = topology
        self._frame_time = frame_time
        self._hop_time = hop_time
        self._faults = faults
        self._hearing = hearing
        self._pass_on = pass_on
        self._memory = memory
        self._wires = [_Wire() for _ in range(units + 1)]
        self._own: list[deque[tuple[int, float]]] = [deque() for _ in range(units + 1)]
        self._filler: Filler | None = None

    def send(self, talker: int, frames: Sequence[int], ready: float, pause: float = 0.0) -> float:
        """Put frames on the talker's output wire."""
        started = max(ready, self._wires[talker].free_at)
        for value in frames:
            if talker != ADAPTER and self._pass_on:
                self._own[talker].append((value, ready + self._memory))
            self._put(talker, _Frame(0.0, value, talker), ready)
            ready = max(ready, self._wires[talker].free_at) + pause
        return started

    def _put(self, wire_number: int, frame: _Frame, ready: float) -> None:
        wire = self._wires[wire_number]
        if self._filler is not None and wire_number == self._units:
            self._say_until(ready)
        self._carry(wire, wire_number, frame.value, frame.origin, ready)

    def _carry(self, wire: _Wire, place: int, value: int, origin: int, ready: float) -> None:
        """One frame on one wire; one that a fault drops leaves its gap."""
        carried = self._faults.frames(place, value)
        for given, delay in carried:
            wire.free_at = max(ready + delay, wire.free_at) + self._frame_time
            wire.frames.append(_Frame(wire.free_at, given, origin))
        if not carried:
            wire.free_at = max(ready, wire.free_at) + self._frame_time

    def sent_by(self, talker: int) -> float:
        """When the last frame that the talker has sent leaves it whole."""
        return self._wires[talker].free_at

    def withdraw(self, talker: int, now: float) -> None:
        """Take back the frames of a talker that have not begun by ``now``."""
        wire = self._wires[talker]
        begun = [frame for frame in wire.frames if frame.origin != talker or self._begun(frame, now)]
        wire.frames = deque(begun)
        if begun or wire.free_at > now:
            wire.free_at = begun[-1].whole_at if begun else now

    def _begun(self, frame: _Frame, now: float) -> bool:
        return frame.whole_at - self._frame_time <= now

    @property
    def next_at(self) -> float | None:
        """When the next frame on any wire is whole."""
        return min((wire.frames[0].whole_at for wire in self._wires if wire.frames), default=None)

    @property
    def _heard_from(self) -> int:
        """Whose output the adapter hears."""
        looped = self._faults.looped_behind
        return self._units if looped is None else looped

    @property
    def bound(self) -> float | None:
        """A frame on wire K has N - K hops before it, each a hop time at least; N where the adapter hears."""
        last = self._heard_from
        times = [
            wire.frames[0].whole_at + max(0, last - number) * self._hop_time
            for number, wire in enumerate(self._wires)
            if wire.frames
        ]
        if self._filler is not None:
            times.append(self._wires[-1].free_at + self._frame_time)
        return min(times, default=None)

    def step(self) -> None:
        """Let the next frame that is whole arrive."""
        number = min(
            (number for number, wire in enumerate(self._wires) if wire.frames),
            key=lambda number: self._wires[number].frames[0].whole_at,
        )
        frame = self._wires[number].frames.popleft()
        if self._faults.looped_behind == number:
            # Its input is joined to this output by another lead than the one that may be cut.
            if number == ADAPTER or not self._faults.dead(number):
                self.arrivals.append(Arrival(bytes((frame.value,)), frame.whole_at, self._frame_time))
            return
        if self._faults.cut(number) or (number != ADAPTER and self._faults.dead(number)):
            return
        if number < self._units:
            self._at_unit(number + 1, frame)
            return
        if self._topology is not Topology.OPEN and self._heard_from == self._units:
            self.arrivals.append(Arrival(bytes((frame.value,)), frame.whole_at, self._frame_time))
        if self._topology is Topology.TAP:
            self._at_unit(1, frame)

    def _at_unit(self, unit: int, frame: _Frame) -> None:
        if self._faults.dead(unit):
            return
        if frame.origin == unit or self._knows_again(unit, frame):
            self._hearing.unit_gets_back(unit, frame.value, frame.whole_at)
            return
        self._hearing.unit_hears(unit, bytes((frame.value,)), frame.whole_at)
        ready = frame.whole_at + self._hop_time - self._frame_time + self._faults.slowness(unit)
        self._put(unit, frame, ready)

    def _knows_again(self, unit: int, frame: _Frame) -> bool:
        """Whether a frame that the adapter passed on is the one that this unit waits for."""
        own = self._own[unit]
        while own and own[0][1] < frame.whole_at:
            own.popleft()
        if frame.origin != ADAPTER or not own or own[0][0] != frame.value:
            return False
        own.popleft()
        return True

    def fill(self, filler: Filler | None, now: float) -> None:
        """The last unit fills its output wire; a frame that it has to repeat waits for a message's end."""
        wire = self._wires[self._units]
        if self._filler is not None:
            self._say(self._filler.to_message_end(frames_by(now - wire.free_at, self._frame_time)))
        elif filler is not None:
            wire.free_at = max(wire.free_at, now)
        self._filler = filler

    def settle(self, now: float) -> None:
        """Let the filler speak up to ``now``."""
        if self._filler is not None:
            self._say(frames_by(now - self._wires[self._units].free_at, self._frame_time))

    def _say_until(self, ready: float) -> None:
        """Let the filler speak up to ``ready`` and finish the message that it has begun by then."""
        assert self._filler is not None  # noqa: S101 -- asked by its caller
        begun = frames_by(ready - self._wires[self._units].free_at + self._frame_time, self._frame_time)
        self._say(self._filler.to_message_end(begun))

    def _say(self, count: int) -> None:
        assert self._filler is not None  # noqa: S101 -- asked by its callers
        unit, wire = self._units, self._wires[self._units]
        data = self._filler.take(count) if count else b""
        if not data:
            return
        if self._faults.harms(unit):
            for value in data:
                self._carry(wire, unit, value, unit, wire.free_at)
            return
        first = wire.free_at + self._frame_time
        wire.free_at += count * self._frame_time
        carried = not self._faults.cut(unit) and not self._faults.dead(unit) and self._heard_from == unit
        if carried and self._topology is not Topology.OPEN:
            self.arrivals.append(Arrival(data, first, self._frame_time))
