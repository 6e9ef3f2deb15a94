"""One adapter: its port, its thread, and the echo machine that runs in it.

Confirmation does not wait for the screen: reading, judging echoes and writing the next frame all happen in
this thread. Everything else hears of it afterwards, in batches.
"""

from __future__ import annotations

import random
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from controller.echo import EchoMachine
from controller.ports import Port, PortSettings, open_port
from controller.records import Direction, Reason, Result
from controller.relay import RingRelay
from controller.transmission import (
    Echoed,
    Effect,
    Finished,
    Heard,
    LineTimes,
    Report,
    Transmission,
    Write,
)
from controller.waiting import Clock, Waiter, monotonic
from profiles.errors import LinewardenError, LinkLost, PortError

__all__ = ["LineEvent", "Link", "LinkListener"]

_COALESCE = 0.004
"""Seconds for which reading rests after bytes came while no command is out: many small reads cost more."""
_HAND_OVER = 0.02
"""Seconds after which gathered traffic is handed over, while a command is out or bytes keep coming."""
_BACK_OFF = (0.1, 0.2, 0.4, 0.8, 1.0)
"""Seconds between attempts to open a port again; the last one stays."""


@dataclass(frozen=True, slots=True)
class LineEvent:
    """Bytes that went by, gathered: instants are monotonic."""

    direction: Direction
    data: bytes
    at: float
    lags: tuple[float | None, ...] | None = None
    fault: Reason | None = None
    transmission: str | None = None


class LinkListener(Protocol):
    """Who is told; every method is called in the link's thread and must return at once."""

    def link_up(self, latency: tuple[float, float] | None) -> None:
        """The port is open; the adapter's latency and jitter in seconds, where it can tell them."""

    def link_down(self, error: LinewardenError) -> None:
        """The port is gone or can't be opened; told once, until it is up again."""

    def line_events(self, events: list[LineEvent]) -> None:
        """Bytes went by."""

    def finished(self, report: Report) -> None:
        """A transmission is over."""

    def thread_failed(self, error: BaseException) -> None:
        """A fault of this program ended what was under way; the link begins anew."""


