"""Waiting for a port, for a deadline and for orders, all at once.

``select`` and not ``epoll``: its time-outs are not rounded to milliseconds, and a frame may be shorter.
"""

from __future__ import annotations

import contextlib
import select
import socket
import threading
import time
from collections.abc import Callable
from typing import Protocol

from profiles.errors import LinkLost

__all__ = ["Clock", "Waitable", "Waiter", "monotonic"]

_LONGEST = 1.0
_POLL_IDLE = 0.02
_POLL_BUSY = 0.001
_SELECT_CAN = 1024
"""FD_SETSIZE of POSIX systems: ``select`` can't wait on a descriptor with this number or a higher one."""


class Waitable(Protocol):
    """What can be waited for: a port."""

    name: str

    def fileno(self) -> int | None:
        """A descriptor to wait on, or None where there is none."""


class Waiter:
    """Waits on behalf of one link's thread; ``wake`` and ``close`` may be called from any other thread.

    Where a port has no descriptor to wait on (a port on Windows, ``loop://``, ``rfc2217://``), it is looked
    at every millisecond while a transmission is under way, and every 20 ms otherwise. In a process with so
    many descriptors open that a port's number is above 1023, ``select`` can't be used: ``poll`` is, and
    time-outs are rounded up to whole milliseconds.
    """

    def __init__(self) -> None:
        self._ours, self._theirs = socket.socketpair()
        self._ours.setblocking(False)
        self._theirs.setblocking(False)
        self._number = self._ours.fileno()
        self._open = threading.Lock()
        """Held by ``wake``: its byte must not go to whatever gets the descriptor's number after ``close``."""

    def wake(self) -> None:
        """End the wait that is under way, or the next one."""
        with self._open, contextlib.suppress(OSError):
            self._theirs.send(b"\0")

    def wait(self, port: Waitable | None, timeout: float | None, *, busy: bool = False) -> bool:
        """Wait for bytes of ``port``, for ``wake``, or for ``timeout`` seconds; whether there may be bytes.

        Args:
            port: what to wait for besides; None for nothing.
            timeout: seconds, never more than one is waited; None for that.
            busy: whether a transmission is under way, for ports that can only be looked at.

        Raises:
            LinkLost: the port is gone.
        """
        limit = _LONGEST if timeout is None or timeout > _LONGEST else max(0.0, timeout)
        descriptor = port.fileno() if port is not None else None
        if descriptor is None:
            inputs = [self._number]
            if port is not None:
                limit = min(limit, _POLL_BUSY if busy else _POLL_IDLE)
        else:
            inputs = [self._number, descriptor]
        try:
            if max(inputs) < _SELECT_CAN or not hasattr(select, "poll"):
                ready = select.select(inputs, (), (), limit)[0]
            else:
                ready = _poll(inputs, limit)
        except (OSError, ValueError) as error:
            name = port.name if port is not None else ""
            raise LinkLost(f"the adapter is gone ({error})", where=name) from error
        if self._number in ready:
            with contextlib.suppress(OSError):
                self._ours.recv(4096)
        return port is not None and (descriptor is None or descriptor in ready)

    def close(self) -> None:
        """Let its descriptors go; ``wake`` does nothing from now on."""
        with self._open:
            self._ours.close()
            self._theirs.close()


def _poll(inputs: list[int], limit: float) -> list[int]:
    poll = select.poll()
    for descriptor in inputs:
        poll.register(descriptor, select.POLLIN)
    return [descriptor for descriptor, _ in poll.poll(limit * 1000)]


def monotonic() -> float:
    """The clock of links: monotonic seconds."""
    return time.perf_counter()


Clock = Callable[[], float]
