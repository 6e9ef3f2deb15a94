"""Waiting for a port, for a deadline and for orders, all at once.

``select`` and not ``epoll``: its time-outs are not rounded to milliseconds, and a frame may be shorter.
"""

from __future__ import annotations

import contextlib
import select
import socket
import time
from collections.abc import Callable

from controller.ports import Port
from profiles.errors import LinkLost

__all__ = ["Waiter"]

_LONGEST = 1.0
_POLL_IDLE = 0.02
_POLL_BUSY = 0.001


class Waiter:
    """Waits on behalf of one link's thread; ``wake`` may be called from any other thread.

    Where a port has no descriptor to wait on (a port on Windows, some URLs), it is looked at every
    millisecond while a transmission is under way, and every 20 ms otherwise.
    """

    def __init__(self) -> None:
        self._ours, self._theirs = socket.socketpair()
        self._ours.setblocking(False)
        self._theirs.setblocking(False)

    def wake(self) -> None:
        """End the wait that is under way, or the next one."""
        with contextlib.suppress(BlockingIOError, OSError):
            self._theirs.send(b"\0")

    def wait(self, port: Port | None, timeout: float | None, *, busy: bool = False) -> bool:
        """Wait for bytes of ``port``, for ``wake``, or for ``timeout`` seconds; whether there may be bytes.

        Raises:
            LinkLost: the port is gone.
        """
        limit = _LONGEST if timeout is None else max(0.0, min(timeout, _LONGEST))
        descriptor = port.fileno() if port is not None else None
        if port is not None and descriptor is None:
            limit = min(limit, _POLL_BUSY if busy else _POLL_IDLE)
        inputs: list[int | socket.socket] = [self._ours]
        if descriptor is not None:
            inputs.append(descriptor)
        try:
            ready, _, _ = select.select(inputs, [], [], limit)
        except (OSError, ValueError) as error:
            name = port.name if port is not None else ""
            raise LinkLost(f"the adapter is gone ({error})", where=name) from error
        if self._ours in ready:
            with contextlib.suppress(BlockingIOError, OSError):
                self._ours.recv(4096)
        return port is not None and (descriptor is None or descriptor in ready)

    def close(self) -> None:
        """Let its descriptors go."""
        self._ours.close()
        self._theirs.close()


def monotonic() -> float:
    """The clock of links: monotonic seconds."""
    return time.perf_counter()


Clock = Callable[[], float]