class Link:
    """Owns one port in one thread, and drives transmissions over it one after another.

    Args:
        name: the bus's id, for the thread's name.
        settings: how the port is opened.
        times: what is known of time on the line.
        listener: who is told.
        pass_on: whether frames of others are repeated (rings only).
        writes: False for a tap: then nothing is ever written, whatever is asked.
    """

    def __init__(
        self,
        name: str,
        settings: PortSettings,
        times: LineTimes,
        listener: LinkListener,
        *,
        pass_on: bool = False,
        writes: bool = True,
        clock: Clock = monotonic,
        opener: Callable[[PortSettings], Port] = open_port,
    ) -> None:
        self._settings = settings
        self._listener = listener
        self._clock = clock
        self._opener = opener
        self._writes = writes
        self._machine = EchoMachine(times)
        self._relay = RingRelay(times) if pass_on and writes else None
        self._waiter = Waiter()
        self._orders: deque[Callable[[float], list[Effect]]] = deque()
        self._waiting: deque[Transmission] = deque()
        self._stopping = False
        self._up = False
        self._down_told = False
        self._port: Port | None = None
        self._gathered: list[LineEvent] = []
        self._gathered_since = 0.0
        self._rest_until = 0.0
        self._thread = threading.Thread(target=self._run, name=f"link {name}", daemon=True)

    # What other threads may call

    def start(self) -> None:
        """Open the port and begin to listen."""
        self._thread.start()

    def stop(self, timeout: float = 5.0) -> None:
        """Finish the frame in hand, end what is under way, close the port."""
        self._stopping = True
        self._waiter.wake()
        if self._thread.is_alive():
            self._thread.join(timeout)

    def transmit(self, transmission: Transmission) -> None:
        """Queue a transmission; its report comes to ``finished``."""

        def order(now: float) -> list[Effect]:
            self._waiting.append(transmission)
            return self._begin_next(now)

        self._order(order)

    def cancel(self, transmission_id: str) -> None:
        """Take back a transmission that waits or is under way; it still gets its report."""

        def order(now: float) -> list[Effect]:
            for waiting in self._waiting:
                if waiting.id == transmission_id:
                    self._waiting.remove(waiting)
                    return [Finished(_ended(waiting, Result.CANCELLED, Reason.CANCELLED))]
            if self._machine.current_id == transmission_id:
                return self._machine.cancel(now)
            return []

        self._order(order)

    def set_times(self, times: LineTimes) -> None:
        """Replace what is known of time on the line, from the next transmission on."""

        def order(_now: float) -> list[Effect]:
            self._machine.times = times
            return []

        self._order(order)

    def counters(self) -> dict[str, int]:
        """The driver's own counts of line errors; empty where it has none or the port is closed."""
        port = self._port
        return port.counters() if port is not None else {}

    # The thread

    def _order(self, order: Callable[[float], list[Effect]]) -> None:
        self._orders.append(order)
        self._waiter.wake()

    def _run(self) -> None:
        attempt = 0
        while not self._stopping:
            try:
                port = self._opener(self._settings)
            except PortError as error:
                self._tell_down(error)
                self._wait_closed(_BACK_OFF[min(attempt, len(_BACK_OFF) - 1)])
                attempt += 1
                continue
            except Exception as error:  # noqa: BLE001 -- the thread must not end unseen, whatever happens in it
                self._listener.thread_failed(error)
                self._wait_closed(_BACK_OFF[-1])
                continue
            attempt = 0
            self._serve_until_lost(port)
        self._end_all(self._clock(), Reason.CANCELLED, Result.CANCELLED)
        self._waiter.close()

    def _serve_until_lost(self, port: Port) -> None:
        self._port, self._up, self._down_told = port, True, False
        self._listener.link_up(port.latency())
        try:
            self._serve(port)
        except LinkLost as error:
            self._lost(error)
        except Exception as error:  # noqa: BLE001 -- as above
            self._up = False
            self._listener.thread_failed(error)
            self._machine = EchoMachine(self._machine.times)
            self._end_all(self._clock(), Reason.INTERNAL, Result.FAILED)
            self._wait_closed(_BACK_OFF[0])
        finally:
            self._port, self._up = None, False
            port.close()

    def _serve(self, port: Port) -> None:
        while not self._stopping or self._machine.busy:
            now = self._clock()
            if self._stopping:
                self._perform(self._machine.cancel(now), port, now)
            while self._orders:
                self._perform(self._orders.popleft()(now), port, now)
            resting = now < self._rest_until and not self._machine.busy
            readable = self._waiter.wait(
                None if resting else port, self._timeout(now, resting), busy=self._machine.busy
            )
            now = self._clock()
            if readable:
                data = port.read()
                if data:
                    now = self._clock()
                    self._perform(self._machine.received(data, now), port, now)
                    if not self._machine.busy and self._relay is None:
                        self._rest_until = now + _COALESCE
            self._perform(self._machine.tick(now), port, now)
            self._hand_over(now, idle=not readable and now >= self._rest_until)

    def _timeout(self, now: float, resting: bool) -> float | None:
        due = [self._rest_until] if resting else []
        if self._machine.deadline is not None:
            due.append(self._machine.deadline)
        if self._gathered:
            due.append(self._gathered_since + _HAND_OVER)
        return max(0.0, min(due) - now) if due else None

    def _perform(self, effects: list[Effect], port: Port | None, now: float) -> None:
        for effect in effects:
            match effect:
                case Write(data):
                    if port is not None and self._writes:
                        port.write(data)
                        self._gather(Direction.SENT, data, now)
                case Echoed(data, at, lags):
                    self._gather(Direction.ECHOED, data, at, lags=lags)
                case Heard(data, at, fault):
                    self._gather(Direction.HEARD, data, at, fault=fault)
                    if port is not None and self._relay is not None and not self._machine.busy:
                        again = self._relay.passes(data, at)
                        if again:
                            port.write(again)
                            self._gather(Direction.PASSED_ON, again, now)
                case Finished(report):
                    if self._relay is not None and not report.result.good:
                        self._relay.failed(now)
                    self._hand_over(now, idle=True)
                    self._listener.finished(report)
                    self._perform(self._begin_next(now), port, now)

    def _begin_next(self, now: float) -> list[Effect]:
        effects: list[Effect] = []
        while self._waiting and not self._machine.busy:
            transmission = self._waiting.popleft()
            if not self._up:
                effects.append(Finished(_ended(transmission, Result.FAILED, Reason.LINK_LOST)))
            elif not self._writes:
                effects.append(Finished(_ended(transmission, Result.REFUSED, Reason.LISTEN_ONLY)))
            else:
                effects += self._machine.begin(transmission, now)
        return effects

    # What is gathered for the listener

    def _gather(
        self,
        direction: Direction,
        data: bytes,
        at: float,
        *,
        lags: tuple[float | None, ...] | None = None,
        fault: Reason | None = None,
    ) -> None:
        current = self._machine.current_id
        if not self._gathered:
            self._gathered_since = at
        # In lockstep, sent and echoed frames take turns: each kind is joined to its own last record.
        for place in range(len(self._gathered) - 1, max(-1, len(self._gathered) - 3), -1):
            last = self._gathered[place]
            if last.direction is direction and last.fault is fault and last.transmission == current:
                joined = None if lags is None else (last.lags or ()) + lags
                self._gathered[place] = LineEvent(direction, last.data + data, at, joined, fault, current)
                return
            if last.direction not in (Direction.SENT, Direction.ECHOED):
                break
        self._gathered.append(LineEvent(direction, data, at, lags, fault, current))

    def _hand_over(self, now: float, *, idle: bool) -> None:
        if not self._gathered:
            return
        waits = self._machine.busy or not idle
        if not waits or now >= self._gathered_since + _HAND_OVER:
            events, self._gathered = self._gathered, []
            self._listener.line_events(events)

    # While there is no port

    def _lost(self, error: LinkLost) -> None:
        now = self._clock()
        self._up = False
        self._perform(self._machine.link_lost(now), None, now)
        self._hand_over(now, idle=True)
        self._tell_down(error)

    def _tell_down(self, error: LinewardenError) -> None:
        if not self._down_told:
            self._down_told = True
            self._listener.link_down(error)

    def _wait_closed(self, seconds: float) -> None:
        """Wait before the next attempt; what is asked meanwhile fails at once."""
        until = self._clock() + seconds * random.uniform(0.8, 1.2)  # noqa: S311 -- only spreads the attempts
        while not self._stopping:
            now = self._clock()
            while self._orders:
                self._perform(self._orders.popleft()(now), None, now)
            if now >= until:
                return
            self._waiter.wait(None, until - now)

    def _end_all(self, now: float, reason: Reason, result: Result) -> None:
        while self._orders:
            self._perform(self._orders.popleft()(now), None, now)
        while self._waiting:
            self._listener.finished(_ended(self._waiting.popleft(), result, reason))
        self._hand_over(now, idle=True)


def _ended(transmission: Transmission, result: Result, reason: Reason) -> Report:
    """The report of a transmission of which nothing was written."""
    return Report(transmission.id, result, reason, frames=len(transmission.message.data))
