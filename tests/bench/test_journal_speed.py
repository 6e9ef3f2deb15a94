"""How long commands wait for the journal, what a published record costs, and a call over the local socket."""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest

from controller.fanout import Fanout, Subscription
from controller.journal import Journal
from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.records import Command, Direction, Outcome, Result, Traffic
from controller.state_folder import Claim
from tests.bench.figures import Figure, print_table
from tests.controller.small_controller import SmallController

pytestmark = pytest.mark.bench

RECORD = Traffic("hall", 1.0, Direction.HEARD, bytes(16), meaning="volume 12")


async def median_ms(work: Callable[[], Awaitable[object]], count: int = 500) -> float:
    took = []
    for _ in range(count):
        await asyncio.sleep(0.001)
        begun = time.perf_counter()
        await work()
        took.append(time.perf_counter() - begun)
    return statistics.median(took) * 1000


@contextlib.asynccontextmanager
async def busy_tasks(busy_s: float, idle_s: float, count: int) -> AsyncIterator[None]:
    """Other tasks in the same event loop, each computing and resting by turns."""

    async def work() -> None:
        while True:
            until = time.perf_counter() + busy_s
            while time.perf_counter() < until:
                pass
            await asyncio.sleep(idle_s)

    tasks = [asyncio.create_task(work()) for _ in range(count)]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@pytest.mark.parametrize(
    ("load", "busy_s", "idle_s", "count"),
    [
        ("nothing else to do", 0.0, 1.0, 1),
        ("a task that computes 0.3 ms in each", 0.0003, 0.0007, 1),
        ("four tasks that compute 0.04 ms in each 0.34", 0.00004, 0.0003, 4),
        ("two tasks that never rest", 0.00005, 0.0, 2),
    ],
)
async def test_an_intent_is_there_well_below_0_3_ms(
    tmp_path: Path, load: str, busy_s: float, idle_s: float, count: int
) -> None:
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=time.time)
    async with busy_tasks(busy_s, idle_s, count):
        median = await median_ms(lambda: journal.intent(Command("foyer-amp", "power-on", at=1.0)))
    await journal.close()
    figure = Figure("an intent in the journal, median of 500", "", "", median, 0.3, "ms")
    print_table(f"An intent with {load}", [figure])
    assert figure.holds


async def test_an_outcome_is_on_the_disk(tmp_path: Path) -> None:
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=time.time)
    identities = [str(number) for number in range(500)]
    await asyncio.gather(*(journal.intent(Command("foyer-amp", "power-on", id=each)) for each in identities))
    median = await median_ms(lambda: journal.outcome(Outcome(identities.pop(), Result.CONFIRMED)))
    await journal.close()
    figure = Figure("an outcome flushed to the disk, median of 500", "", "", median, None, "ms")
    print_table("An outcome", [figure])
    assert not identities


@pytest.mark.parametrize("readers", [0, 1, 10])
async def test_what_a_published_record_costs(readers: int) -> None:
    fanout = Fanout()
    got = [0] * readers

    async def read(number: int, records: Subscription) -> None:
        async for _ in records:
            got[number] += 1

    tasks = [asyncio.create_task(read(number, fanout.subscribe())) for number in range(readers)]
    await asyncio.sleep(0)
    begun = time.perf_counter()
    for _ in range(400):
        for _ in range(50):
            fanout.publish(RECORD)
        await asyncio.sleep(0)
    took = time.perf_counter() - begun
    fanout.close()
    await asyncio.gather(*tasks)
    figure = Figure("published and read", "20,000 records", "", took / 20_000 * 1e6, None, "us a record")
    print_table(f"A record with {readers} listening", [figure])
    assert got == [20_000] * readers


async def test_a_call_and_a_record_over_the_local_socket(tmp_path: Path) -> None:
    controller = SmallController()
    with Claim(tmp_path / "state") as claim:
        async with LocalServer(controller, claim), await LocalClient.connect(tmp_path / "state") as client:
            median = await median_ms(client.states)
            records = client.subscribe(size=20_000)
            await client.locks()
            begun = time.perf_counter()
            for batch in range(1, 201):
                for _ in range(50):
                    controller.fanout.publish(RECORD)
                while len(records) < 50 * batch:
                    await client.locks()
            took = time.perf_counter() - begun
    each = took / 10_000 * 1e6
    figures = [
        Figure("a call, median of 500", "both ends in one process", "", median, None, "ms"),
        Figure("a record", "10,000 of them", "", each, None, "us"),
    ]
    print_table("Over the local socket", figures)
    assert len(records) == 10_000
