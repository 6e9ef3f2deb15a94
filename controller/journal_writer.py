"""The threads that write the journal, and how an event loop hands them work.

One thread writes: all requests that wait go into one transaction, in their order. A second one flushes what
must outlive a power cut, so that a slow disk holds up no intent. A request that needs no flush is waited for
in place for up to a millisecond: the event loop sleeps, which hands Python's lock to the writing thread at
once. Awaiting it instead was measured to take three to four times as long with other tasks at work, and
seconds where the loop is never idle: a thread that wants the lock is then passed over again and again.

The intent of a command with a new id is over once its line is in the log of intents (journal_intents.py), and
the event loop writes that line itself: into memory of the system, in 20 us. Where the disk may be at work it
does not: while something is flushed, after a write that took long or failed, it is a request like any other.
The transaction follows some milliseconds later, or with whatever is asked first.
"""

from __future__ import annotations

import asyncio
import contextlib
import enum
import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from controller.journal_store import JournalStore
from controller.threads import named_thread
from profiles.errors import JournalError

__all__ = ["JournalWriter"]

log = logging.getLogger(__name__)

T = TypeVar("T")

_Work = Callable[[JournalStore], Any]

_IN_PLACE = 0.001
"""Seconds for which the event loop waits in place: four times what a commit takes."""
_FOLLOW = 0.005
"""Seconds after which what is logged is entered in the table, where nothing else comes before."""
_QUICK = 0.002
"""Seconds: where a line took longer than that, the disk is slow, and the loop writes none for a while."""
_SLOW_FOR = 5.0
_BATCH = 256
"""The most requests in one transaction."""
_IDLE = 1.0
"""Seconds without a request after which the log is tidied and owed outcomes are tried again."""
_TIDY_WHEN_IDLE = 64
_TIDY_AT_LAST = 2000
"""What a store has to tidy when it is done in a pause, and when nobody leaves one; some 30 MB of log."""
_MOST_OWED = 1000


def _held() -> threading.Lock:
    lock = threading.Lock()
    lock.acquire()
    return lock


class _Sign(enum.Enum):
    """What is no request."""

    FOLLOW = "enter what is logged"
    END = "no more will come"


@dataclass(slots=True, eq=False)
class _Request:
    """Work that was asked for."""

    work: _Work
    durable: bool
    owed: bool
    logged: bool = False
    """Whether it is an intent that is logged already: nobody waits for it."""
    ready: threading.Lock = field(default_factory=_held)
    """Free when the request is over."""
    future: asyncio.Future[None] | None = None
    """Set by the event loop when it no longer waits in place."""
    result: Any = None
    error: BaseException | None = None


