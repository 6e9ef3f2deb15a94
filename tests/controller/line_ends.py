"""Far ends of real ports, and a listener that keeps what a link tells it, for tests of ports and links."""

from __future__ import annotations

import contextlib
import gc
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Self

import pytest

from controller.link import LineEvent, Link
from controller.ports import Port, PortSettings, open_port
from controller.records import Direction
from controller.transmission import LineTimes, Report, Transmission
from profiles.compiled import Meaning
from profiles.errors import LinewardenError, PortUnavailable
from profiles.model import Confirmation, LineSettings, Method
from profiles.stream import StreamMatcher
from profiles.template import Message

PATIENCE = 10.0
"""Seconds after which what a test waits for counts as missing; the machine may be busy with other work."""

FAST = LineTimes(frame=1e-6, latency=0.0, jitter=0.005, burst_gap=0.001)
"""The far end of a pty returns a byte at once: no line is as fast as that, so take a very fast one."""


def wait_until(condition: Callable[[], bool], patience: float = PATIENCE) -> bool:
    """Whether it came true in time."""
    until = time.monotonic() + patience
    while not condition():
        if time.monotonic() > until:
            return False
        time.sleep(0.002)
    return True


class FarEnd:
    """The other end of a pty, which stands for the line; closing it is pulling the adapter out."""

    def __init__(self, *, link: Path | None = None) -> None:
        self.master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self.name = self.path
        self._link: Path | None = None
        os.close(slave)
        os.set_blocking(self.master, False)
        if link is not None:
            self.turn(link)

    def turn(self, link: Path) -> None:
        """Have a stable name lead here."""
        new = link.with_suffix(".new")
        new.symlink_to(self.path)
        new.replace(link)
        self.name = str(link)
        self._link = link

    def write(self, data: bytes) -> None:
        while data:
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self.master, data) :]

    def read_now(self, most: int = 65536) -> bytes:
        try:
            return os.read(self.master, most)
        except OSError:
            return b""  # nothing there, or nobody has the port open

    def read(self, count: int) -> bytes:
        """Exactly so many bytes, or fewer when patience is over."""
        data = b""
        until = time.monotonic() + PATIENCE
        while len(data) < count and time.monotonic() < until:
            select.select([self.master], [], [], 0.01)
            data += self.read_now(count - len(data))
        return data

    def close(self) -> None:
        if self.master < 0:
            return
        if self._link is not None and self._link.is_symlink() and str(self._link.readlink()) == self.path:
            # The number of a pty that is gone is the next one's: the name must not lead to somebody else's.
            self._link.unlink()
        os.close(self.master)
        self.master = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Echoing:
    """A loop-back plug: what is written to a far end comes back from it."""

    def __init__(self, far: FarEnd) -> None:
        self._far = far
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.heard = bytearray()

    def _run(self) -> None:
        while not self._stop.is_set():
            select.select([self._far.master], [], [], 0.05)
            data = self._far.read_now()
            if data:
                self.heard += data
                self._far.write(data)
            elif not self._stop.is_set():
                time.sleep(0.001)  # while nobody has the port open it is always readable

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()


class Listener:
    """Keeps what a link tells, and in which thread."""

    def __init__(self) -> None:
        self.ups: list[tuple[float, float | None] | None] = []
        self.downs: list[LinewardenError] = []
        self.batches: list[list[LineEvent]] = []
        self.reports: list[Report] = []
        self.faults: list[BaseException] = []
        self.lines: list[tuple[str, bool, bool]] = []
        self.order: list[str] = []
        self.threads: set[str] = set()

    def _note(self, what: str) -> None:
        self.order.append(what)
        self.threads.add(threading.current_thread().name)

    def link_up(self, latency: tuple[float, float | None] | None) -> None:
        self.ups.append(latency)
        self._note("up")

    def link_down(self, error: LinewardenError) -> None:
        self.downs.append(error)
        self._note("down")

    def line_events(self, events: list[LineEvent]) -> None:
        self.batches.append(events)
        self._note("events")

    def finished(self, report: Report) -> None:
        self.reports.append(report)
        self._note(f"finished {report.id}")

    def control_lines(self, changes: list[tuple[str, bool, bool]]) -> None:
        self.lines += changes
        self._note("control lines")

    def thread_failed(self, error: BaseException) -> None:
        self.faults.append(error)
        self._note("fault")

    # What tests ask for

    @property
    def events(self) -> list[LineEvent]:
        return [event for batch in list(self.batches) for event in batch]

    def data(self, direction: Direction) -> bytes:
        return b"".join(event.data for event in self.events if event.direction is direction)

    def report(self, transmission_id: str) -> Report:
        """Its report; waits for it."""
        found: list[Report] = []

        def came() -> bool:
            found[:] = [report for report in list(self.reports) if report.id == transmission_id]
            return bool(found)

        if not wait_until(came):
            raise AssertionError(f"no report of {transmission_id!r}; so far: {self.order}")
        return found[0]

    def is_up(self, times: int = 1) -> bool:
        return wait_until(lambda: len(self.ups) >= times)

    def is_down(self, times: int = 1) -> bool:
        return wait_until(lambda: len(self.downs) >= times)


