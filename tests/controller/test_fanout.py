"""Records reach whoever listens: each one is delivered or counted, in order."""

from __future__ import annotations

import asyncio
import gc
import logging

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.fanout import Fanout, Subscription
from controller.records import (
    Alert,
    BusStatus,
    Direction,
    Event,
    LinkState,
    Lost,
    Record,
    Traffic,
)


def event(number: int, bus: str = "hall") -> Event:
    return Event(bus, None, "seen", float(number))


def number_of(record: Record) -> int:
    assert isinstance(record, Event)
    return int(record.at)


def read_now(subscription: Subscription) -> Record:
    """The record that ``subscription`` gives without waiting."""
    step = subscription.__anext__()
    try:
        step.send(None)
    except StopIteration as done:
        record: Record = done.value
        return record
    step.close()
    raise AssertionError("nothing waits")


def check_in_order(records: list[Record], start: int) -> int:
    """Numbers go up by one, past a gap by what was lost there; returns the number that must come next."""
    expected = start
    for record in records:
        if isinstance(record, Lost):
            assert record.count > 0
            expected += record.count
        else:
            assert number_of(record) == expected
            expected += 1
    return expected


@settings(deadline=None)
@given(
    size=st.integers(1, 40),
    turns=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=20),
)
def test_every_record_is_delivered_or_counted_in_order(size: int, turns: list[tuple[int, int]]) -> None:
    subscription = Subscription(size=size)
    published = told = 0
    for publish, read in turns:
        for _ in range(publish):
            subscription.put(event(published))
            published += 1
        assert len(subscription) <= size
        records: list[Record] = []
        while len(records) < read and told + len(records) <= published and len(subscription):
            records.append(read_now(subscription))
        told = check_in_order(records, told)
    rest = []
    while len(subscription):
        rest.append(read_now(subscription))
    assert check_in_order(rest, told) == published


@settings(deadline=None)
@given(
    size=st.integers(1, 20),
    puts=st.lists(st.one_of(st.none(), st.integers(1, 1000)), max_size=100),
)
def test_what_was_lost_before_is_counted_on_and_two_gaps_side_by_side_are_one(
    size: int, puts: list[int | None]
) -> None:
    subscription = Subscription(size=size)
    published = 0
    for lost in puts:
        subscription.put(event(published) if lost is None else Lost(lost))
        published += 1 if lost is None else lost
    records = []
    while len(subscription):
        records.append(read_now(subscription))
    assert check_in_order(records, 0) == published
    if len(puts) > size:
        assert isinstance(records[0], Lost)
        assert not isinstance(records[1:2], Lost)


async def test_a_slow_reader_is_told_of_the_gap_and_then_gets_what_is_newest() -> None:
    fanout = Fanout()
    async with fanout.subscribe(size=8) as records:
        for number in range(20):
            fanout.publish(event(number))
        first = await anext(records)
        assert isinstance(first, Lost)
        kept = [number_of(await anext(records)) for _ in range(len(records))]
        assert first.count + len(kept) == 20
        assert kept[-1] == 19


async def test_kinds_and_buses_are_asked_for_and_what_belongs_to_no_bus_comes_along() -> None:
    fanout = Fanout()
    every = fanout.subscribe()
    hall = fanout.subscribe(buses=frozenset({"hall"}))
    events = fanout.subscribe(frozenset({"Event"}), frozenset({"stage"}))
    records: list[Record] = [
        event(1, "hall"),
        event(2, "stage"),
        Traffic("stage", 3.0, Direction.HEARD, b"\xa5"),
        BusStatus("hall", LinkState.UP, 4.0),
        Alert("a", "stage", 5.0, "cut"),
        Lost(6),
    ]
    for record in records:
        fanout.publish(record)
    fanout.close()
    assert [record async for record in every] == records
    assert [record async for record in hall] == [records[0], records[3], records[4], records[5]]
    assert [record async for record in events] == [records[1], records[5]]


