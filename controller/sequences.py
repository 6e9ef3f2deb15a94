"""The runs of a site's sequences: commands out, outcomes in, one sequence a bus at a time.

What takes energy away passes: going down cancels what comes up on the same bus, and so does everything off.
Every command passes the gate as any other does; nothing is gone on with after a restart.
"""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field, replace

from controller.command_queue import TakenBack
from controller.guard import Cleared
from controller.records import Command, Origin, OriginKind, Outcome, Result, new_id
from controller.sequences_machine import SequenceMachine, TakeBack, Tell
from controller.sequences_model import SequenceSpec
from controller.sequences_plan import Direction, Plan, Planner
from controller.sequences_records import Phase, SequenceOrder, SequenceProgress, SequenceView
from controller.sequences_rules import loud_order
from controller.site import LoadedSite
from controller.submitting import Submitting
from controller.surroundings import Surroundings
from controller.waiting import Clock
from profiles.errors import NotKnown

__all__ = ["Sequences"]

log = logging.getLogger(__name__)

_ENDING = "the controller has ended"


@dataclass(slots=True, eq=False)
class _Run:
    plan: Plan
    machine: SequenceMachine
    origin: Origin
    agreed: bool
    buses: frozenset[str]
    began: float
    behind: tuple[_Run, ...]
    """Runs that have to end first."""
    id: str = field(default_factory=new_id)
    outcomes: deque[tuple[int, Outcome]] = field(default_factory=deque)
    commands: dict[int, str] = field(default_factory=dict)
    """Ids of commands by their numbers."""
    wake: asyncio.Event = field(default_factory=asyncio.Event)
    task: asyncio.Task[None] | None = None
    waits: bool = False
    cancelled: str | None = None

    @property
    def over(self) -> bool:
        return self.task is not None and self.task.done()

    @property
    def rises(self) -> bool:
        return self.plan.direction is Direction.UP


