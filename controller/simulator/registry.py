"""The simulated lines behind ``sim://`` ports of this process, by name."""

from __future__ import annotations

import contextlib
import errno
import itertools
import socket
import threading
from dataclasses import dataclass

from serial import SerialException

from controller.simulator.chain import Happening
from controller.simulator.line import SimulatedLine
from controller.simulator.runner import LiveLine, shared_runner, watchable
from controller.simulator.url import SimUrl, find_profile, parse_url
from profiles.errors import LinewardenError, NotKnown, PortUnavailable
from profiles.model import Value

__all__ = ["Running", "attach", "names", "running", "stop", "stop_all"]

_MOST_HELD = 65536
"""Bytes that are kept for a program that does not read."""


class _SocketEndpoint:
    """The simulator's end of a port: a socket whose other end the port reads."""

    def __init__(self) -> None:
        self._ours, self.theirs = socket.socketpair()
        self._ours.setblocking(False)
        self.theirs.setblocking(False)
        self._kept = bytearray()
        try:
            watchable(max(self._ours.fileno(), self.theirs.fileno()))
        except PortUnavailable:
            self.close()
            self.theirs.close()
            raise

    @property
    def kept(self) -> int:
        """Bytes that did not fit the socket yet."""
        return len(self._kept)

    def fileno(self) -> int:
        """The simulator's end; -1 once it is closed."""
        return self._ours.fileno()

    def read(self) -> bytes:
        """What was written to the descriptor itself; the port's ``write`` does not come this way.

        Raises:
            ConnectionResetError: the other end is closed.
        """
        with contextlib.suppress(BlockingIOError):
            data = self._ours.recv(65536)
            if not data:
                raise ConnectionResetError("the port was closed")
            return data
        return b""

    def write(self, data: bytes) -> int:
        """Hand bytes to the port, or keep them for it."""
        room = _MOST_HELD - len(self._kept)
        self._kept += data[:room]
        self.refill()
        return min(len(data), room)

    def refill(self) -> None:
        """Hand on what was kept, as much of it as fits."""
        with contextlib.suppress(BlockingIOError):
            while self._kept:
                sent = self._ours.send(self._kept)
                del self._kept[:sent]

    def forget(self) -> None:
        """Throw away what was kept."""
        self._kept.clear()

    def close(self) -> None:
        """The adapter is gone: the port reads the end of the stream."""
        self._ours.close()


@dataclass(slots=True)
class Driven:
    """The modem control lines that the computer drives."""

    dtr: bool = False
    rts: bool = False


class Running:
    """A simulated line that runs in this process.

    Raises:
        LinewardenError: its profile can't be had, or an order of its URL can't be carried out.
    """

    def __init__(self, name: str, url: SimUrl) -> None:
        self.name = name
        self.url = url
        self.driven = Driven()
        """What the computer does with its control lines."""
        line = SimulatedLine(find_profile(url.profile), url.layout, url.facts, control_lines=True)
        self.live = LiveLine(line, on_plug=self._plugged)
        self._endpoint: _SocketEndpoint | None = None
        for order in url.orders:
            self.live.order(order)
        shared_runner().add(self.live)

    @property
    def in_use(self) -> bool:
        """Whether a port is open on it."""
        return self._endpoint is not None

    def order(self, text: str) -> str:
        """Carry out one order (``help`` lists them); says what was done.

        Raises:
            InputError: it is no order, or can't be done on this line.
        """
        return self.live.order(text)

    def states(self) -> dict[int, dict[str, Value]]:
        """Each unit's own states now, by the unit's place on the line."""
        return self.live.states()

    def happenings(self) -> list[Happening]:
        """What the units did since the last call."""
        return self.live.happenings()

    def open(self) -> _SocketEndpoint:
        """Join a port to it.

        Raises:
            SerialException: it is unplugged, or has a port already.
        """
        with self.live.lock:
            if not self.live.line.plugged:
                raise SerialException(errno.ENOENT, f"no such file: {self.name} is unplugged")
            if self._endpoint is not None:
                raise SerialException(errno.EBUSY, f"busy: {self.name} is open already")
            self._endpoint = _SocketEndpoint()
            self.live.endpoint = self._endpoint
        shared_runner().wake()
        return self._endpoint

    def close(self, endpoint: _SocketEndpoint) -> None:
        """A port lets it go."""
        with self.live.lock:
            endpoint.close()
            if self._endpoint is endpoint:
                self._endpoint = self.live.endpoint = None
        shared_runner().wake()

    def end(self) -> None:
        """It runs no more; a port that is open on it is lost."""
        shared_runner().remove(self.live)
        self._plugged(False)

    def _plugged(self, plugged: bool) -> None:
        if not plugged and self._endpoint is not None:
            self.close(self._endpoint)


_lines: dict[str, Running] = {}
_looking = threading.RLock()
_numbers = itertools.count(1)


def attach(url: str) -> Running:
    """The line that a URL means: the one of its name that runs, or a fresh one.

    Raises:
        PortUnavailable: the URL is wrong, its profile can't be had, or a line of that name is in use with
            other settings.
    """
    wanted = parse_url(url)
    with _looking:
        name = wanted.name or f"sim-{next(_numbers)}"
        known = _lines.get(name)
        if known is not None and known.url == wanted:
            return known
        if known is not None and known.in_use:
            raise PortUnavailable(
                f"{name} runs already, with other settings", where=url, todo="give this one another name"
            )
        try:
            fresh = Running(name, wanted)
        except PortUnavailable:
            raise
        except LinewardenError as error:
            raise PortUnavailable(str(error), where=url) from error
        if known is not None:
            known.end()
        _lines[name] = fresh
        return fresh


def released(line: Running) -> None:
    """A port was closed: a line that has no name of its own ends with it."""
    if line.url.name is None:
        with contextlib.suppress(NotKnown):
            stop(line.name)


def running(name: str) -> Running:
    """The line that runs under that name.

    Raises:
        NotKnown: none does.
    """
    with _looking:
        line = _lines.get(name)
        if line is None:
            known = ", ".join(_lines) or "none"
            raise NotKnown(f"no simulated line {name!r} runs", todo=f"those that do: {known}")
        return line


def names() -> tuple[str, ...]:
    """The names of all lines that run."""
    with _looking:
        return tuple(_lines)


def stop(name: str) -> None:
    """End a line; its units are gone, and a port that is open on it is lost.

    Raises:
        NotKnown: none of that name runs.
    """
    with _looking:
        line = running(name)
        del _lines[name]
    line.end()


def stop_all() -> None:
    """End every line of this process."""
    for name in names():
        with contextlib.suppress(NotKnown):
            stop(name)
