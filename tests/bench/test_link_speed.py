"""How soon a link answers a frame, and what listening to a saturated line costs it. Run by `make bench`."""

from __future__ import annotations

import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from controller.link import LineEvent, Link
from controller.records import Result
from controller.transmission import LineTimes
from tests.bench.figures import Figure, print_table
from tests.controller.line_ends import Listener, settings, transmission

pytestmark = pytest.mark.bench

FRAMES = 1000
ECHOES = f"""
import os, tty
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
count = 0
while count < {FRAMES}:
    data = os.read(master, 4096)
    count += len(data)
    os.write(master, data)
input()
"""
SATURATES = """
import os, sys, time, tty
lines, seconds = int(sys.argv[1]), float(sys.argv[2])
masters = []
for _ in range(lines):
    master, slave = os.openpty()
    tty.setraw(slave)
    masters.append(master)
    print(os.ttyname(slave), flush=True)
input()
start, batch, count = time.monotonic(), bytes(range(58)), 0
while time.monotonic() < start + seconds:
    for master in masters:
        os.write(master, batch)
    count += 1
    time.sleep(max(0.0, start + count * 0.005 - time.monotonic()))
print(count, flush=True)
input()
"""


@contextmanager
def far_end(code: str, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def line_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def go_on(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def test_how_soon_a_frame_is_answered() -> None:
    """Lockstep with another process over a pty; from the byte that can be read to the next one written."""
    times = LineTimes(frame=1e-6, latency=0.0, jitter=0.005, burst_gap=0.001)
    medians, late, lags = [], [], []
    for _ in range(5):
        with far_end(ECHOES) as process:
            listener = Listener()
            link = Link("bench", settings(line_of(process)), times, listener)
            own: list[float] = []
            true_wait = link._waiter.wait
            readable_at = [0.0]

            def wait(*values: object, **more: object) -> bool:
                ready: bool = true_wait(*values, **more)  # type: ignore[arg-type]  # noqa: B023 -- passed on as they come
                readable_at[0] = time.perf_counter()  # noqa: B023 -- of this round
                return ready

            link._waiter.wait = wait  # type: ignore[method-assign]  # -- looked at from outside
            link.start()
            assert listener.is_up()
            port = link._port
            assert port is not None
            true_write = port.write

            def write(data: bytes) -> None:
                true_write(data)  # noqa: B023 -- of this round
                own.append(time.perf_counter() - readable_at[0])  # noqa: B023 -- of this round

            port.write = write  # type: ignore[method-assign]  # -- as above
            link.transmit(transmission("one", bytes(index % 251 for index in range(FRAMES))))
            report = listener.report("one")
            link.stop()
            assert report.result is Result.CONFIRMED
            own.sort()
            medians.append(statistics.median(own))
            late.append(own[len(own) * 99 // 100])
            lags.append(statistics.median(report.lags))
    median, most, lag = (statistics.median(each) * 1e6 for each in (medians, late, lags))
    figures = [
        Figure("readable to written, median", "", f"there and back {lag:.0f} us", median, 60, "us"),
        Figure("the same, p99", "", "", most, None, "us"),
    ]
    print_table("How soon a link answers a frame, 5 times 1,000 frames", figures)
    assert all(figure.holds for figure in figures)


class Counting(Listener):
    def __init__(self) -> None:
        super().__init__()
        self.bytes = 0
        self.cpu = 0.0

    def line_events(self, events: list[LineEvent]) -> None:
        self.bytes += sum(len(event.data) for event in events)
        self.cpu = time.thread_time()


@pytest.mark.parametrize("lines", [1, 16])
def test_what_listening_to_saturated_lines_costs(lines: int) -> None:
    """115200 baud without a pause, delivered in batches of 5 ms."""
    seconds = 5.0
    with far_end(SATURATES, str(lines), str(seconds)) as process:
        listeners = [Counting() for _ in range(lines)]
        links = [
            Link(f"bench {index}", settings(line_of(process)), LineTimes(frame=10 / 115200), listener)
            for index, listener in enumerate(listeners)
        ]
        for link, listener in zip(links, listeners, strict=True):
            link.start()
            assert listener.is_up()
        began = time.process_time()
        go_on(process)
        batches = int(line_of(process))
        used = time.process_time() - began
        threading.Event().wait(0.1)
        for link in links:
            link.stop()
    per_batch = sum(listener.cpu for listener in listeners) / lines / batches * 1e6
    figures = [
        Figure("all threads", "", "one core", used / seconds, 0.6, "cores"),
        Figure("a batch of 5 ms in a link's thread", "", "", per_batch, None, "us"),
    ]
    title = f"Links alone on {lines} saturated line{'s' if lines > 1 else ''} at 115200 baud"
    print_table(title, figures)
    assert [listener.bytes for listener in listeners] == [batches * 58] * lines
    assert all(figure.holds for figure in figures)
