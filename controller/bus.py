"""One bus: its queue, its link, and what its traffic means.

Everything here runs in the event loop; the link's thread hands over what happened in batches.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Coroutine, Sequence
from dataclasses import dataclass, replace

from controller.carrying import method_for, outcome_of, transmission_for
from controller.command_queue import CommandQueue, Waiting
from controller.guard import Cleared, Refusal
from controller.hearing import Hearing
from controller.link import LineEvent, Link
from controller.ports import PortSettings
from controller.records import (
    BusStatus,
    LinkState,
    Outcome,
    Reason,
    Record,
    Result,
)
from controller.states import known_by
from controller.surroundings import Surroundings
from controller.transmission import LineTimes, Report, handed_on
from controller.waiting import Clock, monotonic
from profiles.compiled import CompiledProfile, resolve
from profiles.errors import BadValue, JournalError, LinewardenError
from profiles.model import Method
from profiles.template import Message

__all__ = ["Bus", "BusSetup"]

log = logging.getLogger(__name__)

_BEFORE = 5.0
"""Seconds of traffic before a failure that the journal keeps with it."""
_AFTER = 2.0
"""The same after it."""


@dataclass(frozen=True, slots=True)
class BusSetup:
    """What a bus needs to know of itself, out of the site file."""

    id: str
    port: PortSettings
    topology: str
    units: dict[int | None, str]
    """Unit ids by address."""
    units_expected: int | None = None
    hears_itself: bool = False
    pass_on: bool = False
    latency: float | None = None
    """The adapter's least latency in seconds, where the site or a self-test says it."""
    jitter: float | None = None
    hop: float | None = None
    """One hop in seconds, where it was learned."""


