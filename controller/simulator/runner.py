"""Simulated lines in real time: one thread for as many lines as there are.

A line's times are exact to some 20 microseconds where its adapter is quick: the thread sleeps until shortly
before a piece is due and then looks at the clock. Where the adapter is slow or the line is full, it only
sleeps. An idle line costs nothing. A write through a descriptor counts from the instant at which it is
read, a thread's waking later than it was written; a port of this process tells its own instant.
``select`` and not ``epoll``: its time-outs are not rounded to milliseconds.
"""

from __future__ import annotations

import contextlib
import logging
import os
import select
import socket
import threading
import time
from collections.abc import Callable
from functools import partial
from typing import Protocol

from controller.simulator.chain import Happening
from controller.simulator.line import SimulatedLine
from controller.threads import named_thread
from profiles.errors import LinewardenError, PortUnavailable
from profiles.model import Value

__all__ = ["Clock", "Endpoint", "LiveLine", "Runner", "shared_runner", "watchable"]

_log = logging.getLogger(__name__)

_SPIN = 150e-6
"""Seconds before a due time at which sleeping ends: a sleep may last that much longer than asked."""
_CLOSE = 1e-3
"""Seconds before a due time at which a long sleep ends, and a short one begins."""

_MOST_DESCRIPTORS = 1024
"""FD_SETSIZE of POSIX systems (sys/select.h)."""

Clock = Callable[[], float]


class Endpoint(Protocol):
    """Where the computer's bytes come from and go to; no call may block."""

    def fileno(self) -> int:
        """A descriptor that is readable when the computer has written."""

    def read(self) -> bytes:
        """What the computer has written; empty where there is nothing.

        Raises:
            OSError: the computer's side is gone.
        """

    def write(self, data: bytes) -> int:
        """Hand bytes to the computer; how many of them fitted.

        Raises:
            OSError: the computer's side is gone.
        """


def watchable(descriptor: int) -> int:
    """See that ``select`` can wait on a descriptor, and give it back.

    Raises:
        PortUnavailable: it is too great: POSIX systems take 1023 at most.
    """
    if os.name == "posix" and descriptor >= _MOST_DESCRIPTORS:
        raise PortUnavailable(
            "this program has too many files open to wait on one more", todo="close some, or use fewer ports"
        )
    return descriptor


class LiveLine:
    """One simulated line in real time.

    Every method may be called from any thread.

    Args:
        line: the line in virtual time.
        clock: seconds; the line's times are this clock's.
        on_plug: called, in the thread that gave the order, when the adapter is pulled out (False) or put
            back (True).
    """

    def __init__(
        self,
        line: SimulatedLine,
        *,
        clock: Clock = time.perf_counter,
        on_plug: Callable[[bool], None] | None = None,
    ) -> None:
        self.lock = threading.RLock()
        self.line = line
        self.endpoint: Endpoint | None = None
        self.lost = 0
        """Bytes that the computer did not take in time."""
        self.deadline: float | None = None
        """When the runner has to look at this line again."""
        self._clock = clock
        self._on_plug = on_plug
        self._wake: Callable[[float], None] = lambda _deadline: None

    def joined(self, wake: Callable[[float], None]) -> None:
        """The runner tells how it is woken for an earlier deadline."""
        with self.lock:
            self._wake = wake
            self._plan()

    def _plan(self) -> None:
        self.deadline = self.line.deadline
        if self.deadline is not None:
            self._wake(self.deadline)

    def feed(self, data: bytes, at: float | None = None) -> None:
        """The computer has written ``data``, at ``at`` or now."""
        with self.lock:
            self.line.feed(data, self._clock() if at is None else at)
            self._plan()

    def readable(self) -> None:
        """The endpoint has something."""
        at = self._clock()
        with self.lock:
            if self.endpoint is None:
                return
            data = self.endpoint.read()
            if data:
                self.feed(data, at)

    def pump(self, now: float) -> None:
        """Hand on what is due by ``now``."""
        with self.lock:
            data = b"".join(piece for piece, _ in self.line.due(now))
            self.deadline = self.line.deadline
            if data and self.endpoint is not None:
                self.lost += len(data) - self.endpoint.write(data)

    def prepare(self, now: float) -> None:
        """Carry out ahead what happens on the line before a piece is due; little is left to do then."""
        with self.lock:
            self.line.chain.advance(now)
            self.deadline = self.line.deadline

    def order(self, text: str) -> str:
        """Carry out one order; says what was done.

        Raises:
            InputError: it is no order, or can't be done on this line.
        """
        with self.lock:
            before = self.line.plugged
            said = self.line.order(text, self._clock())
            after = self.line.plugged
            self._plan()
        if before is not after and self._on_plug is not None:
            self._on_plug(after)
        return said

    def states(self) -> dict[int, dict[str, Value]]:
        """Each unit's states now, by the unit's place on the line."""
        with self.lock:
            return self.line.chain.states(self._clock())

    def happenings(self) -> list[Happening]:
        """What the units did since the last call, on the clock of this line."""
        with self.lock:
            self.line.chain.advance(self._clock())
            return self.line.chain.happenings()

    def sent_in(self) -> float:
        """Seconds until all that was written has left the adapter; 0 where it has."""
        with self.lock:
            return max(0.0, self.line.chain.sent_at - self._clock())

    def unsent(self) -> int:
        """Frames that were written and have not begun to leave the adapter."""
        return int(self.sent_in() / self.line.chain.frame_time)

    def withdraw(self) -> None:
        """Take back the frames that have not begun to leave the adapter."""
        with self.lock:
            self.line.chain.withdraw(self._clock())
            self._plan()

    def drop_endpoint(self) -> None:
        """The computer's side is gone."""
        with self.lock:
            self.endpoint = None


