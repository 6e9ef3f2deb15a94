"""Traffic over MQTT, for as long as somebody watches: in batches, at most five a second."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from controller.homie_publications import traffic_payload
from controller.records import Lost, Record, Traffic
from controller.waiting import Clock

__all__ = ["LONGEST", "Watches"]

LONGEST = 3600.0
"""Seconds that can be asked for at once."""
_BATCH_EVERY = 0.2
_MOST_RECORDS = 200
_MOST_BYTES = 32_768


class Watches:
    """Which buses are watched, and until when.

    Args:
        subscribe: gives the traffic of a bus.
        publish: takes a bus and a batch.
        over: told of a bus when its time is over.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        subscribe: Callable[[frozenset[str], frozenset[str]], AsyncIterator[Record]],
        publish: Callable[[str, bytes], None],
        over: Callable[[str], None],
        clock: Clock,
    ) -> None:
        self._subscribe = subscribe
        self._publish = publish
        self._over = over
        self._clock = clock
        self._until: dict[str, float] = {}
        self._tasks: dict[str, asyncio.Task[None]] = {}

    def watch(self, bus: str, seconds: float) -> None:
        """Publish a bus's traffic for so long from now, 0 to end it; renewing it is the same call."""
        if seconds <= 0:
            task = self._tasks.pop(bus, None)
            if task is not None:
                task.cancel()
            return
        self._until[bus] = self._clock() + seconds
        if bus not in self._tasks:
            task = asyncio.create_task(self._run(bus), name=f"watch {bus}")
            self._tasks[bus] = task
            task.add_done_callback(lambda done: self._ended(bus, done))

    def _ended(self, bus: str, task: asyncio.Task[None]) -> None:
        if self._tasks.get(bus) is task:
            del self._tasks[bus]
            self._over(bus)

    async def _run(self, bus: str) -> None:
        records = self._subscribe(frozenset(("Traffic",)), frozenset((bus,)))
        batch = _Batch()
        waiting: asyncio.Task[Record] | None = None
        try:
            while (left := self._until[bus] - self._clock()) > 0:
                waiting = waiting or asyncio.ensure_future(anext(records))
                await asyncio.wait((waiting,), timeout=left)
                if not waiting.done():
                    continue
                batch.take(waiting.result())
                waiting = None
                if batch.due is None:
                    batch.due = self._clock() + _BATCH_EVERY
                    asyncio.get_running_loop().call_later(_BATCH_EVERY, self._send, bus, batch)
        except StopAsyncIteration:
            pass
        finally:
            if waiting is not None:
                waiting.cancel()

    def _send(self, bus: str, batch: _Batch) -> None:
        if bus in self._tasks:
            self._publish(bus, batch.empty())

    def watched(self, bus: str) -> bool:
        """Whether somebody watches a bus."""
        return bus in self._tasks

    async def close(self) -> None:
        """End all."""
        tasks, self._tasks = list(self._tasks.values()), {}
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


class _Batch:
    """Records that wait to be published together; what is too much is counted."""

    def __init__(self) -> None:
        self._records: list[Traffic] = []
        self._bytes = 0
        self._lost = 0
        self.due: float | None = None

    def take(self, record: Record) -> None:
        if isinstance(record, Lost):
            self._lost += record.count
        elif isinstance(record, Traffic):
            if len(self._records) >= _MOST_RECORDS or self._bytes + len(record.data) > _MOST_BYTES:
                self._lost += 1
                return
            self._records.append(record)
            self._bytes += len(record.data)

    def empty(self) -> bytes:
        payload = traffic_payload(self._records, self._lost)
        self._records, self._bytes, self._lost, self.due = [], 0, 0, None
        return payload
