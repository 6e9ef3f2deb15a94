"""Links while ports come and go under them all the time: no order is lost, none is answered twice."""

from __future__ import annotations

import itertools
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller import link_opening
from controller.link import Link
from controller.records import Reason, Result
from profiles.model import Method
from tests.controller.line_ends import (
    FAST,
    FarEnd,
    Listener,
    nothing_leaks,
    settings,
    transmission,
    wait_until,
)

pytestmark = pytest.mark.slow

SECONDS = 6.0


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


class ComingAndGoing:
    """An adapter that is pulled out and plugged in every few milliseconds, and echoes while it is there."""

    def __init__(self, name: Path, seed: int) -> None:
        self._name = name
        self._random = random.Random(seed)
        self.stop = threading.Event()
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self.stop.is_set():
            with FarEnd(link=self._name) as far:
                until = time.monotonic() + self._random.uniform(0.0, 0.03)
                while time.monotonic() < until:
                    data = far.read_now()
                    if data:
                        far.write(data)
                    time.sleep(0.0002)
            time.sleep(self._random.uniform(0.0, 0.005))


@pytest.mark.parametrize("seed", [1, 2])
def test_no_order_is_lost_while_the_port_comes_and_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    monkeypatch.setattr(link_opening, "BACK_OFF", (0.001,))
    name = tmp_path / "bus"
    adapter = ComingAndGoing(name, seed)
    listener = Listener()
    link = Link("hall", settings(str(name)), FAST, listener)
    adapter.thread.start()
    link.start()
    asked: list[str] = []
    asking = threading.Lock()

    def ask(who: int) -> None:
        chance = random.Random(1000 * seed + who)
        until = time.monotonic() + SECONDS
        while time.monotonic() < until:
            method = chance.choice([Method.LOOP, Method.NONE])
            identity = f"{who}-{len(asked)}"
            with asking:
                asked.append(identity)
            link.transmit(
                transmission(identity, b"\x01\x02\x03", method, timeout_ms=20.0, busy_timeout_ms=20.0)
            )
            if chance.random() < 0.2:
                link.cancel(identity)
            if chance.random() < 0.1:
                link.set_times(FAST)
                link.counters()
            time.sleep(chance.uniform(0.0, 0.004))

    askers = [threading.Thread(target=ask, args=(who,)) for who in range(3)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert wait_until(lambda: len(listener.reports) >= len(asked))
    link.stop()
    adapter.stop.set()
    adapter.thread.join()
    counts = Counter(report.id for report in listener.reports)
    assert set(counts) == set(asked)
    assert set(counts.values()) == {1}
    assert listener.faults == []
    # It was worth something: all of this has happened, and often.
    seen = Counter((report.result, report.reason) for report in listener.reports)
    assert seen[Result.FAILED, Reason.LINK_LOST] > 20
    assert seen[Result.SENT, None] + seen[Result.CONFIRMED, None] > 20
    assert len(listener.ups) > 20
    words = [word for word in listener.order if word in ("up", "down")]
    assert all(earlier != later for earlier, later in itertools.pairwise(words))


def test_links_that_are_started_and_stopped_all_the_time_leave_nothing(tmp_path: Path) -> None:
    name = tmp_path / "bus"
    chance = random.Random(3)
    reports = 0
    with FarEnd(link=name) as far:
        until = time.monotonic() + SECONDS
        while time.monotonic() < until:
            listener = Listener()
            link = Link("hall", settings(str(name)), FAST, listener)
            early, late = chance.randrange(3), chance.randrange(3)
            for index in range(early):
                link.transmit(transmission(f"early {index}", method=Method.NONE))
            link.start()
            time.sleep(chance.choice([0.0, 0.0005, 0.002, 0.01]))
            stopper = threading.Thread(target=link.stop)
            stopper.start()
            for index in range(late):
                link.transmit(transmission(f"late {index}", method=Method.NONE))
            stopper.join()
            names = [f"early {index}" for index in range(early)] + [f"late {index}" for index in range(late)]
            assert sorted(report.id for report in listener.reports) == sorted(names)
            assert listener.faults == []
            reports += len(names)
            far.read_now()
    assert reports > 100