async def test_a_waiting_reader_is_woken_by_a_record_and_by_the_end() -> None:
    fanout = Fanout()
    records = fanout.subscribe()
    for_record = asyncio.create_task(anext(records))
    await asyncio.sleep(0)
    fanout.publish(event(1))
    assert await for_record == event(1)
    for_end = asyncio.create_task(anext(records))
    await asyncio.sleep(0)
    fanout.close()
    with pytest.raises(StopAsyncIteration):
        await for_end


async def _collected(records: Subscription) -> list[Record]:
    return [record async for record in records]


async def test_an_end_with_an_error_comes_after_what_waits() -> None:
    records = Subscription()
    records.put(event(1))
    records.close(OSError("gone"))
    records.put(event(2))
    assert await anext(records) == event(1)
    for _ in range(2):
        with pytest.raises(OSError, match="gone"):
            await anext(records)


async def test_a_cancelled_wait_loses_nothing() -> None:
    fanout = Fanout()
    records = fanout.subscribe()
    waiting = asyncio.create_task(anext(records))
    await asyncio.sleep(0)
    fanout.publish(event(1))
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert await anext(records) == event(1)


async def test_two_readers_of_one_subscription_are_an_error() -> None:
    records = Fanout().subscribe()
    first = asyncio.create_task(anext(records))
    await asyncio.sleep(0)
    with pytest.raises(RuntimeError, match="one reader"):
        await anext(records)
    records.close()
    with pytest.raises(StopAsyncIteration):
        await first


async def test_after_leaving_nothing_is_kept_for_the_reader() -> None:
    fanout = Fanout()
    async with fanout.subscribe() as records:
        pass
    fanout.publish(event(1))
    assert not len(records)
    with pytest.raises(StopAsyncIteration):
        await anext(records)


async def test_a_subscription_that_nobody_holds_is_forgotten() -> None:
    fanout = Fanout()
    records = fanout.subscribe()
    fanout.publish(event(1))
    del records
    gc.collect()
    fanout.publish(event(2))
    kept = fanout.subscribe()
    assert len(fanout._subscriptions) == 1
    fanout.publish(event(3))
    assert await anext(kept) == event(3)


async def test_a_subscription_to_what_has_ended_ends_at_once() -> None:
    fanout = Fanout()
    fanout.close()
    assert await _collected(fanout.subscribe()) == []


async def test_a_subscription_has_room_for_something() -> None:
    with pytest.raises(ValueError, match="room"):
        Fanout().subscribe(size=0)


async def test_listeners_miss_nothing_and_hear_it_at_once() -> None:
    fanout = Fanout()
    heard: list[Record] = []
    alerts: list[Record] = []
    stop = fanout.listen(heard.append)
    fanout.listen(alerts.append, {"Alert"})
    fanout.subscribe(size=1)
    for number in range(5000):
        fanout.publish(event(number))
        assert number_of(heard[-1]) == number
    fanout.publish(Alert("a", "hall", 1.0, "cut"))
    assert len(heard) == 5001
    assert alerts == heard[-1:]
    stop()
    stop()
    fanout.publish(event(1))
    assert len(heard) == 5001


async def test_a_listener_that_fails_keeps_nothing_from_the_others(caplog: pytest.LogCaptureFixture) -> None:
    fanout = Fanout()
    heard: list[Record] = []

    def fails(record: Record) -> None:
        raise KeyError("a fault of its own")

    fanout.listen(fails)
    fanout.listen(heard.append)
    records = fanout.subscribe()
    with caplog.at_level(logging.ERROR):
        for number in range(3):
            fanout.publish(event(number))
    assert heard == [event(0), event(1), event(2)]
    assert len(records) == 3
    assert len(caplog.records) == 1


async def test_what_a_listener_publishes_comes_after_what_it_is_told() -> None:
    fanout = Fanout()
    alert = Alert("a", "hall", 1.0, "cut")

    def answers(record: Record) -> None:
        if isinstance(record, Event):
            fanout.publish(alert)

    heard: list[Record] = []
    fanout.listen(answers)
    fanout.listen(heard.append)
    fanout.publish(event(1))
    assert heard == [event(1), alert]
