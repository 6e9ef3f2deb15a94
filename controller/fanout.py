"""Records to whoever listens: never bounded for the journal and metrics, bounded and counted for readers."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import weakref
from collections import deque
from collections.abc import Callable, Iterable
from types import TracebackType
from typing import Self

from controller.records import BusStatus, ControlLine, Event, Lost, Record, Traffic

__all__ = ["Fanout", "Subscription"]

log = logging.getLogger(__name__)

_Listener = Callable[[Record], None]
_Plan = tuple[tuple[_Listener, ...], tuple["weakref.ref[Subscription]", ...]]


class Subscription:
    """A reader's records, as an async iterator: for one reader, in the event loop's thread.

    At most ``size`` records wait. Where the reader is slower than that, the oldest are dropped, so that it
    always comes to what is newest, and one ``Lost`` with their number stands in their place. Some are
    dropped at a time, so that what is kept lies together.

    Ends when it is closed, after what still waits. One that nobody holds any more gets nothing more.
    """

    def __init__(
        self,
        kinds: frozenset[str] | None = None,
        buses: frozenset[str] | None = None,
        *,
        size: int = 1000,
        on_close: Callable[[], None] | None = None,
    ) -> None:
        if size < 1:
            raise ValueError("a subscription needs room for one record")
        self._kinds = kinds
        self._buses = buses
        self._size = size
        self._dropped_at_once = max(1, size // 8)
        self._waiting: deque[Record] = deque()
        self._lost = 0
        self._reader: asyncio.Future[None] | None = None
        self._closed = False
        self._error: Exception | None = None
        self._on_close = on_close

    @property
    def closed(self) -> bool:
        """Whether it takes no more."""
        return self._closed

    def wants(self, kind: type, bus: str | None) -> bool:
        """Whether it takes records of that kind from that bus; None for records of no bus."""
        of_kind = self._kinds is None or kind is Lost or kind.__name__ in self._kinds
        return of_kind and (self._buses is None or bus is None or bus in self._buses)

    def put(self, record: Record) -> None:
        """Append a record, whether it is wanted or not; nothing once it is closed."""
        if self._closed:
            return
        waiting = self._waiting
        if len(waiting) >= self._size:
            for _ in range(self._dropped_at_once):
                self._lost += _worth(waiting.popleft())
        waiting.append(record)
        if self._reader is not None:
            self._wake()

    def _wake(self) -> None:
        reader, self._reader = self._reader, None
        # A reader whose wait was cancelled, or whose loop is closed, needs no waking.
        if reader is not None and not reader.done():
            with contextlib.suppress(RuntimeError):
                reader.set_result(None)

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> Record:
        while not self._lost and not self._waiting:
            if self._closed:
                raise self._error or StopAsyncIteration
            if self._reader is not None and not self._reader.done():
                raise RuntimeError("a subscription has one reader")
            self._reader = asyncio.get_running_loop().create_future()
            await self._reader
        if self._lost:
            # What was lost elsewhere before what was lost here is one gap.
            while self._waiting and isinstance(self._waiting[0], Lost):
                self._lost += _worth(self._waiting.popleft())
            lost, self._lost = Lost(self._lost), 0
            return lost
        return self._waiting.popleft()

    def __len__(self) -> int:
        """Records that wait."""
        return len(self._waiting)

    def close(self, error: Exception | None = None) -> None:
        """Take no more records; a reader gets what waits, and then the end, or ``error`` in its place."""
        if not self._closed:
            self._closed = True
            self._error = error
            self._wake()
            if self._on_close is not None:
                self._on_close()

    async def aclose(self) -> None:
        """``close``, under the name that async generators have for it."""
        self.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _worth(record: Record) -> int:
    return record.count if isinstance(record, Lost) else 1


class Fanout:
    """Tells every record to the listeners at once, and to the subscriptions that want it.

    For the event loop's thread. All see the records in the same order: what a listener publishes in its turn
    comes after what it is being told.
    """

    def __init__(self) -> None:
        self._listeners: list[tuple[_Listener, frozenset[str] | None]] = []
        self._subscriptions: list[weakref.ref[Subscription]] = []
        self._plans: dict[tuple[type, str | None], _Plan] = {}
        self._failed: set[_Listener] = set()
        self._publishing = False
        self._next: deque[Record] = deque()
        self._closed = False

    def publish(self, record: Record) -> None:
        """Tell a record to all who want it."""
        if self._publishing:
            self._next.append(record)
            return
        self._publishing = True
        try:
            self._tell(record)
            while self._next:
                self._tell(self._next.popleft())
        finally:
            self._publishing = False

    def _tell(self, record: Record) -> None:
        kind = type(record)
        bus = record.bus if isinstance(record, Traffic | Event | BusStatus | ControlLine) else None
        plan = self._plans.get((kind, bus))
        if plan is None:
            plan = self._plans[kind, bus] = self._plan(kind, bus)
        listeners, subscriptions = plan
        for listener in listeners:
            try:
                listener(record)
            except Exception:
                if listener not in self._failed:
                    self._failed.add(listener)
                    log.exception("a listener failed; its later failures are not logged")
        for reference in subscriptions:
            subscription = reference()
            if subscription is not None:
                subscription.put(record)

    def _plan(self, kind: type, bus: str | None) -> _Plan:
        """Who is to be told of records of that kind from that bus."""
        listeners = tuple(
            listener for listener, kinds in self._listeners if kinds is None or kind.__name__ in kinds
        )
        subscriptions = tuple(
            reference
            for reference in self._subscriptions
            if (subscription := reference()) is not None and subscription.wants(kind, bus)
        )
        return listeners, subscriptions

    def listen(self, listener: _Listener, kinds: Iterable[str] | None = None) -> Callable[[], None]:
        """Call ``listener`` with every record, at once: for what must miss nothing and takes no time.

        What it raises is logged, and keeps no record from the others.

        Args:
            listener: any callable.
            kinds: the record classes' names; None for all.

        Returns:
            A function that ends it.
        """
        entry = (listener, None if kinds is None else frozenset(kinds))
        self._listeners.append(entry)
        self._plans.clear()

        def stop() -> None:
            if entry in self._listeners:
                self._listeners.remove(entry)
                self._plans.clear()

        return stop

    def subscribe(
        self,
        kinds: frozenset[str] | None = None,
        buses: frozenset[str] | None = None,
        *,
        size: int = 1000,
    ) -> Subscription:
        """Records from now on.

        Args:
            kinds: the record classes' names; None for all. A ``Lost`` always comes.
            buses: buses' ids; None for all. Records of no bus always come.
            size: how many may wait.
        """
        subscription = Subscription(kinds, buses, size=size, on_close=self._drop_dead)
        if self._closed:
            subscription.close()
            return subscription
        self._drop_dead()
        # The garbage collector calls from any thread when nobody holds it any more: only the plans go then.
        self._subscriptions.append(weakref.ref(subscription, lambda _: self._plans.clear()))
        return subscription

    def _drop_dead(self) -> None:
        self._subscriptions = [
            reference
            for reference in self._subscriptions
            if (subscription := reference()) is not None and not subscription.closed
        ]
        self._plans.clear()

    def close(self) -> None:
        """End every subscription; each reader gets what waits, and then the end."""
        self._closed = True
        for reference in list(self._subscriptions):
            subscription = reference()
            if subscription is not None:
                subscription.close()
