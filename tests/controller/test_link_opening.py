"""Getting a port open again: closed first, tried with back-off, and never left open for nobody."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import cast

import pytest

from controller.link_opening import BACK_OFF, PortOpener
from controller.ports import Port
from profiles.errors import PortUnavailable
from tests.controller.line_ends import nothing_leaks, wait_until


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


class Door:
    """A port of which only the closing matters."""

    def __init__(self, log: list[str], name: str) -> None:
        self._log, self._name = log, name

    def close(self) -> None:
        self._log.append(f"closed {self._name}")

    @property
    def port(self) -> Port:
        return cast("Port", self)


class Bench:
    def __init__(self, fails: int = 0, **more: object) -> None:
        self.log: list[str] = []
        self.waits: list[float] = []
        self.woken = threading.Semaphore(0)
        self._fails = fails
        self.opener = PortOpener(
            self._open,
            self.woken.release,
            "opener",
            spread=self._spread,
            **more,  # type: ignore[arg-type]  # -- lost and failures, as the test gives them
        )

    def _spread(self) -> float:
        self.log.append("waits")
        return 0.01

    def _open(self) -> Port:
        self.log.append("tries")
        if self._fails:
            self._fails -= 1
            raise PortUnavailable("not there")
        return Door(self.log, "new").port

    def next(self) -> Port | Exception:
        assert self.woken.acquire(timeout=10)
        news = self.opener.take()
        assert news is not None
        return news


def test_a_lost_port_is_closed_before_the_first_attempt() -> None:
    log: list[str] = []
    bench = Bench(lost=Door(log, "old").port)
    bench.log = log
    bench.opener.start()
    assert not isinstance(bench.next(), Exception)
    assert log == ["closed old", "tries"]
    bench.opener.give_up(10)
    assert log == ["closed old", "tries"]  # the new one is the link's by now


def test_every_failure_is_told_and_the_port_in_the_end() -> None:
    bench = Bench(fails=3)
    bench.opener.start()
    news = [bench.next() for _ in range(4)]
    assert [isinstance(each, PortUnavailable) for each in news] == [True, True, True, False]
    assert bench.log == ["tries", *["waits", "tries"] * 3]
    assert bench.opener.take() is None
    bench.opener.give_up(10)


def test_the_first_attempt_waits_after_failures_before() -> None:
    bench = Bench(failures=2)
    bench.opener.start()
    assert not isinstance(bench.next(), Exception)
    assert bench.log == ["waits", "tries"]
    bench.opener.give_up(10)


def test_waits_grow_and_the_longest_leaves_a_second_for_the_link_to_be_up_again() -> None:
    assert list(BACK_OFF) == sorted(BACK_OFF)
    assert BACK_OFF[-1] * 1.2 < 2.0  # spread by at most a fifth


def test_giving_up_ends_a_wait() -> None:
    bench = Bench(fails=1000)
    bench._spread = lambda: 1000.0  # type: ignore[method-assign]  # -- waits as good as for ever
    bench.opener._spread = lambda: 1000.0
    bench.opener.start()
    assert isinstance(bench.next(), PortUnavailable)
    bench.opener.give_up(10)
    assert not bench.opener._thread.is_alive()


def test_a_port_that_nobody_has_taken_is_closed() -> None:
    bench = Bench()
    bench.opener.start()
    assert bench.woken.acquire(timeout=10)
    bench.opener.give_up(10)
    assert bench.log == ["tries", "closed new"]
    assert bench.opener.take() is None


def test_a_port_that_opens_after_giving_up_is_closed() -> None:
    began, go_on, log = threading.Event(), threading.Event(), list[str]()

    def opener() -> Port:
        began.set()
        assert go_on.wait(30)
        return Door(log, "late").port

    slow = PortOpener(opener, lambda: None, "opener")
    slow.start()
    assert began.wait(30)
    slow.give_up(0.01)
    go_on.set()
    assert wait_until(lambda: log == ["closed late"])
    assert slow.take() is None


def test_giving_up_before_it_began_is_nothing() -> None:
    bench = Bench()
    bench.opener.give_up(10)
    assert bench.log == []


def test_whatever_an_attempt_throws_is_told() -> None:
    def opener() -> Port:
        raise ZeroDivisionError("a fault")

    woken = threading.Event()
    faulty = PortOpener(opener, woken.set, "opener")
    faulty.start()
    assert woken.wait(10)
    assert isinstance(faulty.take(), ZeroDivisionError)
    faulty.give_up(10)
