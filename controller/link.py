"""One adapter: its port, its thread, and the echo machine that runs in it.

Confirmation does not wait for the screen: reading, judging echoes and writing the next frame all happen in
this thread. Everything else hears of it afterwards, in batches. What is done with the machine is in
controller/link_driving.py, what is told in link_telling.py, getting a lost port back in link_opening.py.
"""

from __future__ import annotations

import sys
import threading
from collections import deque
from collections.abc import Callable

from controller.control_lines import LineWatch
from controller.link_driving import LinkDriver, Order, ended
from controller.link_gathering import LineEvent
from controller.link_opening import PortOpener
from controller.link_telling import LinkListener, Teller
from controller.ports import Port, PortSettings, open_port
from controller.records import Reason, Result
from controller.threads import named_thread
from controller.transmission import LineTimes, Transmission
from controller.waiting import Clock, Waiter, monotonic
from profiles.errors import LinewardenError, LinkLost

__all__ = ["LineEvent", "Link", "LinkListener"]

_COALESCE = 0.004
"""Seconds for which reading rests after bytes came while no command is out: many small reads cost more."""
_LOOK = 1.0
"""Seconds between looks at whether the port's path still leads to the same device."""
_STEADY = 2.0
"""Seconds that a port has to last before attempts to open it begin at the shortest back-off again."""
_SWITCH = 0.0005
"""Seconds after which a thread that computes lets others run. With Python's own 5 ms, every frame in lockstep
was answered 5 ms late while a screen was being drawn; with this, 0.7 ms (measured)."""
_IN_PLACE = 0.0005
"""Seconds for which one who has something to transmit waits until the link has it in hand."""
_STOP_SHARE = 0.8
"""The part of the time that ``stop`` has in which the frame in hand may still be accounted for."""
_STOP_OPENING = 0.5
"""Seconds that ``stop`` waits for an attempt to open the port; after that it ends by itself."""