class Runner:
    """Runs lines in real time in a thread of its own."""

    def __init__(self, *, clock: Clock = time.perf_counter) -> None:
        self._clock = clock
        self._lines: list[LiveLine] = []
        self._changing = threading.Lock()
        self._ours, self._theirs = socket.socketpair()
        self._ours.setblocking(False)
        self._theirs.setblocking(False)
        self._wakes_at = float("-inf")
        self._stopping = False
        self._ident = 0
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to run, in a thread that does not keep the program alive."""
        self._thread = named_thread(self.run, "simulator")
        self._thread.start()

    def stop(self) -> None:
        """End the thread; the lines stay as they are."""
        self._stopping = True
        self.wake()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(5.0)

    def add(self, live: LiveLine) -> None:
        """Run one more line."""
        with self._changing:
            self._lines = [*self._lines, live]
        live.joined(self._wake_for)
        self.wake()

    def remove(self, live: LiveLine) -> None:
        """Run a line no more."""
        with self._changing:
            self._lines = [other for other in self._lines if other is not live]
        self.wake()

    def wake(self) -> None:
        """Let the thread look at everything anew: endpoints have changed."""
        with contextlib.suppress(OSError):
            self._theirs.send(b"\0")

    def _wake_for(self, deadline: float) -> None:
        if deadline < self._wakes_at and threading.get_ident() != self._ident:
            self.wake()

    def run(self) -> None:
        """Run until ``stop``; ``start`` does this in a thread of its own."""
        self._ident = threading.get_ident()
        while not self._stopping:
            self._turn()

    def _turn(self) -> None:
        """Hand on what is due, then sleep until something is, or something is written."""
        # Whoever feeds a line from here on wakes this thread, though it does not sleep yet.
        self._wakes_at = float("inf")
        now = self._clock()
        soonest, exacting = float("inf"), False
        for live in self._lines:
            if live.deadline is not None and live.deadline <= now:
                self._guarded(live, partial(live.pump, now))
            if live.deadline is not None and live.deadline - now < _CLOSE and live.line.exacting:
                self._guarded(live, partial(live.prepare, now))
            if live.deadline is not None and live.deadline < soonest:
                soonest, exacting = live.deadline, live.line.exacting
        self._wakes_at = soonest
        limit: float | None = None
        if soonest != float("inf"):
            left = soonest - self._clock()
            # After a long sleep a machine wakes more slowly than after a short one: so the last bit is one.
            early = (_CLOSE if left > 2 * _CLOSE else _SPIN) if exacting else 0.0
            limit = max(0.0, left - early)
        self._wait(limit)

    def _wait(self, limit: float | None) -> None:
        ours = self._ours.fileno()
        watched: dict[int, LiveLine] = {}
        for live in self._lines:
            endpoint = live.endpoint
            if endpoint is not None and (number := endpoint.fileno()) >= 0:
                watched[number] = live
        try:
            ready, _, _ = select.select([ours, *watched], [], [], limit)
        except (OSError, ValueError):
            # One of them was closed between looking and waiting; the next turn looks again.
            return
        for number in ready:
            if number == ours:
                with contextlib.suppress(OSError):
                    self._ours.recv(4096)
            else:
                self._guarded(watched[number], watched[number].readable)

    def _guarded(self, live: LiveLine, what: Callable[[], None]) -> None:
        """One line's trouble must not end the others."""
        try:
            what()
        except OSError:
            live.drop_endpoint()
        except LinewardenError as error:
            _log.warning("simulated line: %s", error)
        except Exception:  # noqa: BLE001 -- whatever it is, it is told and the other lines go on
            _log.exception("a fault of the simulator; the line is stopped")
            live.drop_endpoint()
            self.remove(live)

    def close(self) -> None:
        """Stop, and let the descriptors go."""
        self.stop()
        self._ours.close()
        self._theirs.close()


_shared: Runner | None = None
_sharing = threading.Lock()


def shared_runner() -> Runner:
    """The runner of this process, started when it is first asked for.

    Raises:
        PortUnavailable: the thread can't be started.
    """
    global _shared  # noqa: PLW0603 -- one thread for all simulated lines of a process
    with _sharing:
        if _shared is None:
            runner = Runner()
            try:
                runner.start()
            except RuntimeError as error:
                raise PortUnavailable(f"the simulator's thread can't be started ({error})") from error
            _shared = runner
        return _shared
