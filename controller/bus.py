"""One bus: its queue, its line, and its health.

Everything here runs in the event loop; the link's thread hands over what happened in batches.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace

from controller.aftermath import BusAlerts
from controller.alerts import FaultAlert
from controller.bus_line import BusLine
from controller.bus_setup import BusSetup
from controller.carrier import Carrier
from controller.command_queue import CommandQueue, TakenBack, Waiting
from controller.control_lines import ControlLine
from controller.courier import Courier
from controller.guard import Cleared
from controller.hearing import Hearing
from controller.link import LineEvent
from controller.records import BusStatus, LinkState, Outcome, Reason, Record, Result
from controller.surroundings import Surroundings
from controller.telling import Ended, Telling
from controller.transmission import Report
from controller.waiting import Clock, monotonic
from profiles.compiled import CompiledProfile
from profiles.errors import LinewardenError, LinkLost

__all__ = ["Bus", "BusSetup"]

log = logging.getLogger(__name__)

_ENDING = TakenBack("the controller ended before it was sent")
_LAST_WORD = 3.0
"""Seconds that a stopped link's last reports have to come in."""
_NO_SIGN = 10.0
"""Seconds without a sign of life after which a link's thread counts as stuck; it gives one a second."""
_AFTER_A_FAULT = 0.1
"""Seconds before the work goes on after a fault of this program, so that it does not fill the log."""