class Link:
    """Owns one port in one thread, and drives transmissions over it one after another.

    Each transmission gets exactly one report, whatever happens. Until the first attempt to open the port
    has ended, transmissions wait for it; whenever the port is closed after that they fail at once.

    Args:
        name: the bus's id, for the thread's name.
        settings: how the port is opened.
        times: what is known of time on the line.
        listener: who is told.
        pass_on: whether frames of others are repeated (rings only).
        writes: False for a tap: then nothing is ever written, whatever is asked.
        control_lines: those that the listener is told of; none for never looking at them.
        clock: monotonic seconds.
        opener: opens the port; called in a thread of its own.
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
        control_lines: frozenset[str] = frozenset(),
        clock: Clock = monotonic,
        opener: Callable[[PortSettings], Port] = open_port,
    ) -> None:
        self._settings = settings
        self._listener = listener
        self._clock = clock
        self._opener = opener
        self._tell = Teller(listener, f"link {name}")
        self._driver = LinkDriver(times, self._tell, pass_on=pass_on, writes=writes)
        self._lines = LineWatch(control_lines)
        self._waiter = Waiter()
        self._port: Port | None = None
        self._orders: deque[Order] = deque()
        self._taking_orders = threading.Lock()
        self._handed: threading.Lock | None = None
        """Let go when the orders are taken."""
        self._over = False
        self._stopping = False
        self._stop_by = 0.0
        self._taken_back = False
        self._rest_until = 0.0
        self.last_sign = clock()
        """The monotonic instant of the thread's last sign of life; there is one a second at least."""
        self._thread = named_thread(self._run, f"link {name}")

    # What other threads may call

    def start(self) -> None:
        """Open the port and begin to listen; does nothing once the link was stopped.

        From here on all threads of this process change places more often, see ``_SWITCH``.
        """
        sys.setswitchinterval(min(_SWITCH, sys.getswitchinterval()))
        with self._taking_orders:
            if not self._over:
                self._thread.start()

    def stop(self, timeout: float = 5.0) -> None:
        """Finish the frame in hand, end what is under way, close the port.

        Args:
            timeout: seconds that this may take. What is still under way shortly before is cut short.
        """
        with self._taking_orders:
            self._stop_by = self._clock() + timeout * _STOP_SHARE
            self._stopping = True
            never_started = self._thread.ident is None
        if never_started:
            self._end()
            return
        self._waiter.wake()
        if threading.current_thread() is not self._thread:
            self._thread.join(timeout)

    def transmit(self, transmission: Transmission) -> None:
        """Queue a transmission; its report comes to ``finished``."""
        handed = self._handed = threading.Lock()
        handed.acquire()
        if not self._order(transmission):
            self._listener.finished(ended(transmission, Result.CANCELLED, Reason.CANCELLED))
        else:
            # Sleeping hands Python's lock to the link's thread, which is waking up; else it would wait until
            # the caller has nothing to do: 0.2 ms later, measured.
            handed.acquire(timeout=_IN_PLACE)

    def cancel(self, transmission_id: str) -> None:
        """Take back a transmission that waits or is under way; it still gets its report."""
        self._order(transmission_id)

    def set_times(self, times: LineTimes) -> None:
        """Replace what is known of time on the line, from the next transmission on."""
        self._order(times)

    @property
    def alive(self) -> bool:
        """Whether its thread runs: from ``start`` to its end."""
        return self._thread.is_alive()

    def counters(self) -> dict[str, int]:
        """The driver's own counts of line errors; empty where it has none or the port is closed."""
        port = self._port
        try:
            return port.counters() if port is not None else {}
        except LinkLost:
            return {}  # the link's own thread is about to find out

    def _order(self, order: Order) -> bool:
        """Whether there is a thread to see to it."""
        with self._taking_orders:
            if self._over:
                return False
            self._orders.append(order)
            self._waiter.wake()
            return True

    # The thread

    def _run(self) -> None:
        failures = 0
        while not self._stopping:
            began = self._clock()
            try:
                port = self._await_port(failures)
                if port is None:
                    break
                began = self._clock()
                self._serve_until_lost(port)
            except Exception as error:  # noqa: BLE001 -- the thread must not end unseen, whatever happens in it
                self._driver.begin_anew(error, self._clock())
                self._tell.flush_all()
            failures = 1 if self._clock() - began >= _STEADY else failures + 1
        self._end()

    def _await_port(self, failures: int) -> Port | None:
        """The open port, or None where the link is to stop. What is asked meanwhile fails at once."""
        lost, self._port = self._port, None
        opener = PortOpener(
            lambda: self._opener(self._settings),
            self._waiter.wake,
            self._thread.name.replace("link", "open", 1),
            lost=lost,
            failures=failures,
        )
        opener.start()
        try:
            while not self._stopping:
                self.last_sign = self._clock()
                news = opener.take()
                if isinstance(news, LinewardenError):
                    self._driver.down = True
                    self._tell.down(news)
                elif isinstance(news, Exception):
                    self._driver.down = True
                    self._tell.failed(news)
                elif news is not None:
                    return news
                self._take_orders(None, self._clock())
                self._tell.flush()
                if news is None:
                    self._waiter.wait(None, None)
        finally:
            opener.give_up(_STOP_OPENING if self._stopping else 0.0)
        return None

    def _serve_until_lost(self, port: Port) -> None:
        self._port = port
        self._driver.opened(port.latency(), self._clock())
        self._lines.opened(self._clock())
        self._tell.flush()
        try:
            self._serve(port)
        except LinkLost as error:
            self._driver.lost(error, self._clock())
            self._tell.flush()

    def _serve(self, port: Port) -> None:
        driver, clock, wait = self._driver, self._clock, self._waiter.wait
        now = clock()
        look_at = now + _LOOK
        driver.begin_next(port, now)
        while True:
            self.last_sign = now = clock()
            if self._stopping:
                self._wind_up(port, now)
                if not driver.busy:
                    return
            elif self._orders:
                # What others say must be known before anything of ours goes out.
                self._take_in(port.read(), port, clock())
                self._take_orders(port, clock())
                self._tell.flush()
            busy = driver.busy
            resting = not busy and now < self._rest_until
            if wait(None if resting else port, self._timeout(now, resting=resting), busy=busy):
                data = port.read()
                now = clock()
                self._take_in(data, port, now)
            else:
                now = clock()
            driver.tick(port, now)
            if now >= self._lines.due:
                self._look_at_lines(port, now)
            if not (driver.busy or self._stopping):
                driver.begin_next(port, now)
                if now >= look_at:
                    port.check()
                    look_at = now + _LOOK
            due = self._tell.due(idle=not driver.busy)
            if due is not None and now >= due:
                self._tell.hand_over()
            self._tell.flush()

    def _look_at_lines(self, port: Port, now: float) -> None:
        levels = port.control_lines()
        changes = self._lines.looked(levels, now, busy=self._driver.busy)
        if changes:
            self._tell.control_lines(changes)

    def _take_in(self, data: bytes, port: Port, now: float) -> None:
        if not data:
            return
        self._driver.received(data, port, now)
        if not self._driver.repeats and len(data) * self._driver.frame_time < _COALESCE:
            # An adapter that delivers more than that in one batch coalesces by itself.
            self._rest_until = now + _COALESCE

    def _take_orders(self, port: Port | None, now: float) -> None:
        while self._orders:
            self._driver.order(self._orders.popleft(), port, now)
            self._driver.begin_next(port, now)
        handed, self._handed = self._handed, None
        if handed is not None:
            handed.release()
        self._driver.begin_next(port, now)

    def _timeout(self, now: float, *, resting: bool) -> float | None:
        """Seconds until something is due."""
        due = self._driver.deadline
        if self._lines.wanted and (due is None or self._lines.due < due):
            due = self._lines.due
        telling = self._tell.due(idle=not self._driver.busy)
        if telling is not None and (due is None or telling < due):
            due = telling
        if resting and (due is None or self._rest_until < due):
            due = self._rest_until
        if self._stopping and (due is None or self._stop_by < due):
            due = self._stop_by
        return None if due is None else max(0.0, due - now)

    # Stopping

    def _wind_up(self, port: Port, now: float) -> None:
        """End what is under way: the frame in hand has its time, and no more."""
        if now >= self._stop_by:
            self._driver.break_off(Result.CANCELLED, Reason.CANCELLED, now)
        elif not self._taken_back:
            self._taken_back = True
            self._driver.take_back(port, now)

    def _end(self) -> None:
        with self._taking_orders:
            self._over = True
        now = self._clock()
        while self._orders:
            self._driver.order(self._orders.popleft(), None, now)
        self._driver.end_all(Result.CANCELLED, Reason.CANCELLED, now)
        self._tell.hand_over()
        self._tell.flush_all()
        port, self._port = self._port, None
        if port is not None:
            port.close()
        self._waiter.close()
