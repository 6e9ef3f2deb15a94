"""A simulated bus in virtual time: units on wires, with faults. It reads no clock and owns no port."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import count

from controller.simulator.fault_set import FaultSet
from controller.simulator.faults import Refuse
from controller.simulator.layout import USUAL_LAYOUT, Layout
from controller.simulator.lead import Leading, Step
from controller.simulator.medium import ADAPTER, Arrival, Filler, Hearing, Medium, Topology
from controller.simulator.ring import Ring
from controller.simulator.shared import SharedWire
from controller.simulator.units import Heard, SimulatedUnit
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue
from profiles.frames import BitOrder, reverse_bits
from profiles.model import Value

__all__ = ["Chain", "Happening"]


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that a unit did."""

    at: float
    """On the clock of ``feed``."""
    unit: int
    what: str


class Chain:
    """N units on one line.

    Args:
        profile: what kind of bus it is.
        layout: how it is built.

    Raises:
        BadValue: the layout does not go with the profile.
    """

    def __init__(self, profile: CompiledProfile, layout: Layout = USUAL_LAYOUT) -> None:
        self.profile = profile
        self.layout = layout
        line = profile.line
        self.frame_time = line.frame_time
        """T, seconds."""
        usual = {Topology.OPEN: ADAPTER, Topology.SHARED: None}.get(layout.topology, layout.units)
        self.faults = FaultSet(usual, line.format.data_bits)
        self.units = tuple(
            SimulatedUnit(number, address, profile, spokesman=number == 1, refusal=self._refusal_of(number))
            for number, address in enumerate(layout.addresses_on(profile), 1)
        )
        self._response = layout.response_delay_s
        if self._response is None:
            self._response = max(3.5 * self.frame_time, 0.001)
        self._medium = self._build_medium()
        self._timers: list[tuple[float, int, Callable[[float], None]]] = []
        self._order_of_timers = count()
        self._ticks: dict[int, float] = {}
        self._leading: dict[int, Leading] = {}
        self._happenings: deque[Happening] = deque(maxlen=1000)

    def _build_medium(self) -> Medium:
        line, layout = self.profile.line, self.layout
        hearing = Hearing(self._unit_hears, self._unit_gets_back)
        if layout.topology is Topology.SHARED:
            return SharedWire(
                layout.units,
                frame=line.format,
                baud=line.baud,
                faults=self.faults,
                hearing=hearing,
                hears_itself=layout.hears_itself,
            )
        hop_time = self.frame_time if layout.hop_bits is None else layout.hop_bits / line.baud
        if not self.frame_time / 2 <= hop_time <= 100 * self.frame_time:
            raise BadValue(f"a hop can't be {layout.hop_bits} bit times", todo="give about a frame's length")
        return Ring(
            layout.units,
            layout.topology,
            frame_time=self.frame_time,
            hop_time=hop_time,
            faults=self.faults,
            hearing=hearing,
            pass_on=layout.pass_on,
            memory=self._echo_timeout,
        )

    @property
    def _echo_timeout(self) -> float:
        return max(self.profile.confirm.timeout_ms / 1000, 2 * (self.layout.units + 2) * self.frame_time)

    def _refusal_of(self, unit: int) -> Callable[[str], Refuse | None]:
        return lambda action: self.faults.refusal(unit, action)

    def port_bytes(self, data: bytes) -> bytes:
        """Between the profile's bytes and those of the port, which sends the least bit first: both ways."""
        line = self.profile.line
        bits = min(line.format.data_bits, 8)
        if line.order is BitOrder.MSB:
            return reverse_bits(data, bits)
        return data if bits == 8 else bytes(byte & ((1 << bits) - 1) for byte in data)

    # What the adapter does

    def feed(self, data: bytes, now: float) -> None:
        """The computer has written ``data`` (the port's bytes) at ``now``."""
        self.advance(now)
        if self.faults.unplugged or self.layout.topology is Topology.TAP or not data:
            return
        bits = min(self.profile.line.format.data_bits, 8)
        start = self._medium.send(ADAPTER, [byte & ((1 << bits) - 1) for byte in data], now)
        for talker in self.faults.talkers:
            for place in range(len(data)):
                at = start + place * self.frame_time + talker.microseconds / 1e6
                self._later(at, partial(self.say, talker.unit, talker.data))

    def withdraw(self, now: float) -> None:
        """The computer takes back what has not begun to leave the adapter."""
        self.advance(now)
        self._medium.withdraw(ADAPTER, now)

    def due(self, now: float) -> list[Arrival]:
        """What has come in at the adapter since the last call.

        A run may end up to a message's length after ``now``, where a unit fills the line.
        """
        self.advance(now)
        arrivals, self._medium.arrivals = self._medium.arrivals, []
        return [] if self.faults.unplugged else arrivals

    @property
    def deadline(self) -> float | None:
        """The earliest time at which something can come in, or has; None while nothing is under way."""
        times = [arrival.at for arrival in self._medium.arrivals[:1]]
        if self._timers:
            times.append(self._timers[0][0] + self.frame_time)
        bound = self._medium.bound
        if bound is not None:
            times.append(bound)
        return min(times, default=None)

    @property
    def sent_at(self) -> float:
        """When the last frame that was written has left the adapter whole."""
        return self._medium.sent_by(ADAPTER)

    @property
    def full(self) -> bool:
        """Whether a unit fills the line."""
        return self.faults.saturated

    # What the units do

    def advance(self, now: float) -> None:
        """Let everything happen that happens up to ``now``."""
        self._run(now)
        if self.full:
            self._medium.settle(now)
            self._run(now)

    def _run(self, now: float) -> None:
        medium, timers = self._medium, self._timers
        while True:
            at = medium.next_at
            if timers and timers[0][0] <= now and (at is None or timers[0][0] <= at):
                due, _, what = heapq.heappop(timers)
                what(due)
            elif at is not None and at <= now:
                medium.step()
            else:
                return

    def _later(self, at: float, what: Callable[[float], None]) -> None:
        heapq.heappush(self._timers, (at, next(self._order_of_timers), what))

    def say(self, unit: int, data: bytes, at: float) -> None:
        """A unit says something of its own (the port's bytes); without mains it is silent."""
        if not self.faults.dead(unit):
            self._medium.send(unit, data, at, self.profile.line.dead_time)

    def note(self, at: float, unit: int, what: str) -> None:
        """Keep what a unit did, for ``happenings``."""
        self._happenings.append(Happening(at, unit, what))

    def _unit_hears(self, number: int, data: bytes, at: float) -> None:
        unit = self.units[number - 1]
        self._react(unit, unit.hear(self.port_bytes(data), at), at)

    def _react(self, unit: SimulatedUnit, heard: Sequence[Heard], at: float) -> None:
        for one in heard:
            self.note(at, unit.number, f"{'obeys' if one.obeyed else 'refuses'} {one.action}")
            if one.answer is not None:
                assert self._response is not None  # noqa: S101 -- set when the chain was built
                answer_at = at + self._response + self.faults.slowness(unit.number)
                answer = self.port_bytes(one.answer)
                self._later(answer_at, partial(self.say, unit.number, answer))
        self._plan_tick(unit)

    def _plan_tick(self, unit: SimulatedUnit) -> None:
        deadline = unit.deadline
        if deadline is not None and unit.number not in self._ticks:
            self._ticks[unit.number] = deadline
            self._later(deadline, partial(self._tick, unit))

    def _tick(self, unit: SimulatedUnit, at: float) -> None:
        del self._ticks[unit.number]
        self._react(unit, unit.tick(at), at)

    def _unit_gets_back(self, number: int, value: int, at: float) -> None:
        leading = self._leading.get(number)
        if leading is None:
            return
        sent = leading.frame
        match leading.came_back(value):
            case Step.NEXT:
                self._lead_frame(number, leading, at)
            case Step.DONE:
                del self._leading[number]
                self.note(at, number, f"led {leading.action}: all {len(leading.frames)} frames came back")
            case Step.WRONG:
                del self._leading[number]
                self.note(at, number, f"stops {leading.action}: {value:02X} came back for {sent:02X}")

    def lead(self, number: int, leading: Leading, now: float) -> None:
        """A unit begins to send a message as lead unit."""
        self._leading[number] = leading
        self._lead_frame(number, leading, now)

    def leads(self, number: int) -> bool:
        """Whether that unit is in the middle of a message that it leads."""
        return number in self._leading

    def mains_off(self, number: int) -> None:
        """A unit stops where it is."""
        self._leading.pop(number, None)

    def fill(self, filler: Filler | None, now: float) -> None:
        """Set who fills the line with messages; None for nobody."""
        self._medium.fill(filler, now)

    def _lead_frame(self, number: int, leading: Leading, at: float) -> None:
        index = leading.index
        pause = max(leading.pause, self.profile.line.dead_time if index else 0.0)
        self._later(at + pause, partial(self.say, number, bytes((leading.frame,))))
        self._later(at + pause + self._echo_timeout, partial(self._lead_waited, number, leading, index))

    def _lead_waited(self, number: int, leading: Leading, index: int, at: float) -> None:
        if self._leading.get(number) is leading and leading.index == index:
            del self._leading[number]
            self.note(at, number, f"stops {leading.action} after frame {index + 1}: nothing came back")

    def states(self, now: float) -> dict[int, dict[str, Value]]:
        """Each unit's states at ``now``."""
        self.advance(now)
        return {unit.number: dict(unit.states) for unit in self.units}

    def happenings(self) -> list[Happening]:
        """What the units did since the last call, the latest thousand at most."""
        out = list(self._happenings)
        self._happenings.clear()
        return out
