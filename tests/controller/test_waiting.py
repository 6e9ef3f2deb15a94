"""Waiting for a port, a deadline and orders at once."""

from __future__ import annotations

import contextlib
import os
import resource
import select
import threading
import time
from collections.abc import Iterator

import pytest

from controller import waiting
from controller.ports import Port, open_port
from controller.waiting import Waiter, monotonic
from profiles.errors import LinkLost
from tests.controller.line_ends import (
    PATIENCE,
    FarEnd,
    descriptors,
    nothing_leaks,
    opened,
    settings,
    wait_until,
)


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


@pytest.fixture
def waiter(monkeypatch: pytest.MonkeyPatch) -> Iterator[Waiter]:
    # What ends a wait here is never that it was long enough.
    monkeypatch.setattr(waiting, "_LONGEST", 40.0)
    made = Waiter()
    yield made
    made.close()


def waits(
    waiter: Waiter, port: Port | None, timeout: float | None, *, busy: bool = False
) -> tuple[bool, float]:
    began = monotonic()
    return waiter.wait(port, timeout, busy=busy), monotonic() - began


def test_bytes_of_the_port_end_a_wait(waiter: Waiter) -> None:
    with FarEnd() as far:
        port = opened(far)
        writer = threading.Timer(0.05, far.write, [b"\x01"])
        writer.start()
        ready, took = waits(waiter, port, 30.0)
        writer.join()
        assert ready
        assert took < PATIENCE
        assert port.read() == b"\x01"
        port.close()


def test_a_single_wait_is_never_longer_than_a_second() -> None:
    with contextlib.closing(Waiter()) as waiter:
        assert waits(waiter, None, None)[1] < PATIENCE
        assert waits(waiter, None, 3600.0)[1] < PATIENCE


def test_a_wait_without_bytes_ends_when_its_time_is_over(waiter: Waiter) -> None:
    with FarEnd() as far:
        port = opened(far)
        for timeout in (0.0, -1.0, 0.0003, 0.02):
            ready, took = waits(waiter, port, timeout)
            assert not ready
            assert took >= max(0.0, timeout) * 0.99
        port.close()


@pytest.mark.slow
def test_time_outs_are_finer_than_a_millisecond(waiter: Waiter) -> None:
    # The least of many, because a busy machine only adds. epoll and poll would give 1 ms and 2 ms.
    with FarEnd() as far:
        port = opened(far)
        least = [min(waits(waiter, port, timeout)[1] for _ in range(50)) for timeout in (0.0002, 0.0012)]
        assert 0.0002 <= least[0] < 0.0009
        assert 0.0012 <= least[1] < 0.0019
        port.close()


def test_another_thread_can_end_a_wait(waiter: Waiter) -> None:
    with FarEnd() as far:
        port = opened(far)
        for waited_for in (port, None):
            waker = threading.Timer(0.05, waiter.wake)
            waker.start()
            ready, took = waits(waiter, waited_for, None)
            waker.join()
            assert not ready
            assert took < PATIENCE
        port.close()


def test_waking_before_the_wait_is_not_lost_and_counts_once(waiter: Waiter) -> None:
    for _ in range(5000):
        waiter.wake()  # more than fit into the socket between them
    assert waits(waiter, None, 30.0)[1] < PATIENCE
    while waits(waiter, None, 0.0)[0]:
        pass
    began = monotonic()
    waiter.wait(None, 0.05)
    waiter.wait(None, 0.05)
    assert monotonic() - began >= 0.05


def test_waking_while_bytes_are_there_tells_of_the_bytes(waiter: Waiter) -> None:
    with FarEnd() as far:
        port = opened(far)
        far.write(b"\x01")
        waiter.wake()
        assert wait_until(lambda: waiter.wait(port, 0.1))
        port.close()


def test_a_port_without_descriptor_is_looked_at_now_and_then(waiter: Waiter) -> None:
    port = open_port(settings("loop://"))
    assert port.fileno() is None
    for busy, least in ((True, 0.001), (False, 0.02)):
        ready, took = waits(waiter, port, 30.0, busy=busy)
        assert ready  # there may be bytes
        assert least * 0.99 <= took < PATIENCE
    assert waits(waiter, port, 0.0)[0]
    port.close()


def test_a_port_that_is_lost_can_be_read_at_once(waiter: Waiter) -> None:
    with FarEnd() as far:
        port = opened(far)
        closer = threading.Timer(0.05, far.close)
        closer.start()
        assert waiter.wait(port, 30.0)
        closer.join()
        with pytest.raises(LinkLost):
            port.read()
        port.close()


class Broken:
    """A port whose descriptor has gone from under it."""

    name = "/dev/ttyGONE"

    def __init__(self, number: int) -> None:
        self._number = number

    def fileno(self) -> int | None:
        return self._number


def test_a_descriptor_that_has_gone_is_a_lost_link(waiter: Waiter) -> None:
    closed, other = os.pipe()
    os.close(closed)
    for number in (-1, closed):
        with pytest.raises(LinkLost, match="/dev/ttyGONE: the adapter is gone"):
            waiter.wait(Broken(number), 0.01)
    os.close(other)


def high_port(far: FarEnd, above: int) -> tuple[Port, list[int]]:
    """A port whose descriptor's number is above ``above``, and what was opened to get there."""
    fillers: list[int] = []
    while not fillers or fillers[-1] < above:
        fillers.append(os.dup(far.master))
    return opened(far), fillers


def test_descriptors_above_1023_are_waited_for_with_poll(waiter: Waiter) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 1200:
        pytest.skip(f"this system allows {hard} descriptors a process")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 1200), hard))
    with FarEnd() as far:
        port, fillers = high_port(far, 1024)
        try:
            number = port.fileno()
            assert number is not None
            assert number > 1023
            with pytest.raises(ValueError, match="out of range in select"):
                select.select([number], [], [], 0)
            assert not waits(waiter, port, 0.002)[0]
            far.write(b"\x01\x02")
            assert wait_until(lambda: waiter.wait(port, 0.1))
            assert port.read() == b"\x01\x02"
            port.write(b"\x03")
            assert far.read(1) == b"\x03"
            waker = threading.Timer(0.05, waiter.wake)
            waker.start()
            assert not waiter.wait(port, None)
            waker.join()
            for each in fillers:
                os.close(each)
            fillers = []
            far.close()
            assert waiter.wait(port, 0.1)
            with pytest.raises(LinkLost):
                port.read()
            with pytest.raises(LinkLost):
                waiter.wait(Broken(-1), 0.0)
        finally:
            for each in fillers:
                os.close(each)
            port.close()
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_waking_after_closing_touches_nothing() -> None:
    # The number of a closed descriptor goes to what is opened next: it must not get the byte of a late wake.
    waiter = Waiter()
    stop = threading.Event()

    def wake_on() -> None:
        while not stop.is_set():
            waiter.wake()

    wakers = [threading.Thread(target=wake_on) for _ in range(3)]
    for waker in wakers:
        waker.start()
    time.sleep(0.02)
    before = set(descriptors())
    waiter.close()
    assert len(set(descriptors())) == len(before) - 2
    pairs = [os.pipe() for _ in range(8)]
    time.sleep(0.02)
    stop.set()
    for waker in wakers:
        waker.join()
    ready, _, _ = select.select([reading for reading, _ in pairs], [], [], 0)
    assert ready == []
    for pair in pairs:
        for each in pair:
            os.close(each)


def test_its_clock_only_goes_forward() -> None:
    instants = [monotonic() for _ in range(1000)]
    assert instants == sorted(instants)