class Bus:
    """One bus of a running controller."""

    def __init__(
        self,
        setup: BusSetup,
        profile: CompiledProfile,
        surroundings: Surroundings,
        *,
        clock: Clock = monotonic,
    ) -> None:
        self.setup = setup
        self.profile = profile
        self._with = surroundings
        self._clock = clock
        self._loop = asyncio.get_running_loop()
        self._learned_latency = setup.latency, setup.jitter
        self._hearing = Hearing(setup.id, profile, setup.units, surroundings, clock)
        self._queue = CommandQueue(surroundings.gate.ready_at, clock)
        self._current: Waiting | None = None
        self._reports: dict[str, asyncio.Future[Report]] = {}
        self._afterwards: set[asyncio.Task[None]] = set()
        self._worker: asyncio.Task[None] | None = None
        self._stopping = False
        self._first_word = asyncio.Event()
        self._counters = dict.fromkeys(("actions", "failures"), 0)
        writes = setup.topology != "tap"
        up = LinkState.UP if writes else LinkState.LISTENING
        self._up_state = up
        self.status = BusStatus(
            setup.id, LinkState.DOWN, surroundings.utc(), units_expected=setup.units_expected
        )
        self._link = self._new_link()

    # Life

    def _new_link(self) -> Link:
        return Link(
            self.setup.id,
            self.setup.port,
            self._times(),
            _Courier(self, self._hearing, self._loop),
            pass_on=self.setup.pass_on,
            writes=self.setup.topology != "tap",
            clock=self._clock,
        )

    def _times(self) -> LineTimes:
        line = self.profile.line
        latency, jitter = self._learned_latency
        hops = (self.setup.units_expected or 0) if self.setup.topology == "ring" else 0
        return LineTimes(
            frame=line.frame_time,
            hops=hops,
            hop=self.setup.hop,
            latency=latency,
            jitter=jitter,
            dead_time=line.dead_time,
            burst_gap=line.burst_gap,
            handed_on=handed_on(line.format),
        )

    def timing(self) -> tuple[float | None, float | None, float | None]:
        """The adapter's latency and jitter, and one hop, in seconds, as far as they are known."""
        times = self._times()
        return times.latency, times.jitter, times.hop

    async def start(self) -> None:
        """Open the port and begin to work; nothing is sent."""
        self._link.start()
        self._worker = asyncio.create_task(self._work(), name=f"bus {self.setup.id}")

    async def first_word(self) -> None:
        """Wait until the port is open, or is known not to be."""
        await self._first_word.wait()

    async def stop(self) -> None:
        """Finish the frame in hand; what waits is cancelled, with its outcome in the journal."""
        self._queue.cancel()
        if self._current is not None:
            self._current.cancelled = True
        await asyncio.to_thread(self._link.stop)
        if self._worker is not None:
            # The link's last reports are on their way into this loop; each command still gets its outcome.
            self._stopping = True
            self._queue.wake()
            await self._worker
        for task in list(self._afterwards):
            task.cancel()
        await asyncio.gather(*self._afterwards, return_exceptions=True)
        self._hearing.close()

    def take_profile(self, profile: CompiledProfile) -> None:
        """Go on with a new profile; the port is opened again only if the line settings differ."""
        same_line = profile.line == self.profile.line
        self.profile = profile
        self._hearing.set_profile(profile)
        if same_line:
            self._link.set_times(self._times())
            return
        old = self._link
        self.setup = replace(self.setup, port=replace(self.setup.port, line=profile.line))
        self._link = self._new_link()

        async def change() -> None:
            await asyncio.to_thread(old.stop)
            self._link.start()

        self._later(change())

    # Commands

    async def execute(self, cleared: Cleared) -> Outcome:
        """Queue a command whose intent is journalled, and wait for its outcome."""
        return await asyncio.shield(self._queue.put(cleared).done)

    def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""
        if self._queue.cancel(command_id):
            return True
        if self._current is None or self._current.cleared.command.id != command_id:
            return False
        self._current.cancelled = True
        self._link.cancel(command_id)
        return True

    async def _work(self) -> None:
        while not (self._stopping and not self._queue):
            waiting = await self._queue.next(until=lambda: self._stopping)
            if waiting is None:
                continue
            self._current = waiting
            cleared = waiting.cleared
            try:
                outcome = await self._carry_out(waiting)
            except JournalError as error:
                outcome = self._ended(cleared, Result.FAILED, Reason.JOURNAL, error.what, error.todo)
            except Exception:
                log.exception("bus %s: a command ended in a fault of this program", self.setup.id)
                text = "a fault of this program; its log says more"
                outcome = self._ended(cleared, Result.FAILED, Reason.INTERNAL, text, "the log")
            self._current = None
            await self._tell(waiting, outcome)

    async def _carry_out(self, waiting: Waiting) -> Outcome:
        cleared = waiting.cleared
        if waiting.cancelled:
            return self._ended(cleared, Result.CANCELLED, Reason.CANCELLED, "taken back before it was sent")
        gate = self._with.gate
        refusal = gate.at_its_turn(
            cleared,
            utc=self._with.utc(),
            now=self._clock(),
            locks=self._with.locks(),
            states=self._with.states,
        )
        if refusal is not None:
            return self.refused(cleared, refusal)
        try:
            message = await self._message(cleared)
        except BadValue as error:
            return self.refused(cleared, Refusal(Reason.OUT_OF_RANGE, error.what, error.todo))
        hears_itself = self.setup.hears_itself
        open_line = self.setup.topology == "open"
        method = method_for(cleared, self.profile, open_line=open_line, hears_itself=hears_itself)
        profile = self.profile
        transmission = transmission_for(cleared, profile, message, method, hears_itself=hears_itself)
        self._reports[transmission.id] = self._loop.create_future()
        self._hearing.sending(transmission.id, cleared)
        self._link.transmit(transmission)
        report = await self._reports[transmission.id]
        del self._reports[transmission.id]
        if report.all_out:
            gate.sent(cleared, self._clock())
        self._counters["actions"] += 1
        outcome = outcome_of(report, message, method, profile, self._times(), self._with.utc())
        if outcome.reason is Reason.LINK_LOST and self.status.text:
            outcome = replace(outcome, text=f"{outcome.text}: {self.status.text}")
        self._update_states(cleared, report)
        self._update_alerts(outcome, loop=method is Method.LOOP)
        return outcome

    async def _message(self, cleared: Cleared) -> Message:
        if cleared.action is None:
            return Message(cleared.command.raw or b"")
        counters = {}
        for counter in cleared.action.send.counters:
            scope = cleared.command.unit if counter.per == "unit" else self.setup.id
            counters[counter.name] = await self._with.journal.next_counter(
                scope, counter.name, counter.start, counter.wrap
            )
        return cleared.action.message(cleared.values, address=cleared.address, counters=counters)

    def _update_states(self, cleared: Cleared, report: Report) -> None:
        now = self._with.utc()
        identity = cleared.command.id
        action = cleared.action
        for unit in cleared.units:
            if action is None:
                if report.all_out:
                    self._publish(self._with.states.doubt_all([unit], now))
                continue
            values = resolve(action.spec.sets, cleared.values)
            if report.result.good:
                known = known_by(report.result)
                if report.reply is not None and report.reading is not None:
                    values |= resolve(report.reply.spec.sets, {**cleared.values, **report.reading.values})
                self._publish(self._with.states.put(unit, values, known, now, identity))
            elif report.all_out and report.reason is not Reason.REFUSED_BY_UNIT:
                # The whole message was out: the unit may have obeyed, whatever came back.
                self._publish(self._with.states.doubt(unit, values, now, identity))

    def _update_alerts(self, outcome: Outcome, *, loop: bool) -> None:
        bus = self.setup.id
        if outcome.result is Result.FAILED and outcome.reason is not Reason.REFUSED_BY_UNIT:
            self._counters["failures"] += 1
            if outcome.reason is not Reason.LINK_LOST:
                self._with.alert("chain", bus, outcome.text, outcome.look_at)
        elif outcome.result in (Result.CONFIRMED, Result.ANSWERED):
            self._with.alert("chain", bus, None, "")
        expected = self.setup.units_expected
        answering = outcome.units_answering
        if loop and outcome.result is Result.CONFIRMED and answering is not None and expected is not None:
            same = answering == expected
            self._with.alert(
                "units",
                bus,
                None if same else f"{answering} of {expected} units answer",
                "the units that are bypassed or new, and `units_expected` in the site file",
            )
        if outcome.result.good:
            lag = outcome.lag_ms.least if outcome.lag_ms else self.status.lag_ms
            self._set_status(units_answering=answering, lag_ms=lag)

    def refused(self, cleared: Cleared, refusal: Refusal) -> Outcome:
        """The outcome of a command that did not pass the gate."""
        return self._ended(cleared, Result.REFUSED, refusal.reason, refusal.text, refusal.todo)

    def _ended(
        self, cleared: Cleared, result: Result, reason: Reason, text: str, look_at: str = ""
    ) -> Outcome:
        return Outcome(cleared.command.id, result, reason, text, look_at, at=self._with.utc())

    async def _tell(self, waiting: Waiting, outcome: Outcome) -> None:
        """Journal first, then everybody."""
        traffic = self._hearing.since(outcome.at - _BEFORE) if outcome.result is Result.FAILED else ()
        try:
            await self._with.journal.outcome(outcome, traffic)
        except JournalError as error:
            log.error("%s", error)  # noqa: TRY400 -- one line says it; no fault of the program to trace
            self._with.alert("journal", "site", f"the journal can't be written: {error.what}", error.todo)
        if traffic and not self._stopping:
            self._later(self._keep_what_follows(outcome.command_id, outcome.at))
        self._with.publish(outcome)
        if not waiting.done.done():
            waiting.done.set_result(outcome)

    async def _keep_what_follows(self, command_id: str, at: float) -> None:
        await asyncio.sleep(_AFTER)
        following = tuple(record for record in self._hearing.since(at) if record.at > at)
        if following:
            await self._with.journal.keep_traffic(command_id, following)

    def _later(self, work: Coroutine[None, None, None]) -> None:
        task = self._loop.create_task(work)
        self._afterwards.add(task)
        task.add_done_callback(self._afterwards.discard)

    # What the link tells, in the event loop

    def on_up(self, latency: tuple[float, float] | None) -> None:
        """The port is open."""
        if latency is not None and self.setup.latency is None:
            self._learned_latency = latency
            self._link.set_times(self._times())
        self._first_word.set()
        self._with.alert("link", self.setup.id, None, "")
        self._set_status(link=self._up_state, text="")

    def on_down(self, error: LinewardenError) -> None:
        """The port is gone."""
        self._first_word.set()
        self._with.alert("link", self.setup.id, f"the adapter is not there: {error.what}", error.todo)
        self._set_status(link=LinkState.DOWN, text=str(error), units_answering=None)
        self._publish(self._with.states.doubt_all(self.setup.units.values(), self._with.utc()))

    def on_fault(self, error: BaseException) -> None:
        """The link's thread met a fault of this program and began anew."""
        self._first_word.set()
        log.error("bus %s: the link met a fault of this program", self.setup.id, exc_info=error)
        self._with.alert(
            "fault", self.setup.id, f"the link met a fault of this program: {error!r}", "the log"
        )

    def on_report(self, report: Report) -> None:
        """A transmission is over."""
        future = self._reports.get(report.id)
        if future is not None and not future.done():
            future.set_result(report)

    def _publish(self, records: Sequence[Record]) -> None:
        for record in records:
            self._with.publish(record)

    def driver_counters(self) -> dict[str, int]:
        """All counters, the driver's own included."""
        return {**self._counters, **self._hearing.counters, **self._link.counters()}

    def _set_status(self, **changes: object) -> None:
        status = replace(self.status, at=self._with.utc(), **changes)  # type: ignore[arg-type]  # -- its own fields
        if replace(status, at=self.status.at) != self.status:
            self.status = replace(status, counters=self.driver_counters())
            self._with.publish(self.status)


class _Courier:
    """Carries the link's words from its thread into the event loop, in order."""

    def __init__(self, bus: Bus, hearing: Hearing, loop: asyncio.AbstractEventLoop) -> None:
        self._bus = bus
        self._hearing = hearing
        self._loop = loop

    def _call(self, function: Callable[..., None], *arguments: object) -> None:
        # After the loop is closed there is nobody left to tell.
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(function, *arguments)

    def link_up(self, latency: tuple[float, float] | None) -> None:
        self._call(self._bus.on_up, latency)

    def link_down(self, error: LinewardenError) -> None:
        self._call(self._bus.on_down, error)

    def line_events(self, events: list[LineEvent]) -> None:
        self._call(self._hearing.take, events)

    def finished(self, report: Report) -> None:
        self._call(self._bus.on_report, report)

    def thread_failed(self, error: BaseException) -> None:
        self._call(self._bus.on_fault, error)
