"""A two-wire line between two ptys, in the line's true time, with what an adapter on it does and hears.

A pty hands bytes over at once: a slave behind one answers before a line would have carried the question. So
this stands between two of them. Each byte takes its frame time, one after the other, whoever sends; a
receiver has it in the middle of its first stop bit (ATmega328P data sheet 7810C, section 19.7), which is as
early as any adapter can hand on either an answer or its own echo. It may be later on a busy machine, as
behind a real adapter, and is never sooner.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections import deque
from typing import Self

__all__ = ["Wire"]

_WAKES = 0.05
"""Seconds after which it looks around without anything having come."""
_NOBODY = 0.002
"""Seconds to leave alone a pty that nobody has open: it is always readable."""


class _End:
    """One pty: whoever opens ``path`` is on the line."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self.master, False)

    def read(self) -> bytes | None:
        """What was written to it; None while nobody has it open."""
        try:
            return os.read(self.master, 4096)
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]


class Wire:
    """The line; a context manager. Its marks can be set while it runs.

    Args:
        baud: bits a second.
        hears_itself: whether the master's adapter receives what it sends.
        dead: whether the slave is without mains: nothing reaches it.
        spoils: the place of a byte in the slave's answer, from 0, and a mask of the bits that are turned
            over in it on the way.
    """

    BITS = 11
    """A frame of 8E1: start, 8 data, parity, stop. MODBUS over Serial Line V1.02, 2.5.1: every RTU character
    has 11 bits."""

    def __init__(
        self,
        *,
        baud: float = 19200.0,
        hears_itself: bool = False,
        dead: bool = False,
        spoils: tuple[int, int] | None = None,
    ) -> None:
        self.frame = self.BITS / baud
        """Seconds a frame."""
        self.hears_itself = hears_itself
        self.dead = dead
        self.spoils = spoils
        self.asked = bytearray()
        """What the master sent."""
        self.said = bytearray()
        """What came back to it: of the slave as the line left it, and of its own."""
        self.mains_after: int | None = None
        """How many bytes of the master a dead slave sleeps through before it has mains; None for all."""
        self._bit = 1 / baud
        self._master, self._slave = _End(), _End()
        self._due: deque[tuple[float, _End, int]] = deque()
        self._free_at = 0.0
        self._place = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="wire", daemon=True)

    @property
    def master(self) -> str:
        """The path of the port for the master."""
        return self._master.path

    @property
    def slave(self) -> str:
        """The path of the port for the slave."""
        return self._slave.path

    def _run(self) -> None:
        ends = {end.master: end for end in (self._master, self._slave)}
        while not self._stop.is_set():
            wait = _WAKES if not self._due else max(0.0, self._due[0][0] - time.monotonic())
            readable, _, _ = select.select(list(ends), [], [], wait)
            now = time.monotonic()
            idle = False
            for descriptor in readable:
                data = ends[descriptor].read()
                idle = idle or data is None
                if data:
                    self._carry(ends[descriptor], data, now)
            while self._due and self._due[0][0] <= time.monotonic():
                _, end, value = self._due.popleft()
                if end is self._master:
                    self.said.append(value)
                end.write(bytes([value]))
            if idle:
                self._stop.wait(min(_NOBODY, wait))

    def _carry(self, sender: _End, data: bytes, now: float) -> None:
        """Put bytes on the line, behind those that are on it."""
        if sender is self._master:
            if self.mains_after is not None and len(self.asked) >= self.mains_after:
                self.dead = False
            self.asked += data
            self._place = 0
        begins = max(now, self._free_at)
        for number, value in enumerate(data, 1):
            had = begins + number * self.frame - self._bit / 2
            if sender is self._slave:
                self._due.append((had, self._master, self._on_the_way(value)))
                continue
            if self.hears_itself:
                self._due.append((had, self._master, value))
            if not self.dead:
                self._due.append((had, self._slave, value))
        self._free_at = begins + len(data) * self.frame

    def _on_the_way(self, value: int) -> int:
        place, mask = self.spoils or (-1, 0)
        self._place += 1
        return value ^ mask if self._place - 1 == place else value

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._master.master)
        os.close(self._slave.master)
