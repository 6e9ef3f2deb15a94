"""One bus: its queue, its link, and what its traffic means.

Everything here runs in the event loop; the link's thread hands over what happened in batches.
"""

from __future__ import annotations

import asyncio
import logging
import statistics
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from controller.guard import Cleared, Gate, Refusal
from controller.journal import Journal
from controller.link import LineEvent, Link
from controller.ports import PortSettings
from controller.reasons import explain
from controller.records import (
    BusStatus,
    Direction,
    Event,
    LagFigures,
    LinkState,
    Lock,
    Outcome,
    Reason,
    Record,
    Result,
    Traffic,
)
from controller.states import StateBook, known_by
from controller.transmission import LineTimes, Report, Transmission, Verdict, units_answering, wire_time
from controller.understanding import Understanding, Understood
from controller.waiting import Clock, monotonic
from profiles.compiled import CompiledProfile, CompiledReply, resolve
from profiles.errors import BadValue, LinewardenError
from profiles.model import Method
from profiles.stream import StreamMatcher
from profiles.template import Message, Reading

__all__ = ["Bus", "BusSetup"]

log = logging.getLogger(__name__)

_BEFORE = 5.0
"""Seconds of traffic before a failure that the journal keeps with it."""
_AFTER = 2.0
"""The same after it."""
_KEPT_RECORDS = 2000
"""The most records that are held for that."""


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


@dataclass(slots=True)
class _Waiting:
    cleared: Cleared
    done: asyncio.Future[Outcome]
    urgent: bool
    cancelled: bool = False


