"""The thread that runs simulated lines."""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from controller.simulator.pty_port import PtyPort
from controller.simulator.runner import LiveLine, Runner, watchable
from profiles.errors import PortUnavailable
from tests.controller.simulator.benches import POWER_ON, chain_profile, line


class Ends:
    """A socket whose other end a test reads and writes."""

    def __init__(self) -> None:
        self.ours, self.theirs = socket.socketpair()
        self.theirs.settimeout(10)

    def fileno(self) -> int:
        return self.ours.fileno()

    def read(self) -> bytes:
        return self.ours.recv(4096)

    def write(self, data: bytes) -> int:
        return self.ours.send(data)

    def close(self) -> None:
        self.ours.close()
        self.theirs.close()


class Broken(Ends):
    """An end in which a fault of the program shows as soon as something is handed on."""

    def write(self, data: bytes) -> int:
        raise RuntimeError("a fault of this program")


@pytest.fixture
def runner() -> Iterator[Runner]:
    runner = Runner()
    runner.start()
    yield runner
    runner.close()


def joined(runner: Runner, ends: Ends) -> LiveLine:
    live = LiveLine(line(chain_profile(115200.0), units=2))
    live.endpoint = ends
    runner.add(live)
    return live


def received(ends: Ends, count: int) -> bytes:
    data = b""
    while len(data) < count:
        data += ends.theirs.recv(count - len(data))
    return data


def test_one_thread_runs_several_lines(runner: Runner) -> None:
    lines = [Ends() for _ in range(5)]
    lives = [joined(runner, ends) for ends in lines]
    for number, ends in enumerate(lines):
        ends.theirs.send(bytes((number,)) * 3)
    assert [received(ends, 3) for ends in lines] == [bytes((number,)) * 3 for number in range(5)]
    runner.remove(lives[0])
    lines[1].theirs.send(POWER_ON[2])
    assert received(lines[1], 4) == POWER_ON[2]
    for ends in lines:
        ends.close()


def test_a_fault_in_one_line_is_told_and_the_others_go_on(
    runner: Runner, caplog: pytest.LogCaptureFixture
) -> None:
    broken, whole = Broken(), Ends()
    with caplog.at_level(logging.ERROR):
        joined(runner, broken)
        joined(runner, whole)
        broken.theirs.send(b"\x01")
        until = time.monotonic() + 10
        while not caplog.records and time.monotonic() < until:
            time.sleep(0.001)
        whole.theirs.send(POWER_ON[1])
        assert received(whole, 4) == POWER_ON[1]
    assert "a fault of the simulator" in caplog.text
    broken.close()
    whole.close()


def test_the_main_thread_can_run_the_lines_too() -> None:
    runner = Runner()
    with PtyPort(line(), runner=runner) as port:
        stopper = threading.Timer(0.05, runner.stop)
        stopper.start()
        runner.run()
        stopper.join()
        assert port.path is not None
    runner.close()


def test_a_descriptor_that_select_can_not_take_is_refused() -> None:
    assert watchable(3) == 3
    with pytest.raises(PortUnavailable, match="too many files"):
        watchable(1024)


def test_an_idle_line_costs_nothing(runner: Runner) -> None:
    ends = Ends()
    live = joined(runner, ends)
    ends.theirs.send(POWER_ON[1])
    received(ends, 4)
    # What may be half heard is given up after a quarter of a second; then nothing is planned any more.
    until = time.monotonic() + 10
    while live.deadline is not None and time.monotonic() < until:
        time.sleep(0.01)
    assert live.deadline is None
    assert runner._thread is not None
    clock = time.pthread_getcpuclockid(runner._thread.ident or 0)
    time.sleep(0.05)
    before = time.clock_gettime(clock)
    time.sleep(0.2)
    # Milliseconds of work in 200 ms of idling would mean that it looks at the clock all the time.
    assert time.clock_gettime(clock) - before < 0.005
    ends.close()