class Sequences:
    """The sequences of one site.

    Args:
        loaded: the site; looked into anew for each run, for it may change.
        surroundings: gate, states, and who is told.
        commands: where commands go.
        clock: monotonic seconds.
    """

    def __init__(
        self, loaded: LoadedSite, surroundings: Surroundings, commands: Submitting, clock: Clock
    ) -> None:
        self._loaded = loaded
        self._with = surroundings
        self._commands = commands
        self._clock = clock
        self._runs: list[_Run] = []
        self._last: dict[str, SequenceProgress] = {}
        self._closing = False

    # What there is

    @property
    def _planner(self) -> Planner:
        return Planner(self._loaded.site.units, self._loaded.profiles)

    def _spec(self, name: str) -> SequenceSpec:
        known = self._loaded.site.sequences
        if name not in known:
            named = f"known are {', '.join(known)}" if known else "the site has none"
            raise NotKnown(f"no sequence is called {name!r}", todo=named)
        return known[name]

    def views(self) -> list[SequenceView]:
        """All of them."""
        return [self._view(name, spec) for name, spec in self._loaded.site.sequences.items()]

    def _view(self, name: str, spec: SequenceSpec) -> SequenceView:
        planner = self._planner
        up, down = (planner.plan(name, spec, direction) for direction in Direction)
        wrong = [text for direction in Direction for _, text in loud_order(planner, name, spec, direction)]
        return SequenceView(
            name,
            spec.title or name,
            tuple(step.words for step in up.steps),
            tuple(step.words for step in down.steps),
            spec.on_failure,
            spec.down_on_failure,
            tuple(sorted(self._buses(up) | self._buses(down))),
            tuple(self._asking(up)),
            tuple(dict.fromkeys(wrong)),
            self._last.get(name),
        )

    def _buses(self, plan: Plan) -> frozenset[str]:
        return frozenset(self._loaded.site.units[unit].bus for unit in plan.units)

    def _asking(self, plan: Plan) -> Iterator[str]:
        units = self._loaded.site.units
        return (
            unit
            for unit in dict.fromkeys(step.unit for step in plan.done if step.energises)
            if units[unit].ask_before_energise
        )

    # Orders

    def order(
        self, name: str, order: SequenceOrder, origin: Origin, *, agreed: bool = False
    ) -> SequenceProgress:
        """Begin a sequence, or cancel it; returns at once, and how it goes on is told as records.

        Args:
            name: the sequence.
            order: which way it is to go, or that it is to end.
            origin: who asks.
            agreed: whether a person was asked about the units that ask, and said yes.

        Raises:
            NotKnown: there is no such sequence.
        """
        spec = self._spec(name)
        own = [run for run in self._active() if run.plan.sequence == name]
        if order is SequenceOrder.CANCEL:
            return self._cancel_all(name, own, origin)
        direction = Direction(order.value)
        for run in own:
            if run.plan.direction is direction and run.cancelled is None:
                return self._progress(run)
        plan = self._planner.plan(name, spec, direction)
        buses = self._buses(plan)
        refusal = self._refusal(plan, buses, origin, agreed=agreed)
        if refusal is not None:
            log.info("sequence %s %s, asked for by %s: refused: %s", name, direction, _who(origin), refusal)
            return self._tell(self._blank(plan, origin, Phase.REFUSED, refusal))
        others = [run for run in self._active() if run in own or run.buses & buses]
        for run in others:
            if run.rises:
                self._cancel(run, f"cancelled, because {name} goes down")
        machine = SequenceMachine(plan, self._planner.undoing, self._with.states.holds)
        run = _Run(plan, machine, origin, agreed, buses, self._with.utc(), tuple(others))
        self._runs.append(run)
        log.info("sequence %s %s, asked for by %s", name, direction, _who(origin))
        run.waits = bool(others)
        run.task = asyncio.create_task(self._drive(run), name=f"sequence {name}")
        run.task.add_done_callback(lambda _: self._runs.remove(run))
        for other in others:
            if other.task is not None:
                other.task.add_done_callback(lambda _: run.wake.set())
        return self._tell(self._progress(run))

    def _refusal(self, plan: Plan, buses: frozenset[str], origin: Origin, *, agreed: bool) -> str | None:
        """Why it can't begin; None where it can."""
        if self._closing:
            return _ENDING
        if origin.kind is OriginKind.MQTT:
            for step in plan.done:
                if not self._with.gate.takes_from_mqtt(step.unit, step.action):
                    return f"{step.unit} takes no {step.action} over MQTT"
        asking = [] if agreed else list(self._asking(plan))
        if asking:
            return f"{' and '.join(asking)} asks before it is energised, and nobody was asked"
        if plan.direction is Direction.UP:
            for run in self._active():
                if run.buses & buses or run.plan.sequence == plan.sequence:
                    shared = ", ".join(sorted(run.buses & buses)) or "nothing"
                    busy = f"{run.plan.sequence} is on its way {run.plan.direction} on bus {shared}"
                    return f"{busy}; wait for its end"
        return None

    def _cancel_all(self, name: str, own: list[_Run], origin: Origin) -> SequenceProgress:
        for run in own:
            self._cancel(run, f"cancelled by {_who(origin)}")
        if own:
            return self._progress(own[-1])
        last = self._last.get(name)
        if last is not None:
            return last
        plan = Plan(name, Direction.UP, ())
        return self._blank(plan, origin, Phase.REFUSED, f"{name} is not on its way")

    def stop_rising(self, units: Collection[str] | None, text: str) -> None:
        """Cancel what comes up and tells any of these units something; None for whatever comes up."""
        for run in self._active():
            if run.rises and (units is None or not run.plan.units.isdisjoint(units)):
                self._cancel(run, text)

    def stop_changed(self, old: dict[str, SequenceSpec]) -> None:
        """The site has changed: what is on its way and is another sequence now, or none, is cancelled."""
        known = self._loaded.site.sequences
        for run in self._active():
            name = run.plan.sequence
            if known.get(name) != old.get(name) or not run.plan.units <= self._loaded.site.units.keys():
                self._cancel(run, "cancelled: the site file has changed")
        for name in old.keys() - known.keys():
            self._with.alert(f"sequence-{name}", "site", None, "")
        self._last = {name: last for name, last in self._last.items() if name in known}

    def states_changed(self) -> None:
        """A state has changed: somebody may wait for it."""
        for run in self._runs:
            run.wake.set()

    async def close(self) -> None:
        """Cancel what is on its way, and wait for its end."""
        self._closing = True
        runs = self._active()
        for run in runs:
            self._cancel(run, _ENDING)
        await asyncio.gather(*(run.task for run in runs if run.task is not None), return_exceptions=True)

    # A run

    def _active(self) -> list[_Run]:
        return [run for run in self._runs if not run.over]

    def _cancel(self, run: _Run, text: str) -> None:
        if run.cancelled is None:
            run.cancelled = text
            run.wake.set()

    async def _drive(self, run: _Run) -> None:
        try:
            await self._wait_for_others(run)
            if run.cancelled is None:
                self._perform(run, run.machine.begin(self._clock()))
            while not run.machine.over:
                self._tell(self._progress(run))
                await self._something_new(run)
                self._take_news(run)
        except Exception:
            log.exception("sequence %s met a fault of this program", run.plan.sequence)
            self._tell(
                replace(self._progress(run), phase=Phase.FAILED, text="a fault of this program; see its log")
            )
            return
        self._end(run)

    async def _wait_for_others(self, run: _Run) -> None:
        while run.cancelled is None and any(not other.over for other in run.behind):
            await run.wake.wait()
            run.wake.clear()
        run.waits = False
        if run.cancelled is not None:
            run.machine.cancel(run.cancelled)

    async def _something_new(self, run: _Run) -> None:
        deadline = run.machine.deadline
        left = None if deadline is None else max(0.0, deadline - self._clock())
        try:
            async with asyncio.timeout(left):
                await run.wake.wait()
        except TimeoutError:
            pass
        run.wake.clear()

    def _take_news(self, run: _Run) -> None:
        machine = run.machine
        if run.cancelled is not None:
            self._perform(run, machine.cancel(run.cancelled))
        while run.outcomes:
            number, outcome = run.outcomes.popleft()
            good = outcome.result.good
            text = outcome.text or (outcome.reason.value if outcome.reason else outcome.result.value)
            maybe = outcome.result in (Result.FAILED, Result.CANCELLED)
            self._perform(run, machine.told(number, self._clock(), good=good, text=text, maybe=maybe))
        self._perform(run, machine.look(self._clock()))

    def _perform(self, run: _Run, effects: list[Tell | TakeBack]) -> None:
        for effect in effects:
            if isinstance(effect, Tell):
                self._send(run, effect)
            else:
                identity = run.commands[effect.number]
                text = run.cancelled or "cancelled"
                self._commands.take_back(_of(identity), TakenBack(text))

    def _send(self, run: _Run, tell: Tell) -> None:
        step = tell.step
        who = _who(run.origin)
        origin = Origin(OriginKind.SEQUENCE, f"{run.plan.sequence} (by {who})", run.origin.claimed)
        command = Command(
            step.unit, step.action, dict(step.parameters), origin, at=self._with.utc(), agreed=run.agreed
        )
        run.commands[tell.number] = command.id

        def ended(outcome: asyncio.Future[Outcome]) -> None:
            run.outcomes.append((tell.number, outcome.result()))
            run.wake.set()

        self._commands.begin(command).add_done_callback(ended)

    # Telling

    def _progress(self, run: _Run) -> SequenceProgress:
        phase, text = run.machine.phase, run.machine.text
        if run.waits:
            phase = Phase.WAITING
            text = "waits for the end of " + ", ".join(
                other.plan.sequence for other in run.behind if not other.over
            )
        return SequenceProgress(
            run.plan.sequence,
            run.plan.direction.value,
            phase,
            run.machine.steps,
            _who(run.origin),
            run.began,
            self._with.utc(),
            text,
            run.id,
        )

    def _blank(self, plan: Plan, origin: Origin, phase: Phase, text: str) -> SequenceProgress:
        now = self._with.utc()
        return SequenceProgress(
            plan.sequence, plan.direction.value, phase, (), _who(origin), now, now, text, new_id()
        )

    def _tell(self, progress: SequenceProgress) -> SequenceProgress:
        before = self._last.get(progress.sequence)
        if progress.phase is Phase.REFUSED and before is not None and not before.phase.over:
            # What runs is what is shown; who was refused has it as the answer.
            self._with.publish(progress)
            return progress
        if before is None or replace(before, at=progress.at) != progress:
            self._last[progress.sequence] = progress
            self._with.publish(progress)
        return progress

    def _end(self, run: _Run) -> None:
        progress = self._tell(self._progress(run))
        name, phase = run.plan.sequence, progress.phase
        bad = phase in (Phase.FAILED, Phase.DONE_IN_PART, Phase.UNDONE)
        log.info("sequence %s %s: %s", name, run.plan.direction, phase)
        text = f"sequence {name} {run.plan.direction}: {phase.value}: {progress.text}" if bad else None
        self._with.alert(
            f"sequence-{name}", "site", text, "the unit that is named; `linewarden sequence`" if bad else ""
        )


def _of(command_id: str) -> Callable[[Cleared], bool]:
    return lambda cleared: cleared.command.id == command_id


def _who(origin: Origin) -> str:
    """Who asks, in words."""
    kind = origin.kind.value.replace("_", " ")
    return f"{kind} {origin.name}".strip()