def settings(name: str, baud: float = 115200.0, frame: str = "8N1", **more: object) -> PortSettings:
    line = {key: more.pop(key) for key in ("bit_order", "idle") if key in more}
    return PortSettings(name, LineSettings(baud=baud, frame=frame, **line), **more)  # type: ignore[arg-type]  # -- keys of either, as the test gives them


def opened(far: FarEnd, **more: object) -> Port:
    return open_port(settings(far.name, **more))  # type: ignore[arg-type]  # -- as above


def refusal(wanted: PortSettings) -> str:
    with pytest.raises(PortUnavailable) as caught:
        open_port(wanted)
    text = str(caught.value)
    assert "\n" not in text
    assert caught.value.todo, f"does not say what to do: {text}"
    return text


def transmission(
    identity: str,
    data: bytes = b"\x01\x02\x03",
    method: Method = Method.LOOP,
    *,
    timeout_ms: float = 2000.0,
    retries: int = 0,
    busy_timeout_ms: float = 5000.0,
) -> Transmission:
    def listener() -> StreamMatcher[Meaning]:
        return StreamMatcher([])

    rules = Confirmation(
        method=method,
        timeout_ms=timeout_ms,
        retries=retries,
        retry_pause_ms=1.0,
        busy_timeout_ms=busy_timeout_ms,
    )
    return Transmission(identity, Message(data), method, rules, listener)


@contextlib.contextmanager
def linked(wanted: PortSettings, times: LineTimes = FAST, **more: Any) -> Iterator[tuple[Link, Listener]]:
    """A link that is up, and whom it tells; it is stopped in the end, and has met no fault of its own."""
    listener = Listener()
    link = Link("hall", wanted, times, listener, **more)
    link.start()
    try:
        assert listener.is_up(), f"not up: {listener.downs}, {listener.faults}"
        yield link, listener
    finally:
        link.stop()
    assert listener.faults == []


def descriptors() -> dict[str, str]:
    """What this process has open, by number."""
    found = {}
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            found[entry.name] = str(entry.readlink())
    return found


@contextlib.contextmanager
def nothing_leaks() -> Iterator[None]:
    """Fails a test that leaves a thread or a descriptor behind."""
    threads, before = set(threading.enumerate()), len(descriptors())

    def gone() -> bool:
        return set(threading.enumerate()) <= threads and len(descriptors()) <= before

    yield
    if not gone():
        gc.collect()  # what a failed attempt left in a traceback goes with it
        left = set(threading.enumerate()) - threads
        assert wait_until(gone), f"left: {left}, {before} descriptors before, now {descriptors()}"


class TcpServer:
    """A serial server without RFC 2217: bytes on a TCP connection."""

    def __init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.settimeout(PATIENCE)
        self.port = self._listening.getsockname()[1]
        self.url = f"socket://127.0.0.1:{self.port}"
        self.peer: socket.socket | None = None

    def accept(self) -> socket.socket:
        self.peer, _ = self._listening.accept()
        self.peer.settimeout(PATIENCE)
        return self.peer

    def drop(self) -> None:
        if self.peer is not None:
            self.peer.close()
            self.peer = None

    def close(self) -> None:
        self.drop()
        self._listening.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
