"""Telling what became of a command: the journal first, then states and alerts, then everybody."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field

from controller.aftermath import BusAlerts
from controller.command_queue import Waiting
from controller.guard import Cleared
from controller.hearing import Hearing
from controller.records import Outcome, Result, StateChange, Traffic
from controller.surroundings import Surroundings
from profiles.errors import JournalError, LinewardenError
from profiles.model import Method

__all__ = ["Ended", "Telling"]

log = logging.getLogger(__name__)

_BEFORE = 5.0
"""Seconds of traffic before a failed command that the journal keeps with it."""
_AFTER = 2.0
"""The same after it."""
_PATIENCE = 10.0
"""Seconds that an outcome waits for a disk that does not answer."""


@dataclass(slots=True)
class Ended:
    """A command that is over, and what else is to be told with it."""

    outcome: Outcome
    cleared: Cleared | None = None
    """What was sent; None where nothing was."""
    method: Method | None = None
    changes: list[StateChange] = field(default_factory=list)
    """Already in the book of states; to be told unless something newer is known by then."""
    began: float | None = None
    """UTC seconds when its turn came."""


class Telling:
    """Tells the outcomes of one bus.

    Args:
        surroundings: who is told.
        hearing: the bus's traffic.
        alerts: the bus's alerts.
        status: takes each outcome of something that was sent, for the bus's status.
        fault: is told of a fault of this program.
    """

    def __init__(
        self,
        surroundings: Surroundings,
        hearing: Hearing,
        alerts: BusAlerts,
        status: Callable[[Outcome], None],
        fault: Callable[[BaseException], None],
    ) -> None:
        self._with = surroundings
        self._hearing = hearing
        self._alerts = alerts
        self._status = status
        self._fault = fault
        self._tasks: set[asyncio.Task[None]] = set()
        self._ending = asyncio.Event()

    def tell_soon(self, waiting: Waiting, ended: Ended) -> None:
        """Tell it as soon as the journal has it; the next command need not wait for that."""
        self._later(self._tell(waiting, ended, *self._look_back(ended)))

    async def tell(self, waiting: Waiting, ended: Ended) -> None:
        """Tell it; returns when it is told."""
        await self._tell(waiting, ended, *self._look_back(ended))

    def hurry(self) -> None:
        """The bus is ending: don't wait for the traffic that follows failures any longer."""
        self._ending.set()

    async def end(self) -> None:
        """Wait until all is told and kept."""
        while self._tasks:
            await asyncio.wait(self._tasks)

    def _later(self, work: Coroutine[None, None, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _look_back(self, ended: Ended) -> tuple[tuple[Traffic, ...], int]:
        """The traffic to be kept with a failure, and how many records there were by then."""
        outcome, taken = ended.outcome, self._hearing.taken
        if outcome.result is not Result.FAILED:
            return (), taken
        began = outcome.at if ended.began is None else min(ended.began, outcome.at)
        return self._hearing.since(began - _BEFORE), taken

    async def _tell(self, waiting: Waiting, ended: Ended, traffic: tuple[Traffic, ...], taken: int) -> None:
        outcome = ended.outcome
        try:
            async with asyncio.timeout(_PATIENCE):
                outcome = await self._with.journal.outcome(outcome, traffic)
        except (JournalError, TimeoutError) as error:
            # It is owed, and entered as soon as the disk takes it. Whoever waits is not left waiting.
            self._with.journal_failed(error)
        except Exception as error:
            log.exception("an outcome could not be entered in the journal")
            self._fault(error)
        if outcome.result is Result.FAILED:
            self._later(self._keep_what_follows(outcome.command_id, taken))
        try:
            self._tell_others(ended, outcome)
        finally:
            if not waiting.done.done():
                waiting.done.set_result(outcome)

    def _tell_others(self, ended: Ended, outcome: Outcome) -> None:
        for change in ended.changes:
            if self._with.states.get(change.unit, change.state) is change.value:
                self._with.publish(change)
        if ended.cleared is not None and ended.method is not None:
            self._alerts.after(ended.cleared, outcome, ended.method)
            self._status(outcome)
        self._with.publish(outcome)

    async def _keep_what_follows(self, command_id: str, taken: int) -> None:
        try:
            async with asyncio.timeout(_AFTER):
                await self._ending.wait()
        except TimeoutError:
            pass
        following = self._hearing.after(taken)
        if not following:
            return
        try:
            await self._with.journal.keep_traffic(command_id, following)
        except LinewardenError as error:
            log.warning("the traffic after a failure can't be kept: %s", error)
