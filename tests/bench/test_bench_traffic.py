"""A million rows of traffic: what they take, how soon one is shown, how soon a filter has found its own.

The rows are of the kinds that a hall has: our own with echoes, what units tell, what nobody knows. Memory is
what this process grew by. A key waits at most as long as the event loop does nothing else. Times are what
the screen's thread has worked, which other work on the machine makes no longer; a clock's stand beside them.
"""

from __future__ import annotations

import asyncio
import gc
import os
import random
import statistics
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.records import Direction, Outcome, Result, Traffic
from tests.bench.figures import Figure, print_table
from tests.tui.dashboard_bench import piloted
from tests.tui.still_hall import EVENING, evening_hall
from tui.app import DashboardApp
from tui.model import HallModel
from tui.screens.traffic import TrafficScreen
from tui.traffic_store import TrafficStore, Wanted
from tui.widgets.traffic_view import TrafficView

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

_ROWS = 1_000_000
_LAGS = tuple(0.0084 + 0.0001 * n for n in range(4))


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def _fill(store: TrafficStore) -> None:
    """Every twentieth row is our own, every fiftieth is not in the profile; 400 meanings."""
    meanings = [f"Volume told, unit {unit}: volume {volume}" for unit in range(8) for volume in range(50)]
    raw = bytes.fromhex("A6 01 56 1F 76")
    for n in range(_ROWS):
        at = EVENING - (_ROWS - n) * 0.01
        if n % 20 == 0:
            name = f"c{n}"
            meaning = f"power-on → unit-{n % 7}"
            store.add(Traffic("sound", at, Direction.SENT, raw[:4], None, meaning, None, name, (), 1))
            store.add(Traffic("sound", at, Direction.ECHOED, raw[:4], _LAGS, None, None, name, (), 1))
            store.ended(Outcome(name, Result.CONFIRMED))
        elif n % 50 == 3:
            store.add(Traffic("blinds", at, Direction.HEARD, bytes((n & 255, 7, 9)), unexplained=((0, 3),)))
        else:
            bus = ("sound", "screen", "blinds")[n % 3]
            store.add(Traffic(bus, at, Direction.HEARD, raw, None, meanings[n % 400]))


class Stalls:
    """The longest time that the event loop was busy with one thing."""

    def __init__(self) -> None:
        self.most = self.by_clock = 0.0
        self._task = asyncio.create_task(self._watch())

    async def _watch(self) -> None:
        worked, before = time.thread_time(), time.perf_counter()
        while True:
            await asyncio.sleep(0)
            until, now = time.thread_time(), time.perf_counter()
            self.most = max(self.most, until - worked)
            self.by_clock = max(self.by_clock, now - before)
            worked, before = until, now

    def end(self) -> None:
        self._task.cancel()


@dataclass(frozen=True)
class Took:
    """Seconds that the screen's thread worked, and that passed."""

    worked: float
    passed: float

    @classmethod
    def since(cls, worked: float, passed: float) -> Took:
        return cls(time.thread_time() - worked, time.perf_counter() - passed)


@dataclass(frozen=True)
class Filtered:
    first: Took
    """Until there was a screenful, or all."""
    whole: Took
    key_waits: Took
    found: int


def _now() -> tuple[float, float]:
    return time.thread_time(), time.perf_counter()


async def _filtered(app: DashboardApp, words: str) -> Filtered:
    screen = app.screen
    assert isinstance(screen, TrafficScreen)
    view = screen.query_one(TrafficView)
    stalls = Stalls()
    await asyncio.sleep(0)
    began = _now()
    screen._want(Wanted("", words))
    first = None
    while app.rows.searching:
        await asyncio.sleep(0)
        if first is None and view.shown >= view.size.height:
            first = Took.since(*began)
    whole = Took.since(*began)
    stalls.end()
    found = len(app.rows.rows(len(app.traffic)) or ())
    screen._want(Wanted())
    return Filtered(first or whole, whole, Took(stalls.most, stalls.by_clock), found)


def _median(took: Sequence[Took]) -> Took:
    return Took(statistics.median(t.worked for t in took), statistics.median(t.passed for t in took))


def _ms(what: str, told: str, took: Took, bar: float) -> Figure:
    return Figure(what, told, f"{took.passed * 1000:.0f} ms by the clock", took.worked * 1000, bar, "ms")


async def _measure() -> list[Figure]:
    hall = evening_hall()
    app = DashboardApp(hall, await HallModel.read(hall), cautions=False, utc=lambda: EVENING)
    gc.collect()
    before = _resident_mb()
    filled = -time.thread_time()
    _fill(app.traffic)
    filled += time.thread_time()
    grown = _resident_mb() - before
    assert len(app.traffic) == _ROWS
    async with piloted(app, (140, 45)) as pilot:
        await pilot.press("f3")
        await pilot.pause()
        screen = app.screen
        assert isinstance(screen, TrafficScreen)
        view = screen.query_one(TrafficView)
        chance = random.Random(7)
        jumps = []
        for _ in range(100):
            place = chance.randrange(_ROWS)
            began = _now()
            view.select(place)
            strips = [view.render_line(y) for y in range(view.size.height)]
            jumps.append(Took.since(*began))
            assert len(strips) == view.size.height
            assert place in range(view.scroll_offset.y, view.scroll_offset.y + view.size.height)
        ends = []
        for key in ("home", "end") * 10:
            began = _now()
            await pilot.press(key)
            ends.append(Took.since(*began))
            assert view.place == (0 if key == "home" else _ROWS - 1)
        kinds = ("volume 31", "power-on", "nothing of the kind", "A6 01 56")
        runs = {words: [await _filtered(app, words) for _ in range(3)] for words in kinds}
    assert [runs[words][0].found for words in kinds] == [20_000, 50_000, 0, 980_000]
    slowest = sorted(jumps, key=lambda took: took.worked)[98]
    figures = [
        Figure("memory of 1,000,000 rows", f"{grown / _ROWS * 2**20:.0f} bytes a row", "", grown, 200, "MB"),
        _ms("any row, painted with its screenful (p99)", "100 places", slowest, 50),
        _ms("first and last row, by key", "20 presses", _median(ends), 50),
    ]
    for words in kinds:
        told = f"{runs[words][0].found:,} rows"
        first, whole, waits = (
            _median([getattr(run, name) for run in runs[words]]) for name in ("first", "whole", "key_waits")
        )
        if runs[words][0].found:
            figures.append(_ms(f"{words!r}: first screenful", told, first, 100))
        figures.append(_ms(f"{words!r}: all", told, whole, 1000))
        figures.append(_ms(f"{words!r}: longest that a key waits", told, waits, 100))
    figures.append(Figure("taking a row in", f"{filled:.1f} s for all", "", filled / _ROWS * 1e6, 100, "µs"))
    return figures


def test_a_million_rows() -> None:
    figures = asyncio.run(_measure())
    print_table("A million rows of traffic, at 140 x 45", figures)
    assert all(figure.holds for figure in figures)