class JournalWriter:
    """Carries out work on a store, for one event loop, in a thread of its own. Owns the store."""

    def __init__(self, store: JournalStore) -> None:
        self._store = store
        self._loop = asyncio.get_running_loop()
        self._requests: queue.SimpleQueue[_Request | _Sign] = queue.SimpleQueue()
        self._to_flush: queue.SimpleQueue[Sequence[_Request] | None] = queue.SimpleQueue()
        self._owed: deque[_Work] = deque(maxlen=_MOST_OWED)
        self._logged: list[_Request] = []
        """Intents that are logged and not in the table yet."""
        self._at_hand: list[_Request] = []
        """Those of them that the writing thread is entering."""
        self._logging = threading.Lock()
        """Held while a line is written, and while there is certainly none that is not in the table."""
        self._following: asyncio.TimerHandle | None = None
        self._sound = True
        """Whether the last transaction went through."""
        self._flushing = False
        self._slow_until = 0.0
        self._closed = False
        self._threads = [
            named_thread(self._write, "journal"),
            named_thread(self._flush, "journal flush"),
        ]
        for thread in self._threads:
            thread.start()

    @property
    def owed(self) -> int:
        """Outcomes that the disk would not take yet; they are entered as soon as it does."""
        return len(self._owed)

    async def catch_up(self) -> None:
        """Return when what is logged is in the table too, or the disk does not take it."""
        if self._logged or self._at_hand:
            with contextlib.suppress(JournalError):
                await self.ask(lambda _: None, in_place=False)

    async def ask(
        self,
        work: Callable[[JournalStore], T],
        *,
        durable: bool = False,
        owed: bool = False,
        in_place: bool = True,
    ) -> T:
        """Have ``work`` done inside a transaction and return what it returns.

        Cancelling the wait does not stop the work.

        Args:
            work: called in the writing thread; called again by itself where another request spoilt the
                transaction that both were in.
            durable: whether to wait until it would outlive a power cut.
            owed: whether to try again later where the disk does not take it now (the error is raised all
                the same). What is owed is written in its order.
            in_place: whether the event loop may wait in place for up to a millisecond.

        Raises:
            JournalError: it can't be written.
        """
        request = self._begin(work, durable=durable, owed=owed)
        if durable or not in_place or not request.ready.acquire(timeout=_IN_PLACE):
            request.future = self._loop.create_future()
            # Looked at once more after the future is there: from here on, the thread calls back.
            if not request.ready.acquire(blocking=False):
                await request.future
        if request.error is not None:
            raise request.error
        result: T = request.result
        return result

    def log(self, work: _Work, line: bytes) -> bool:
        """Log an intent that is certainly new to the journal, if that can be done at once.

        Args:
            work: enters it in the table; done later.
            line: its line.

        Returns:
            Whether it was. Otherwise nothing was done.
        """
        began = time.monotonic()
        quiet = self._sound and not (self._owed or self._flushing or self._closed)
        if not quiet or began < self._slow_until or not self._logging.acquire(blocking=False):
            return False
        try:
            self._store.log_intent(line)
            self._logged.append(_Request(work, durable=False, owed=True, logged=True))
        except JournalError:
            return False
        finally:
            self._logging.release()
            ended = time.monotonic()
            if ended - began > _QUICK:
                self._slow_until = ended + _SLOW_FOR
        if self._following is None:
            self._following = self._loop.call_later(_FOLLOW, self._follow)
        return True

    def _follow(self) -> None:
        self._following = None
        self._requests.put(_Sign.FOLLOW)

    def _begin(self, work: _Work, *, durable: bool, owed: bool) -> _Request:
        if self._closed:
            raise JournalError("is closed", where=str(self._store.path))
        request = _Request(work, durable, owed)
        self._requests.put(request)
        return request

    async def close(self) -> None:
        """Finish what was asked, and close the store. A second time does nothing."""
        if self._closed:
            return
        self._closed = True
        if self._following is not None:
            self._following.cancel()
        self._requests.put(_Sign.END)
        await asyncio.to_thread(self._end)

    def _end(self) -> None:
        for thread in self._threads:
            thread.join()
        self._store.close()

    # In the writing thread

    def _write(self) -> None:
        more, kept = True, False
        while more:
            batch = self._next_batch()
            more = _Sign.END not in batch
            with self._logging:
                self._at_hand, self._logged = self._logged, []
            kept = kept or bool(self._at_hand)
            requests = [*self._at_hand, *(request for request in batch if isinstance(request, _Request))]
            if requests:
                self._carry_out(requests)
            self._at_hand = []
            if not more:
                self._pay()
            # Tried again where something was owed: what retention deletes must not come back from the log.
            if kept or not more:
                with self._logging:
                    if not (self._logged or self._owed):
                        self._store.intents_entered()
                        kept = False
        self._to_flush.put(None)

    def _next_batch(self) -> list[_Request | _Sign]:
        """What waits, at least one of it."""
        while True:
            due = self._store.untidied >= _TIDY_WHEN_IDLE
            try:
                batch = [self._requests.get(timeout=_IDLE if due or self._owed else None)]
                break
            except queue.Empty:
                self._pay()
                if due:
                    self._tidy()
        if self._store.untidied >= _TIDY_AT_LAST:
            self._tidy()
        with contextlib.suppress(queue.Empty):
            while len(batch) < _BATCH:
                batch.append(self._requests.get_nowait())
        return batch

    def _carry_out(self, batch: list[_Request]) -> None:
        still_owed = self._pay()
        if still_owed is not None:
            for request in batch:
                if request.owed:
                    self._fail(request, still_owed)
            batch = [request for request in batch if not request.owed]
        if not batch:
            return
        try:
            results = self._commit([request.work for request in batch])
        except Exception as error:  # noqa: BLE001 -- whatever it is, the one who asked is told, and the thread lives on
            self._sound = not isinstance(error, JournalError)
            if len(batch) == 1:
                self._fail(batch[0], error)
            else:
                for request in batch:
                    self._carry_out([request])
            return
        self._sound = True
        for request, result in zip(batch, results, strict=True):
            request.result = result
        durable = [request for request in batch if request.durable]
        if durable:
            self._to_flush.put(durable)
        self._finish([request for request in batch if not (request.durable or request.logged)])

    def _commit(self, works: Sequence[_Work]) -> list[Any]:
        try:
            return self._in_one_transaction(works)
        except JournalError:
            if not self._store.untidied:
                raise
            # On a disk with little room, the log can begin anew in its own place once it is tidied.
            self._store.tidy()
        return self._in_one_transaction(works)

    def _in_one_transaction(self, works: Sequence[_Work]) -> list[Any]:
        with self._store.transaction():
            return [work(self._store) for work in works]

    def _fail(self, request: _Request, error: Exception) -> None:
        if request.owed and isinstance(error, JournalError):
            self._owed.append(request.work)
        elif request.logged:
            log.error("an intent can't be entered in the journal", exc_info=error)
        if not request.logged:
            request.error = error
            self._finish([request])

    def _pay(self) -> JournalError | None:
        """Enter what is owed; the error where the disk still does not take it."""
        if not self._owed:
            return None
        try:
            if self._store.untidied:
                # The room that there is again is for the file first: the log alone would soon fill it.
                self._store.tidy()
            self._commit(list(self._owed))
            self._owed.clear()
        except JournalError as error:
            return error
        except Exception as error:  # noqa: BLE001 -- found out below, one by one
            return self._pay_one_by_one(error)
        self._to_flush.put(())
        return None

    def _pay_one_by_one(self, reason: Exception) -> JournalError | None:
        log.error("an outcome can't be entered in the journal", exc_info=reason)
        while self._owed:
            # One that can't ever be entered is dropped; it was told to the one who asked, or is logged above.
            with contextlib.suppress(Exception):
                try:
                    self._commit([self._owed[0]])
                except JournalError as error:
                    return error
            self._owed.popleft()
        self._to_flush.put(())
        return None

    def _tidy(self) -> None:
        # Where the disk is full it can wait: a request that is refused says so.
        with contextlib.suppress(JournalError):
            self._store.tidy()

    # In either thread

    def _flush(self) -> None:
        while (requests := self._to_flush.get()) is not None:
            waiting = list(requests)
            last = False
            with contextlib.suppress(queue.Empty):
                while not last:
                    more = self._to_flush.get_nowait()
                    last = more is None
                    waiting.extend(more or ())
            self._flushing = True
            try:
                self._store.flush()
            except JournalError as error:
                for request in waiting:
                    request.error = error
            finally:
                self._flushing = False
            self._finish(waiting)
            if last:
                return

    def _finish(self, requests: Sequence[_Request]) -> None:
        waited_for = []
        for request in requests:
            request.ready.release()
            if request.future is not None:
                waited_for.append(request.future)
        if waited_for:
            # A loop that is closed has nobody left who waits.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(_wake, waited_for)


def _wake(futures: Sequence[asyncio.Future[None]]) -> None:
    for future in futures:
        if not future.done():
            future.set_result(None)
