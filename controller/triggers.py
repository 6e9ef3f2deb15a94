"""The triggers of a site at work: what they listen to, and what they start.

A trigger acts on changes only; how things stand at the start is reported. What it starts goes through the
gate as any other command does, with the trigger as its origin.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import logging
import zoneinfo
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from controller.hearing import told_event
from controller.records import (
    BusStatus,
    Command,
    ControlLine,
    Event,
    Known,
    LinkState,
    Origin,
    OriginKind,
    Outcome,
    Record,
    StateChange,
    TriggerStatus,
)
from controller.sequences_records import Phase, SequenceOrder, SequenceProgress
from controller.site import LoadedSite
from controller.surroundings import Surroundings
from controller.triggers_model import DAYS, ThenSpec, TriggerSpec
from controller.triggers_rules import ALL, kind_of
from controller.triggers_times import Daily, TimeMachine
from controller.triggers_timing import InputMachine, Turn
from controller.triggers_words import does_words, timing_of, waits_words
from controller.waiting import Clock

__all__ = ["Starts", "Triggers"]

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Starts:
    """What a trigger can start."""

    submit: Callable[[Command], Awaitable[Outcome]]
    sequence: Callable[[str, SequenceOrder, Origin], SequenceProgress]
    all_off: Callable[[str | None, Origin], Awaitable[list[Outcome]]]


@dataclass(slots=True, eq=False)
class _Trigger:
    id: str
    spec: TriggerSpec
    machine: InputMachine
    clock: TimeMachine | None = None
    timer: asyncio.TimerHandle | None = None
    tasks: dict[bool, asyncio.Task[None]] = field(default_factory=dict)
    """What is being done, by turn."""
    run: str = ""
    """The run of a sequence that it has begun, while that is on its way."""
    last: str = ""
    at: float | None = None
    told: TriggerStatus | None = None

    @property
    def kind(self) -> str:
        return kind_of(self.spec.when)


class Triggers:
    """Listens for all triggers of one site.

    Args:
        loaded: the site.
        surroundings: states, and who is told.
        starts: what they can start.
        clock: monotonic seconds.
    """

    def __init__(self, loaded: LoadedSite, surroundings: Surroundings, starts: Starts, clock: Clock) -> None:
        self._loaded = loaded
        self._with = surroundings
        self._starts = starts
        self._clock = clock
        self._closed = False
        self._triggers: dict[str, _Trigger] = {}
        self._lines: dict[tuple[str, str], bool] = {}
        """Levels of control lines by bus and line, as far as anybody has looked."""
        self._links: dict[str, bool] = {}
        """Whether each bus's adapter is there, as far as it is known."""

    def renew(self) -> None:
        """Take the site as it is now; triggers that are as before go on as if nothing had been."""
        wanted = self._loaded.site.triggers
        for name, trigger in list(self._triggers.items()):
            if wanted.get(name) != trigger.spec:
                self._end(self._triggers.pop(name))
        new = [name for name in wanted if name not in self._triggers]
        for name in new:
            self._triggers[name] = self._new(name, wanted[name])
        self._triggers = {name: self._triggers[name] for name in wanted}
        for name in new:
            trigger = self._triggers[name]
            level = self._stands(trigger)
            self._after(trigger, [] if level is None else trigger.machine.input(level, self._clock()))

    def _new(self, name: str, spec: TriggerSpec) -> _Trigger:
        trigger = _Trigger(name, spec, InputMachine(timing_of(spec)))
        if spec.when.at is not None:
            zone = None if spec.when.zone is None else zoneinfo.ZoneInfo(spec.when.zone)
            days = frozenset(DAYS.index(day) for day in spec.when.days)
            at = dt.time.fromisoformat(spec.when.at)
            trigger.clock = TimeMachine(Daily(at, days, zone), self._with.utc())
        return trigger

    def _stands(self, trigger: _Trigger) -> bool | None:
        """How a new trigger's input stands, as far as that is known already."""
        when = trigger.spec.when
        match trigger.kind:
            case "line":
                level = self._lines.get((when.bus or "", when.line or ""))
                return None if level is None else level is (when.active == "on")
            case "adapter":
                return self._links.get(when.adapter or "")
            case "state":
                state = self._with.states.get(when.unit or "", when.state or "")
                known = state is not None and state.known is not Known.UNKNOWN
                return state.value == when.value if state is not None and known else None
        return None

    # What there is

    def views(self) -> list[TriggerStatus]:
        """All of them."""
        return [self._status(trigger) for trigger in self._triggers.values()]

    def topics(self) -> list[str]:
        """The MQTT topics that triggers wait for messages on."""
        found = (trigger.spec.when.topic for trigger in self._triggers.values())
        return list(dict.fromkeys(topic for topic in found if topic is not None))

    # What happens

    def take(self, record: Record) -> None:
        """Something has happened."""
        match record:
            case ControlLine():
                self._lines[record.bus, record.line] = record.level
            case BusStatus():
                there = self._links[record.bus] = record.link is not LinkState.DOWN
                for key in [key for key in self._lines if key[0] == record.bus and not there]:
                    del self._lines[key]
        for trigger in self._triggers.values():
            self._hear(trigger, record)

    def _hear(self, trigger: _Trigger, record: Record) -> None:
        """What a record says of a trigger's input."""
        when, kind = trigger.spec.when, trigger.kind
        match record:
            case ControlLine() if (record.bus, record.line) == (when.bus, when.line):
                if record.first:
                    # Nobody saw it change while the adapter was away.
                    self._input(trigger, None)
                self._input(trigger, record.level is (when.active == "on"))
            case BusStatus() if kind == "adapter" and record.bus == when.adapter:
                self._input(trigger, record.link is not LinkState.DOWN)
            case BusStatus(link=LinkState.DOWN) if record.bus == self._bus_of(trigger):
                self._input(trigger, None)
            case StateChange() if kind == "state" and (record.unit, record.state) == (when.unit, when.state):
                # In doubt it stays as it was: from off to unknown to on is a change, while the line was up.
                if record.value.known is not Known.UNKNOWN:
                    self._input(trigger, record.value.value == when.value)
            case Event() if kind == "heard" and record.unit == when.unit:
                if record.name == told_event(when.heard or ""):
                    self._pulse(trigger, on=True)
            case Event() if kind == "event" and record.name == when.event:
                if when.unit in (None, record.unit) and when.bus in (None, record.bus):
                    self._pulse(trigger, on=True)
            case SequenceProgress() if record.run == trigger.run and record.phase.over:
                trigger.run = ""
                self._say(trigger, f"{record.sequence} {record.direction}: {record.phase}. {record.text}")

    def _bus_of(self, trigger: _Trigger) -> str | None:
        """The bus without whose adapter nothing is known of its input."""
        if trigger.kind == "state":
            unit = self._loaded.site.units.get(trigger.spec.when.unit or "")
            return unit.bus if unit is not None else None
        return trigger.spec.when.bus if trigger.kind == "line" else None

    def message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """An MQTT message came; a retained one may be of any age, and counts for nothing."""
        if retained:
            return
        for trigger in self._triggers.values():
            when = trigger.spec.when
            if when.topic != topic:
                continue
            if when.payload is not None and payload == when.payload.encode():
                self._pulse(trigger, on=True)
            elif when.off_payload is not None and payload == when.off_payload.encode():
                self._pulse(trigger, on=False)

    def _input(self, trigger: _Trigger, level: bool | None) -> None:
        self._after(trigger, trigger.machine.input(level, self._clock()))

    def _pulse(self, trigger: _Trigger, *, on: bool) -> None:
        now = self._clock()
        if trigger.spec.when.off_payload is not None:
            machine = trigger.machine
            if machine.level is None and machine.on is None:
                # A message is a change, the first one too.
                machine.input(not on, now)
                machine.look(now)
            self._after(trigger, machine.input(on, now))
        elif on:
            self._after(trigger, trigger.machine.pulse(now))

    # Timers

    def _after(self, trigger: _Trigger, turns: list[Turn]) -> None:
        """Do what is due, plan the next look, tell how it is."""
        for turn in turns:
            self._turn(trigger, on=turn.on)
        if trigger.timer is not None:
            trigger.timer.cancel()
            trigger.timer = None
        if self._closed:
            return
        waits = []
        if trigger.machine.deadline is not None:
            waits.append(max(0.0, trigger.machine.deadline - self._clock()))
        if trigger.clock is not None:
            waits.append(trigger.clock.next_look(self._with.utc()))
        if waits:
            loop = asyncio.get_running_loop()
            trigger.timer = loop.call_later(min(waits), self._look, trigger)
        self._tell(trigger)

    def _look(self, trigger: _Trigger) -> None:
        turns = []
        if trigger.clock is not None:
            due, missed = trigger.clock.look(self._with.utc())
            if missed:
                log.warning("trigger %s: %d times went by unseen; they are not made up", trigger.id, missed)
                trigger.last, trigger.at = "missed: the clock was set, or nobody looked", self._with.utc()
            if due:
                turns += trigger.machine.pulse(self._clock())
        self._after(trigger, turns + trigger.machine.look(self._clock()))

    # Doing

    def _turn(self, trigger: _Trigger, *, on: bool) -> None:
        then = trigger.spec.on if on else trigger.spec.off
        if then is None or self._closed:
            return
        under_way = trigger.tasks.get(on)
        if under_way is not None and not under_way.done():
            self._say(trigger, f"{does_words(then)}: still at it, not begun again")
            return
        log.info("trigger %s: %s", trigger.id, does_words(then))
        self._say(trigger, f"{does_words(then)} ...")
        trigger.tasks[on] = asyncio.create_task(self._do(trigger, then), name=f"trigger {trigger.id}")

    async def _do(self, trigger: _Trigger, then: ThenSpec) -> None:
        try:
            text, good = await self._start(trigger, then, Origin(OriginKind.TRIGGER, trigger.id))
        except Exception as error:
            log.exception("trigger %s met a fault of this program", trigger.id)
            text, good = f"a fault of this program: {error!r}", False
        words = f"{does_words(then)}: {text}"
        alert = None if good else f"trigger {trigger.id}: {words}"
        self._with.alert(
            f"trigger-{trigger.id}", "site", alert, "" if good else "what it starts, and the journal"
        )
        self._say(trigger, words)

    async def _start(self, trigger: _Trigger, then: ThenSpec, origin: Origin) -> tuple[str, bool]:
        """Start it; what became of it, and whether that is well."""
        if then.sequence is not None:
            progress = self._starts.sequence(then.sequence, SequenceOrder(then.go), origin)
            refused = progress.phase is Phase.REFUSED
            trigger.run = "" if refused else progress.run
            return progress.text if refused else progress.phase.value, not refused
        if then.off is not None:
            outcomes = await self._starts.all_off(None if then.off == ALL else then.off, origin)
            bad = [outcome for outcome in outcomes if not outcome.result.good]
            return f"{len(outcomes) - len(bad)} of {len(outcomes)} told", not bad
        command = Command(
            then.unit or "", then.action or "", dict(then.parameters), origin, at=self._with.utc()
        )
        outcome = await self._starts.submit(command)
        return f"{outcome.result.value}. {outcome.text}".removesuffix(". "), outcome.result.good

    # Telling

    def _say(self, trigger: _Trigger, text: str) -> None:
        if text != trigger.last:
            trigger.last, trigger.at = text, self._with.utc()
        self._tell(trigger)

    def _status(self, trigger: _Trigger) -> TriggerStatus:
        machine, spec = trigger.machine, trigger.spec
        pending, due = "", None
        if machine.pending is not None:
            at, on = machine.pending
            then = spec.on if on else spec.off
            if then is not None:
                # In whole seconds: the two clocks drift, and nobody is to be told of that.
                pending, due = does_words(then), float(round(self._with.utc() + at - self._clock()))
        does = does_words(spec.on) + (f"; after it {does_words(spec.off)}" if spec.off is not None else "")
        return TriggerStatus(
            trigger.id,
            spec.title or trigger.id,
            trigger.kind,
            waits_words(spec),
            does,
            machine.level,
            pending,
            due,
            trigger.last,
            trigger.at,
        )

    def _tell(self, trigger: _Trigger) -> None:
        status = self._status(trigger)
        if status != trigger.told:
            trigger.told = status
            self._with.publish(status)

    # The end

    def _end(self, trigger: _Trigger) -> None:
        if trigger.timer is not None:
            trigger.timer.cancel()
        self._with.alert(f"trigger-{trigger.id}", "site", None, "")

    def stop(self) -> None:
        """Start nothing more."""
        self._closed = True
        for trigger in self._triggers.values():
            if trigger.timer is not None:
                trigger.timer.cancel()

    async def ended(self) -> None:
        """Wait until what was started is over."""
        tasks = [task for trigger in self._triggers.values() for task in trigger.tasks.values()]
        await asyncio.gather(*tasks, return_exceptions=True)
