"""What a link does with its echo machine: orders in, writes out, every transmission reported once.

It owns no thread and no clock, and is handed the port, or None while there is none.
"""

from __future__ import annotations

import logging
from collections import deque

from controller.echo import EchoMachine
from controller.link_telling import Teller
from controller.ports import Port
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
from profiles.errors import LinkLost

__all__ = ["LinkDriver", "Order", "ended"]

log = logging.getLogger(__name__)

Order = Transmission | LineTimes | str
"""What other threads ask for: to transmit, new times, or the id of a transmission to take back."""


class LinkDriver:
    """Drives transmissions over a port, one after another.

    Args:
        times: what is known of time on the line.
        tell: where everything goes that is to be told.
        pass_on: whether frames of others are repeated (rings only).
        writes: False for a tap: then nothing is ever written, whatever is asked.
    """

    def __init__(self, times: LineTimes, tell: Teller, *, pass_on: bool, writes: bool) -> None:
        self._tell = tell
        self._writes = writes
        self._machine = EchoMachine(times)
        self._relay = RingRelay(times) if pass_on and writes else None
        self._new_times: LineTimes | None = None
        self._waiting: deque[Transmission] = deque()
        self._under_way: Transmission | None = None
        self._attempt: int | None = None
        self._wrote = False
        """Whether anything was written of it."""
        self.down = False
        """Whether it is known that there is no port: then nothing waits for one."""

    @property
    def busy(self) -> bool:
        """Whether a transmission is under way."""
        return self._under_way is not None

    @property
    def deadline(self) -> float | None:
        """When ``tick`` is due."""
        return self._machine.deadline

    @property
    def frame_time(self) -> float:
        """T, in seconds."""
        return self._machine.times.frame

    @property
    def repeats(self) -> bool:
        """Whether frames of others are repeated: then each one counts."""
        return self._relay is not None

    # What happens

    def opened(self, latency: tuple[float, float | None] | None, now: float) -> None:
        """There is a port."""
        self.down = False
        if self._relay is not None:
            self._relay.failed(now)  # what went round while we were away dies first
        self._tell.up(latency)

    def lost(self, error: LinkLost, now: float) -> None:
        """The port went away: what is under way and what waits ends here."""
        self.down = True
        self._perform(self._machine.link_lost(now), None, now)
        self.begin_next(None, now)
        self._tell.down(error)

    def order(self, order: Order, port: Port | None, now: float) -> None:
        """Something is asked for; ``begin_next`` has to follow."""
        if isinstance(order, Transmission):
            self._waiting.append(order)
        elif isinstance(order, LineTimes):
            self._new_times = order
        else:
            self._take_back(order, port, now)

    def received(self, data: bytes, port: Port, now: float) -> None:
        """Bytes were read."""
        self._tell.heard(now)
        self._perform(self._machine.received(data, now), port, now)

    def tick(self, port: Port, now: float) -> None:
        """The time is ``now``."""
        deadline = self._machine.deadline
        if deadline is not None and now >= deadline:
            self._perform(self._machine.tick(now), port, now)

    def begin_next(self, port: Port | None, now: float) -> None:
        """Begin what waits, or say why not."""
        while self._under_way is None:
            if self._new_times is not None:
                self._take_times(self._new_times)
            if not self._waiting or (port is None and self._writes and not self.down):
                return
            transmission = self._waiting.popleft()
            if not self._writes:
                self._tell.finished(ended(transmission, Result.REFUSED, Reason.LISTEN_ONLY))
            elif port is None:
                self._tell.finished(ended(transmission, Result.FAILED, Reason.LINK_LOST))
            else:
                self._under_way = transmission
                self._wrote = False
                self._perform(self._machine.begin(transmission, now), port, now)

    def _take_times(self, times: LineTimes) -> None:
        self._machine.times, self._new_times = times, None
        if self._relay is not None:
            self._relay.set_times(times)

    def _take_back(self, transmission_id: str, port: Port | None, now: float) -> None:
        for waiting in self._waiting:
            if waiting.id == transmission_id:
                self._waiting.remove(waiting)
                self._tell.finished(ended(waiting, Result.CANCELLED, Reason.CANCELLED))
                return
        if self._under_way is not None and self._under_way.id == transmission_id:
            self.take_back(port, now)

    def take_back(self, port: Port | None, now: float) -> None:
        """Take back what is under way, as soon as the frame in hand is accounted for."""
        self._perform(self._machine.cancel(now), port, now)

    # Doing what the machine says

    def _perform(self, effects: list[Effect], port: Port | None, now: float) -> None:
        """See to all effects, though the port may be lost in the middle.

        Raises:
            LinkLost: the port is gone; everything but the writing was done.
        """
        lost: LinkLost | None = None
        traffic = self._tell.traffic
        self._attempt = self._machine.attempt or self._attempt
        for effect in effects:
            current = self._under_way.id if self._under_way is not None else None
            attempt = self._attempt if current is not None else None
            write, direction = b"", Direction.SENT
            if isinstance(effect, Write):
                write = effect.data
            elif isinstance(effect, Echoed):
                traffic.add(
                    Direction.ECHOED, effect.data, effect.at, current, lags=effect.lags, attempt=attempt
                )
            elif isinstance(effect, Heard):
                traffic.add(Direction.HEARD, effect.data, effect.at, current, fault=effect.fault)
                if self._relay is not None and current is None:
                    write, direction = self._relay.passes(effect.data, effect.at), Direction.PASSED_ON
            else:
                self._over_with(effect.report, now)
            if write and port is not None and lost is None and self._writes:
                self._wrote = True
                try:
                    port.write(write)
                except LinkLost as error:
                    lost = error
                else:
                    traffic.add(direction, write, now, current, attempt=attempt)
        if lost is not None:
            raise lost

    def _over_with(self, report: Report, now: float) -> None:
        self._under_way = self._attempt = None
        if self._relay is not None and not report.result.good:
            self._relay.failed(now)
        self._tell.finished(report)

    # Endings

    def break_off(self, result: Result, reason: Reason, now: float) -> None:
        """End what is under way, whatever the line may still say of it."""
        transmission = self._under_way
        if transmission is None:
            return
        try:
            effects = self._machine.link_lost(now)
        except Exception:
            log.exception("the echo machine is at fault")
            effects = []
        for effect in effects:
            if isinstance(effect, Finished):
                effect.report.result, effect.report.reason = result, reason
        self._perform(effects, None, now)
        if self._under_way is not None:
            report = ended(transmission, result, reason)
            report.all_out = self._wrote  # nothing is known of how far it came: a unit may have obeyed
            self._over_with(report, now)

    def end_all(self, result: Result, reason: Reason, now: float) -> None:
        """End what is under way and what waits."""
        self.break_off(result, reason, now)
        while self._waiting:
            self._tell.finished(ended(self._waiting.popleft(), result, reason))

    def begin_anew(self, error: Exception, now: float) -> None:
        """After a fault of this program: everything ends with a report, and a fresh machine takes over."""
        self.down = True
        self.end_all(Result.FAILED, Reason.INTERNAL, now)
        self._machine = EchoMachine(self._machine.times)
        self._tell.failed(error)


def ended(transmission: Transmission, result: Result, reason: Reason) -> Report:
    """The report of a transmission of which nothing was written."""
    return Report(transmission.id, result, reason, frames=len(transmission.message.data))