@dataclass(slots=True)
class Surroundings:
    """What a bus works with; shared by all buses of a controller."""

    gate: Gate
    states: StateBook
    journal: Journal
    publish: Callable[[Record], None]
    locks: Callable[[], Sequence[Lock]]
    utc: Callable[[], float]
    alert: Callable[[str, str, str | None, str], None]
    """(kind, target, text or None when it is over, what to look at)."""
    failed: Callable[[str, Cleared], None] = field(default=lambda _bus, _cleared: None)


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
        self._understanding = Understanding(profile, setup.units)
        self._queue: list[_Waiting] = []
        self._changed = asyncio.Event()
        self._current: _Waiting | None = None
        self._reports: dict[str, asyncio.Future[Report]] = {}
        self._recent: deque[Traffic] = deque(maxlen=_KEPT_RECORDS)
        self._afterwards: set[asyncio.Task[None]] = set()
        self._tick: asyncio.TimerHandle | None = None
        self._worker: asyncio.Task[None] | None = None
        self._first_word = asyncio.Event()
        self.counters: dict[str, int] = dict.fromkeys(
            ("bytes_sent", "bytes_heard", "bytes_unexplained", "actions", "failures"), 0
        )
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
            _Courier(self, self._loop),
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
        )

    async def start(self) -> None:
        """Open the port and begin to work; nothing is sent."""
        self._link.start()
        self._worker = asyncio.create_task(self._work(), name=f"bus {self.setup.id}")

    async def first_word(self) -> None:
        """Wait until the port is open, or is known not to be."""
        await self._first_word.wait()

    async def stop(self) -> None:
        """Finish the frame in hand; what waits is cancelled, with its outcome in the journal."""
        for waiting in list(self._queue):
            waiting.cancelled = True
        if self._current is not None:
            self._current.cancelled = True
        await asyncio.to_thread(self._link.stop)
        self._changed.set()
        if self._worker is not None:
            # The reports of what the link ended are on their way into this loop.
            while self._queue or self._current is not None:
                self._changed.set()
                await asyncio.sleep(0.001)
            self._worker.cancel()
            await asyncio.gather(self._worker, return_exceptions=True)
        for task in list(self._afterwards):
            task.cancel()
        await asyncio.gather(*self._afterwards, return_exceptions=True)
        if self._tick is not None:
            self._tick.cancel()

    def take_profile(self, profile: CompiledProfile) -> None:
        """Go on with a new profile; the port is opened again only if the line settings differ."""
        same_line = profile.line == self.profile.line
        self.profile = profile
        self._understanding = Understanding(profile, self.setup.units)
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
        waiting = _Waiting(cleared, self._loop.create_future(), urgent=cleared.de_energises)
        self._queue.append(waiting)
        self._changed.set()
        return await asyncio.shield(waiting.done)

    def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""
        for waiting in self._queue:
            if waiting.cleared.command.id == command_id:
                waiting.cancelled = True
                self._changed.set()
                return True
        if self._current is not None and self._current.cleared.command.id == command_id:
            self._current.cancelled = True
            self._link.cancel(command_id)
            return True
        return False

    async def _work(self) -> None:
        while True:
            waiting = await self._next()
            self._current = waiting
            try:
                outcome = await self._carry_out(waiting)
            except asyncio.CancelledError:
                raise
            except LinewardenError as error:
                reason = Reason.JOURNAL if "journal" in type(error).__name__.lower() else Reason.INTERNAL
                outcome = self._outcome(waiting, Result.FAILED, reason, error.what, error.todo)
            except Exception:
                log.exception("bus %s: a command ended in a fault of this program", self.setup.id)
                outcome = self._outcome(
                    waiting,
                    Result.FAILED,
                    Reason.INTERNAL,
                    "a fault of this program; its log says more",
                )
            self._current = None
            await self._tell(waiting, outcome)

    async def _next(self) -> _Waiting:
        """The command whose turn it is: de-energising first, then in order; no unit waits for another's hold-off."""
        while True:
            self._changed.clear()
            now = self._clock()
            soonest: float | None = None
            held: set[str] = set()
            for waiting in sorted(self._queue, key=lambda each: not each.urgent):
                ready = self._with.gate.ready_at(waiting.cleared)
                units = waiting.cleared.units
                if waiting.cancelled or (ready <= now and not (held & set(units))):
                    self._queue.remove(waiting)
                    return waiting
                held |= set(units)
                soonest = ready if soonest is None else min(soonest, ready)
            try:
                async with asyncio.timeout(None if soonest is None else max(0.0, soonest - now)):
                    await self._changed.wait()
            except TimeoutError:
                continue

    async def _carry_out(self, waiting: _Waiting) -> Outcome:
        cleared = waiting.cleared
        if waiting.cancelled:
            return self._outcome(waiting, Result.CANCELLED, Reason.CANCELLED, "taken back before it was sent")
        refusal = self._with.gate.at_its_turn(
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
        method = self._method(cleared)
        if waiting.cancelled:  # taken back while its counters were fetched
            return self._outcome(waiting, Result.CANCELLED, Reason.CANCELLED, "taken back before it was sent")
        report = await self._transmit(cleared, message, method)
        return self._conclude(cleared, message, method, report)

    def _method(self, cleared: Cleared) -> Method:
        if self.setup.topology == "open":
            return Method.NONE
        method = self.profile.confirm.method
        if method is Method.REPLY and (
            cleared.action is None or not cleared.action.replies or cleared.to_all
        ):
            # Nobody answers what is said to all; what the adapter hears of itself can still be compared.
            return Method.LOCAL if self.setup.hears_itself else Method.NONE
        return method

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

    async def _transmit(self, cleared: Cleared, message: Message, method: Method) -> Report:
        action = cleared.action
        replies, judge = None, None
        if method is Method.REPLY and action is not None:
            pairs = [(reply, reply.expect) for reply in action.replies]
            gap = self.profile.line.burst_gap

            def replies() -> StreamMatcher[CompiledReply]:
                return StreamMatcher(pairs, burst_gap=gap)

            def judge(reply: CompiledReply, reading: Reading) -> Verdict:
                same = all(cleared.values.get(name, value) == value for name, value in reading.values.items())
                if not same or (reading.address is not None and reading.address != cleared.address):
                    return Verdict.OTHER
                return Verdict.DONE if reply.spec.means == "done" else Verdict.REFUSED

        identity = cleared.command.id
        future: asyncio.Future[Report] = self._loop.create_future()
        self._reports[identity] = future
        self._understanding.sending(identity, cleared)
        self._link.transmit(
            Transmission(
                identity,
                message,
                method,
                self.profile.confirm,
                self.profile.matcher,
                repeatable=action.spec.repeatable if action else False,
                hears_itself=self.setup.hears_itself,
                replies=replies,
                judge=judge,
            )
        )
        return await future

    def _conclude(self, cleared: Cleared, message: Message, method: Method, report: Report) -> Outcome:
        now = self._clock()
        if report.all_out:
            self._with.gate.sent(cleared, now)
        self.counters["actions"] += 1
        text, look_at = explain(report, method, self.profile.line.format)
        lags = [lag * 1000 for lag in report.lags]
        loop = method is Method.LOOP
        answering = units_answering(report.lags, self._times()) if loop and report.result.good else None
        reply_frames = report.reply.expect.size if report.reply else 0
        took = report.ended - report.began if report.began is not None and report.ended is not None else None
        outcome = Outcome(
            cleared.command.id,
            report.result,
            report.reason,
            text,
            look_at,
            report.frames,
            report.echoed,
            report.failed_at,
            report.expected,
            report.got,
            report.attempts if report.began is not None else 0,
            _ms(took),
            _ms(wire_time(message, method, self._times(), reply_frames)),
            LagFigures(*(round(f(lags), 3) for f in (min, statistics.median, max)))
            if loop and lags
            else None,
            answering,
            dict(report.reading.values) if report.reading else {},
            self._with.utc(),
        )
        self._update_states(cleared, report)
        self._update_alerts(outcome, loop=loop)
        return outcome

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
            self.counters["failures"] += 1
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
        return Outcome(
            cleared.command.id,
            Result.REFUSED,
            refusal.reason,
            refusal.text,
            refusal.look_at,
            at=self._with.utc(),
        )

    def _outcome(
        self, waiting: _Waiting, result: Result, reason: Reason, text: str, look_at: str = ""
    ) -> Outcome:
        return Outcome(waiting.cleared.command.id, result, reason, text, look_at, at=self._with.utc())

    async def _tell(self, waiting: _Waiting, outcome: Outcome) -> None:
        """Journal first, then everybody."""
        traffic = self._traffic_since(outcome.at - _BEFORE) if outcome.result is Result.FAILED else ()
        try:
            await self._with.journal.outcome(outcome, traffic)
        except LinewardenError as error:
            log.error("%s", error)  # noqa: TRY400 -- one line says it; there is no fault of the program to trace
            self._with.alert("journal", "site", f"the journal can't be written: {error.what}", error.todo)
        if traffic:
            self._later(self._keep_what_follows(outcome.command_id, outcome.at))
        self._with.publish(outcome)
        if not waiting.done.done():
            waiting.done.set_result(outcome)

    def _traffic_since(self, at: float) -> tuple[Traffic, ...]:
        return tuple(record for record in self._recent if record.at >= at)

    async def _keep_what_follows(self, command_id: str, at: float) -> None:
        await asyncio.sleep(_AFTER)
        following = tuple(record for record in self._recent if record.at > at)
        if following:
            await self._with.journal.keep_traffic(command_id, following)

    def _later(self, work: object) -> None:
        task: asyncio.Task[None] = self._loop.create_task(work)  # type: ignore[arg-type]  # -- a coroutine
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
        future = self._reports.pop(report.id, None)
        if future is not None and not future.done():
            future.set_result(report)

    def on_events(self, events: Sequence[LineEvent]) -> None:
        """Bytes went by."""
        now = self._clock()
        utc = self._with.utc()
        for event in events:
            at = utc - (now - event.at)
            size = len(event.data)
            understood: list[Understood] = []
            if event.direction is Direction.HEARD:
                self.counters["bytes_heard"] += size
                understood = self._understanding.heard(event.data, event.at)
                meaning, unexplained = self._take_in(understood, at, start=self._understanding.seen - size)
            else:
                if event.direction is not Direction.ECHOED:
                    self.counters["bytes_sent"] += size
                meaning, unexplained = self._understanding.own(event.transmission), ()
            record = Traffic(
                self.setup.id,
                at,
                event.direction,
                event.data,
                event.lags,
                meaning,
                event.fault.value if event.fault else None,
                event.transmission,
                unexplained,
            )
            self._recent.append(record)
            self._with.publish(record)
        self._plan_tick()

    def _take_in(
        self, understood: Sequence[Understood], at: float, *, start: int = 0
    ) -> tuple[str | None, tuple[tuple[int, int], ...]]:
        """States, events and words out of what was understood."""
        words = []
        unexplained = []
        for each in understood:
            if each.text is None:
                self.counters["bytes_unexplained"] += len(each.data)
                first = max(0, each.start - start)
                unexplained.append((first, max(first, each.start - start + len(each.data))))
                continue
            words.append(each.text)
            for unit, values, known in each.states:
                self._publish(self._with.states.put(unit, values, known, at))
            for unit, names in each.doubted:
                self._publish(self._with.states.doubt(unit, names, at))
            if each.event:
                self._with.publish(Event(self.setup.id, each.unit, each.event, at, each.values))
        return "; ".join(words) or None, tuple(unexplained)

    def _plan_tick(self) -> None:
        if self._tick is not None:
            self._tick.cancel()
            self._tick = None
        deadline = self._understanding.deadline
        if deadline is not None:
            self._tick = self._loop.call_later(max(0.0, deadline - self._clock()), self._on_tick)

    def _on_tick(self) -> None:
        self._tick = None
        self._take_in(self._understanding.tick(self._clock()), self._with.utc())
        self._plan_tick()

    def _publish(self, records: Sequence[Record]) -> None:
        for record in records:
            self._with.publish(record)

    def driver_counters(self) -> dict[str, int]:
        """All counters, the driver's own included."""
        return {**self.counters, **self._link.counters()}

    def _set_status(self, **changes: object) -> None:
        status = replace(self.status, at=self._with.utc(), **changes)  # type: ignore[arg-type]  # -- its own fields
        if replace(status, at=self.status.at) != self.status:
            self.status = replace(status, counters=self.driver_counters())
            self._with.publish(self.status)


class _Courier:
    """Carries the link's words from its thread into the event loop, in order."""

    def __init__(self, bus: Bus, loop: asyncio.AbstractEventLoop) -> None:
        self._bus = bus
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
        self._call(self._bus.on_events, events)

    def finished(self, report: Report) -> None:
        self._call(self._bus.on_report, report)

    def thread_failed(self, error: BaseException) -> None:
        self._call(self._bus.on_fault, error)


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds * 1000, 3)