class Bus:
    """One bus of a running controller.

    Args:
        setup: what it knows of itself.
        profile: what its bytes mean.
        surroundings: what it shares with the other buses.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        setup: BusSetup,
        profile: CompiledProfile,
        surroundings: Surroundings,
        *,
        clock: Clock = monotonic,
    ) -> None:
        self._with = surroundings
        courier = Courier(self, asyncio.get_running_loop())
        self._line = BusLine(setup, profile, surroundings.journal, courier, clock)
        self._hearing = Hearing(setup.id, profile, setup.units, surroundings, clock, setup.heard_actions)
        self._queue = CommandQueue(surroundings.gate.ready, clock, surroundings.utc)
        self._alerts = BusAlerts(
            setup.id, ring=setup.ring, expected=setup.units_expected, alert=surroundings.alert
        )
        self._fault = FaultAlert(surroundings.alert, setup.id)
        self._telling = Telling(surroundings, self._hearing, self._alerts, self._tell_status, self._fault.met)
        self._carrier = Carrier(self._line, self._hearing, surroundings, clock, self._fault.met)
        self._current: Waiting | None = None
        self._profiles: deque[tuple[CompiledProfile, Callable[[], None], asyncio.Future[None]]] = deque()
        self._worker: asyncio.Task[None] | None = None
        self._stopping = False
        self._ending = _ENDING
        self._first_word = asyncio.Event()
        self._clock = clock
        self.proven_at = float("-inf")
        """The monotonic instant at which a command last came round whole; of a ring only."""
        self._down: LinewardenError | None = None
        self.status = BusStatus(
            setup.id, LinkState.DOWN, surroundings.utc(), units_expected=setup.units_expected
        )

    @property
    def setup(self) -> BusSetup:
        """What it knows of itself."""
        return self._line.setup

    @property
    def profile(self) -> CompiledProfile:
        """What its bytes mean."""
        return self._line.profile

    def timing(self) -> tuple[float | None, float | None, float | None]:
        """The adapter's latency and jitter, and one hop, in seconds, as far as they are known."""
        times = self._line.times()
        return times.latency, times.jitter, times.hop

    def lags_of(self, command_id: str) -> tuple[float, ...]:
        """The lag of each echo in seconds, of the last command that was sent; of any other, nothing."""
        last, lags = self._carrier.last_lags
        return lags if last == command_id else ()

    def stuck(self, now: float) -> str | None:
        """What of it has stopped without having been told to; None while all of it runs."""
        if self._worker is None or self._stopping:
            return None
        if self._worker.done():
            return "its commands are no longer carried out"
        if not self._line.link.alive and self._line.running:
            return "the thread that serves its adapter has ended"
        silent = now - self._line.link.last_sign
        if silent > _NO_SIGN:
            return f"the thread that serves its adapter has given no sign for {silent:.0f} s"
        return None

    @property
    def last_heard(self) -> dict[str, float]:
        """When each unit last spoke of itself, UTC."""
        return self._hearing.last_heard

    def counters(self) -> dict[str, int]:
        """All counters, the driver's own included."""
        return {**self._carrier.counters, **self._hearing.counters, **self._line.link.counters()}

    # Life

    async def start(self) -> None:
        """Open the port and begin to work; nothing is sent."""
        self._line.start()
        self._worker = asyncio.create_task(self._work(), name=f"bus {self.setup.id}")

    async def first_word(self) -> None:
        """Wait until the port is open, or is known not to be."""
        await self._first_word.wait()

    async def stop(self, why: TakenBack = _ENDING) -> None:
        """Finish the frame in hand; what waits is cancelled, with its outcome in the journal.

        Args:
            why: what is said of it.
        """
        self._stopping = True
        self._ending = why
        self._telling.hurry()
        self._queue.take_back(lambda _: True, why)
        if self._current is not None:
            self._current.taken_back = self._current.taken_back or why
        await self._line.stop()
        if self._worker is not None:
            # The link's last reports are on their way into this loop; each command still gets its outcome.
            await asyncio.wait([self._worker], timeout=_LAST_WORD)
            self._carrier.give_up()
            await self._worker
        await self._line.stop()
        await self._telling.end()
        self._hearing.close()
        self._fault.close()
        while self._profiles:
            _end(self._profiles.popleft()[2])
        self._first_word.set()

    async def take_profile(self, profile: CompiledProfile, adopted: Callable[[], None]) -> None:
        """Go on with a new profile once the command under way is over; nothing is sent.

        Args:
            profile: the new one. The port is opened anew only where its settings differ.
            adopted: called when it holds, between two commands.
        """
        if self._worker is not None and not self._worker.done():
            done = asyncio.get_running_loop().create_future()
            self._profiles.append((profile, adopted, done))
            self._queue.wake()
            await done

    async def _adopt(self, profile: CompiledProfile, adopted: Callable[[], None]) -> None:
        anew = self._line.needs_opening(profile)
        if anew:
            await self._line.stop()
            self._is_down("its line settings have changed; it is opened anew")
        adopted()
        self._hearing.set_profile(profile)
        if anew:
            self._line.open_anew(profile, start=not self._stopping)
        else:
            self._line.take_profile(profile)

    # Commands

    async def execute(self, cleared: Cleared) -> Outcome:
        """Queue a command whose intent is journalled, and wait for its outcome."""
        if self._worker is None or self._worker.done():
            waiting = Waiting(cleared)
            await self._telling.tell(waiting, Ended(self._carrier.cancelled(cleared, self._ending)))
        else:
            waiting = self._queue.put(cleared)
            if self._stopping:
                waiting.taken_back = self._ending
        return await asyncio.shield(waiting.done)

    @property
    def at_work(self) -> bool:
        """Whether commands that are queued are seen to."""
        return self._worker is not None and not self._worker.done() and not self._stopping

    def begin(self, cleared: Cleared) -> asyncio.Future[Outcome]:
        """``execute`` without a turn of the event loop, for a bus at work: on a free line it is sent now.

        Returns:
            Its outcome as it will be.
        """
        waiting = None
        if self._current is None and not self._profiles:
            waiting = self._queue.pass_by(cleared)
        if waiting is None:
            return self._queue.put(cleared).done
        self._current = waiting
        self._carrier.begin(waiting)
        return waiting.done

    def take_back(self, which: Callable[[Cleared], bool], why: TakenBack) -> list[asyncio.Future[Outcome]]:
        """Take back what waits and what is under way; that ends when the frame in hand is accounted for.

        Returns:
            The outcome of each, as it will be.
        """
        found = self._queue.take_back(which, why)
        if self._current is not None and which(self._current.cleared):
            self._current.taken_back = self._current.taken_back or why
            self._line.link.cancel(self._current.id)
            found.append(self._current)
        return [waiting.done for waiting in found]

    async def _work(self) -> None:
        """Never ends before its time: whoever waits for an outcome would wait for ever."""
        while not (self._stopping and not self._queue):
            try:
                if self._profiles and not self._stopping and not self._queue.begun:
                    profile, adopted, done = self._profiles[0]
                    try:
                        await self._adopt(profile, adopted)
                    finally:
                        # Not before: while its port is opened anew, no command may pass the queue by.
                        self._profiles.popleft()
                        _end(done)
                else:
                    waiting = await self._queue.next(self._something_else)
                    if waiting is not None:
                        await self._see_to(waiting)
            except Exception as error:
                log.exception("bus %s met a fault of this program", self.setup.id)
                self._fault.met(error)
                await asyncio.sleep(_AFTER_A_FAULT)

    def _something_else(self) -> bool:
        """Whether the worker has something to do that goes before the commands that wait."""
        return not self._queue if self._stopping else bool(self._profiles)

    async def _see_to(self, waiting: Waiting) -> None:
        self._current = waiting
        try:
            ended = await self._carrier.carry_out(waiting)
        except Exception as error:
            log.exception("bus %s: a command ended in two faults of this program", self.setup.id)
            self._fault.met(error)
            ended = Ended(self._carrier.failed(waiting.cleared))
        self._current = None
        if ended.outcome.reason is Reason.LINK_LOST and self._down is not None:
            ended.outcome = self._with_the_ports_words(ended.outcome, self._down)
        self._telling.tell_soon(waiting, ended)

    @staticmethod
    def _with_the_ports_words(outcome: Outcome, down: LinewardenError) -> Outcome:
        """Why the adapter is not there; a port that can't be had says itself what to do about it."""
        if isinstance(down, LinkLost):
            return replace(outcome, text=f"{outcome.text}: {down.what}")
        return replace(outcome, text=f"{outcome.text}: {down}", look_at="")

    # What the link tells, in the event loop

    def on_up(self, latency: tuple[float, float | None] | None) -> None:
        """The port is open."""
        self._down = None
        self._line.take_latency(latency)
        self._first_word.set()
        self._alerts.link(None)
        self._set_status(link=LinkState.UP if self.setup.writes else LinkState.LISTENING, text="")

    def on_down(self, error: LinewardenError) -> None:
        """The port is gone."""
        self._down = error
        todo = f"; {error.todo}" if error.todo else ""
        self._alerts.link(f"the adapter is not there: {error.what}{todo}")
        self._is_down(str(error))

    def _is_down(self, text: str) -> None:
        """Nothing is known of the units while nobody listens to them."""
        self._first_word.set()
        self._set_status(link=LinkState.DOWN, text=text, units_answering=None)
        self._publish(self._with.states.doubt_all(self.setup.units.values(), self._with.utc()))

    def on_traffic(self, events: Sequence[LineEvent]) -> None:
        """Bytes went by."""
        self._hearing.take(events)

    def on_report(self, report: Report) -> None:
        """A transmission is over."""
        self._carrier.on_report(report)

    def on_control_lines(self, changes: Sequence[tuple[str, bool, bool]]) -> None:
        """Control lines of the adapter stand so."""
        at = self._with.utc()
        self._publish([ControlLine(self.setup.id, line, level, at, first) for line, level, first in changes])

    def on_fault(self, error: BaseException) -> None:
        """The link's thread met a fault of this program and begins anew: it opens its port once more."""
        log.error("bus %s: the link met a fault of this program", self.setup.id, exc_info=error)
        self._fault.met(error)
        self._is_down("a fault of this program; the log of the controller says more")

    # Its health

    def _tell_status(self, outcome: Outcome) -> None:
        """Something was sent, and this became of it."""
        if outcome.result.good:
            lag = outcome.lag_ms.least if outcome.lag_ms else self.status.lag_ms
            self._set_status(units_answering=outcome.units_answering, lag_ms=lag)
            if self.setup.ring and outcome.result is Result.CONFIRMED:
                self.proven_at = self._clock()
        elif outcome.result is Result.FAILED and self.setup.ring:
            self._set_status(units_answering=None)

    def _set_status(self, **changes: object) -> None:
        status = replace(self.status, at=self._with.utc(), **changes)  # type: ignore[arg-type]  # -- its own fields
        if replace(status, at=self.status.at) != self.status:
            self.status = replace(status, counters=self.counters())
            self._with.publish(self.status)

    def _publish(self, records: Sequence[Record]) -> None:
        for record in records:
            self._with.publish(record)


def _end(wait: asyncio.Future[None]) -> None:
    """End somebody's wait; whoever waited may have gone."""
    if not wait.done():
        wait.set_result(None)
