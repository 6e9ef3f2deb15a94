"""Lines in virtual time for the echo machine: a ring of store-and-forward units, and a shared wire.

The model is our own and knows nothing of the machine: frames take their time on each wire, a unit repeats a
frame when it has received it whole, an adapter holds bytes back and delivers them in batches.

A store-and-forward unit returns a frame 10 bit times later at 8N1: common practice, no source.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from controller.echo import EchoMachine
from controller.records import Result
from controller.transmission import Echoed, Effect, Finished, Heard, Report, Transmission, Write

MOST_STEPS = 200_000


class Adapter:
    """Delivers a byte ``latency`` after its arrival, at the next turn of ``batch`` seconds."""

    def __init__(self, latency: float = 0.0, batch: float = 0.0, phase: float = 0.0) -> None:
        self.latency, self.batch, self.phase = latency, batch, phase
        self._held: list[tuple[float, float, int, int]] = []
        self._count = 0

    def arrive(self, value: int, at: float) -> None:
        due = at + self.latency
        if self.batch:
            due = max(due, math.ceil((due - self.phase) / self.batch) * self.batch + self.phase)
        heapq.heappush(self._held, (due, at, self._count, value))
        self._count += 1

    @property
    def next_at(self) -> float:
        return self._held[0][0] if self._held else math.inf

    def take(self, now: float) -> bytes:
        out = bytearray()
        while self._held and self._held[0][0] <= now:
            out.append(heapq.heappop(self._held)[-1])
        return bytes(out)


class Line(Protocol):
    adapter: Adapter

    def write(self, data: bytes, now: float) -> None: ...


@dataclass(frozen=True)
class Corrupt:
    """Frame ``frame`` (counted from the first write) leaves wire ``wire`` as ``value``."""

    frame: int
    value: int
    wire: int = 0


@dataclass(frozen=True)
class Drop:
    """It is lost on that wire."""

    frame: int
    wire: int = 0


@dataclass(frozen=True)
class Double:
    """It goes onto that wire twice."""

    frame: int
    wire: int = 0


@dataclass(frozen=True)
class Delay:
    """It is held back before that wire."""

    frame: int
    seconds: float
    wire: int = 0


@dataclass(frozen=True)
class Stray:
    """Other bytes come onto the last wire, so long after the frame was written."""

    frame: int
    data: bytes
    after: float
    wire: int = -1


Fault = Corrupt | Drop | Double | Delay | Stray


@dataclass(frozen=True)
class Passed:
    """A frame that came out of the line: whose it was (index of our frame, or None), and when."""

    value: int
    frame: int | None
    at: float


class Ring:
    """N units between our output and our input; wire 0 is ours, wire N comes back to us.

    Args:
        frame: T.
        units: N.
        hop: one hop in frame times.
        last: the part of T after which our own receiver has the last frame.
    """

    def __init__(
        self,
        frame: float,
        units: int,
        adapter: Adapter | None = None,
        *,
        hop: float = 1.0,
        last: float = 1.0,
        fault: Fault | None = None,
    ) -> None:
        self.adapter = adapter or Adapter()
        self.passed: list[Passed] = []
        self.written: list[tuple[float, int]] = []
        self._frame, self._units, self._hop, self._last = frame, units, hop, last
        self._fault = fault
        self._free = [-math.inf] * (units + 1)
        self._taken = (-math.inf, -math.inf)
        """When others have the last wire."""

    def write(self, data: bytes, now: float) -> None:
        for value in data:
            index = len(self.written)
            self.written.append((now, value))
            self._send(index, value, now)

    def _send(self, index: int, value: int, now: float) -> None:
        fault = self._fault if self._fault is not None and self._fault.frame == index else None
        copies = [(value, now)]
        for wire in range(self._units + 1):
            if fault is not None and fault.wire == wire and not isinstance(fault, Stray):
                copies = self._harm(fault, copies)
            if isinstance(fault, Stray) and wire == self._units:
                self._stray(fault, now, copies[0][1])
            following = []
            for each, ready in copies:
                start = max(ready, self._free[wire])
                if (
                    wire == self._units
                    and self._taken[0] < start + self._frame * 0.999
                    and start < self._taken[1]
                ):
                    start = self._taken[1]
                self._free[wire] = start + self._frame
                # A unit may begin to repeat while the end of the stop bit is still on its way.
                following.append((each, start + self._frame * (self._hop if wire < self._units else 1.0)))
            copies = following
        for each, at in copies:
            self._arrive(each, index, at - (1 - self._last) * self._frame)

    def _harm(self, fault: Fault, copies: list[tuple[int, float]]) -> list[tuple[int, float]]:
        match fault:
            case Corrupt():
                return [(fault.value, at) for _, at in copies]
            case Drop():
                return []
            case Double():
                return copies * 2
            case Delay():
                return [(value, at + fault.seconds) for value, at in copies]
        raise AssertionError(fault)

    def _stray(self, stray: Stray, now: float, ready: float) -> None:
        """Others take the last wire for a while: before the frame that is ready for it then, or after it."""
        start = now + stray.after
        if ready < start < ready + self._frame:
            start = ready + self._frame
        self._taken = start, start + len(stray.data) * self._frame
        for place, value in enumerate(stray.data, start=1):
            self._arrive(value, None, start + place * self._frame)

    def _arrive(self, value: int, frame: int | None, at: float) -> None:
        self.passed.append(Passed(value, frame, at))
        self.adapter.arrive(value, at)

    def carried(self, message: bytes, *, alone: bool = True) -> bool:
        """Whether the last attempt went round whole: each of its frames once, in order, nothing between.

        ``alone`` is False where other bytes between them are not looked at.
        """
        first = len(self.written) - len(message)
        began = self.written[first][0] if first >= 0 else math.inf
        ours = [p for p in self.passed if p.frame is not None and p.frame >= first]
        until = max((p.at for p in ours), default=math.inf)
        seen = ours if not alone else [p for p in self.passed if began <= p.at <= until]
        seen.sort(key=lambda p: p.at)
        return [(p.frame, p.value) for p in seen] == list(enumerate(message, start=max(first, 0)))


class Shared:
    """Two wires on which everybody hears everybody.

    Args:
        frame: T.
        hears_itself: whether the adapter receives what it sends.
        answer: what a unit says, and how long after the last frame it begins; asked once a write is out.
    """

    def __init__(
        self,
        frame: float,
        adapter: Adapter | None = None,
        *,
        hears_itself: bool = True,
        answer: Callable[[bytes], tuple[float, bytes] | None] = lambda _: None,
        fault: Fault | None = None,
    ) -> None:
        self.adapter = adapter or Adapter()
        self.passed: list[Passed] = []
        self.written: list[tuple[float, int]] = []
        self._frame, self._hears, self._answer, self._fault = frame, hears_itself, answer, fault
        self._free = -math.inf

    def write(self, data: bytes, now: float) -> None:
        for value in data:
            index = len(self.written)
            self.written.append((now, value))
            self._free = max(self._free, now) + self._frame
            if self._hears:
                for each, at in self._heard(index, value):
                    self.passed.append(Passed(each, index, at))
                    self.adapter.arrive(each, at)
        answer = self._answer(bytes(value for _, value in self.written))
        if answer is not None:
            self.say(answer[1], self._free + answer[0])

    def _heard(self, index: int, value: int) -> list[tuple[int, float]]:
        at, fault = self._free, self._fault
        if fault is None or fault.frame != index:
            return [(value, at)]
        match fault:
            case Corrupt():
                return [(fault.value, at)]
            case Drop():
                return []
            case Double():
                return [(value, at), (value, at + self._frame)]
            case Delay():
                return [(value, at + fault.seconds)]
            case Stray():
                self.say(fault.data, at - self._frame + fault.after)
                return [(value, at)]

    def say(self, data: bytes, at: float) -> None:
        """Somebody else speaks."""
        for place, value in enumerate(data):
            self.passed.append(Passed(value, None, at + (place + 1) * self._frame))
            self.adapter.arrive(value, at + (place + 1) * self._frame)

    def carried(self, message: bytes) -> bool:
        """Whether the last attempt was heard whole."""
        first = len(self.written) - len(message)
        ours = sorted(
            (p for p in self.passed if p.frame is not None and p.frame >= first), key=lambda p: p.at
        )
        return [(p.frame, p.value) for p in ours] == list(enumerate(message, start=max(first, 0)))


@dataclass
class Run:
    """What came of a transmission."""

    report: Report
    finished_at: float
    effects: list[tuple[float, Effect]] = field(default_factory=list)
    delivered: bytes = b""

    @property
    def writes(self) -> list[bytes]:
        return [effect.data for _, effect in self.effects if isinstance(effect, Write)]

    @property
    def told(self) -> bytes:
        """Every byte of which the machine told, in order."""
        return b"".join(e.data for _, e in self.effects if isinstance(e, Echoed | Heard))

    @property
    def heard(self) -> list[Heard]:
        return [effect for _, effect in self.effects if isinstance(effect, Heard)]

    @property
    def took(self) -> float:
        assert self.report.began is not None
        assert self.report.ended is not None
        return self.report.ended - self.report.began


Order = tuple[float, bytes | Callable[[EchoMachine, float], list[Effect]]]
"""Something that happens to the machine at an instant: bytes of others are read, or it is told something."""


def drive(
    machine: EchoMachine,
    line: Line,
    transmission: Transmission,
    *,
    at: float = 0.0,
    orders: Sequence[Order] = (),
) -> Run:
    """Run a transmission to its end, and what is still on the line to its own.

    Bytes that are due come before a tick that is due at the same instant, as in the link's thread.
    """
    run = Run(Report("", Result.INTERRUPTED), math.nan)
    pending = sorted(orders, key=lambda order: order[0])
    finished = 0

    def perform(effects: list[Effect], now: float) -> None:
        nonlocal finished
        for effect in effects:
            run.effects.append((now, effect))
            if isinstance(effect, Write):
                line.write(effect.data, now)
            if isinstance(effect, Finished):
                run.report, run.finished_at = effect.report, now
                finished += 1

    perform(machine.begin(transmission, at), at)
    for _ in range(MOST_STEPS):
        deadline = machine.deadline if machine.deadline is not None else math.inf
        order_at = pending[0][0] if pending else math.inf
        now = min(line.adapter.next_at, deadline, order_at)
        if math.isinf(now):
            break
        data = line.adapter.take(now)
        if data:
            run.delivered += data
            perform(machine.received(data, now), now)
        while pending and pending[0][0] <= now:
            order = pending.pop(0)[1]
            if isinstance(order, bytes):
                run.delivered += order
                perform(machine.received(order, now), now)
            else:
                perform(order(machine, now), now)
        perform(machine.tick(now), now)
    else:
        raise AssertionError("the machine does not come to an end")
    assert finished == 1, f"{finished} ends"
    return run
