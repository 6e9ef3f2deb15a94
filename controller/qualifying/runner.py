"""A qualification carried out on a controller, through the same API as everybody's commands."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass

from controller.api import ControllerApi, SiteView, UnitView
from controller.qualifying.course import Course, Done, Phase, Send
from controller.qualifying.plan import Asked, QualifyPlan, plan_for
from controller.qualifying.subject import subject_of
from controller.qualifying.trials import Found, Trial, Trials
from controller.qualifying.watching import Watch
from controller.records import Command, Known, Origin, Outcome, Reason, Result, StateValue, new_id
from profiles.errors import LinewardenError, NotKnown
from profiles.model import written

__all__ = ["Progress", "qualify"]

_SETTLE = 0.15
"""Seconds after the last command in which records of it may still come in."""
_KINDS = frozenset(("Traffic", "StateChange", "Event", "Command"))


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a run is."""

    cycle: int
    cycles: int
    done: int
    """Cycles that are over."""
    failed: int
    text: str
    """What is being done, or what came of it."""


Tell = Callable[[Progress], None]


def _nobody(_: Progress) -> None:
    """Nobody wants to know."""


async def qualify(
    api: ControllerApi,
    asked: Asked,
    *,
    origin: Origin,
    stop: asyncio.Event,
    tell: Tell = _nobody,
    utc: Callable[[], float] = time.time,
    clock: Callable[[], float] = time.monotonic,
) -> Trials:
    """Switch a unit on and off as asked, and gather what comes of it.

    Every command passes the gate: locks, hold-offs and minimum times hold. Whoever else commands the unit, or
    switches everything off, ends the run; so does ``stop``. Then the unit is switched off, or left as it is
    where it was found on and is on; nothing energises it any more. Whoever calls this has
    asked a person: the commands count as agreed to.

    Args:
        api: the controller.
        asked: what is asked for.
        origin: whose commands these are.
        stop: set to end it before its time.
        tell: is told where it is.
        utc: UTC seconds.
        clock: monotonic seconds.

    Raises:
        NotKnown: there is no such unit, action or bus.
        BadValue: what is asked can't be done.
    """
    site = await api.site()
    plan = plan_for(site, asked)
    subject, notes = await subject_of(api, site, plan)
    found = await _state(api, plan)
    run = Trials(plan, subject, utc(), notes=notes)
    course = Course(plan, _is_on(found, plan), clock())
    watch = Watch(plan, _unit(site, plan), subject, utc)
    buses = frozenset((plan.bus,) if plan.tap is None else (plan.bus, plan.tap))
    records = api.subscribe(_KINDS, buses)
    reading = asyncio.create_task(watch.read(records), name="qualification records")
    try:
        await _Runner(api, course, run, watch, origin, stop, tell, utc, clock).carry_out()
        await asyncio.sleep(_SETTLE)
    finally:
        reading.cancel()
        await asyncio.gather(reading, return_exceptions=True)
    run.ended = utc()
    run.completed = course.completed
    run.incomplete = course.ended_early
    watch.give(run)
    run.state = Found(_word(found), _word(await _state(api, plan)) if not watch.gone else "unknown")
    return run


class _Runner:
    """Carries a course out, step by step."""

    def __init__(
        self,
        api: ControllerApi,
        course: Course,
        run: Trials,
        watch: Watch,
        origin: Origin,
        stop: asyncio.Event,
        tell: Tell,
        utc: Callable[[], float],
        clock: Callable[[], float],
    ) -> None:
        self._api = api
        self._course = course
        self._run = run
        self._watch = watch
        self._origin = origin
        self._stop = stop
        self._tell = tell
        self._utc = utc
        self._clock = clock

    async def carry_out(self) -> None:
        """From the first step to the last."""
        while True:
            if self._stop.is_set():
                self._course.end("it was stopped")
            elif self._watch.why:
                self._course.end(self._watch.why)
            step = self._course.next(self._clock())
            if isinstance(step, Done):
                return
            if isinstance(step, Send):
                await self._send(step)
            else:
                await self._wait(step.until)

    async def _wait(self, until: float) -> None:
        """Until then, or until something ends the run."""
        stopped = asyncio.create_task(self._stop.wait())
        disturbed = asyncio.create_task(self._watch.disturbed.wait())
        try:
            left = max(0.0, until - self._clock())
            await asyncio.wait((stopped, disturbed), timeout=left, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopped.cancel()
            disturbed.cancel()

    async def _send(self, step: Send) -> None:
        plan = self._run.plan
        action = plan.on if step.on else plan.off
        parameters = dict(plan.on_parameters if step.on else plan.off_parameters)
        command = Command(plan.unit, action, parameters, self._origin, new_id(), self._utc(), agreed=True)
        self._watch.sending(command.id, step)
        self._say(step, f"{action} ...")
        try:
            outcome = await self._api.submit(command)
        except LinewardenError as error:
            self._course.end(f"the controller is out of reach: {error}")
            self._watch.gone = True
            self._course.took(_lost(command, error), self._clock())
            return
        self._course.took(outcome, self._clock())
        self._watch.ended(command.id, step, outcome)
        self._run.trials.append(Trial(step.phase, step.cycle, action, command.id, command.at, outcome))
        reason = f" ({outcome.reason.value})" if outcome.reason else ""
        self._say(step, f"{action}: {outcome.result.value}{reason}")

    def _say(self, step: Send, text: str) -> None:
        words = {Phase.BEFORE: "before the first cycle: ", Phase.RESTORE: "at the end: "}.get(step.phase, "")
        failed = sum(not trial.outcome.result.good for trial in self._run.trials)
        done, cycles = self._course.completed, self._run.plan.cycles
        self._tell(Progress(step.cycle, cycles, done, failed, f"{words}{text}"))


def _lost(command: Command, error: LinewardenError) -> Outcome:
    return Outcome(command.id, Result.FAILED, Reason.LINK_LOST, str(error))


def _unit(site: SiteView, plan: QualifyPlan) -> UnitView:
    found = next((each for each in site.units if each.id == plan.unit), None)
    if found is None:
        raise NotKnown(f"no unit is called {plan.unit!r}")
    return found


async def _state(api: ControllerApi, plan: QualifyPlan) -> StateValue | None:
    """The state by which the unit is on or off, as far as it can be had."""
    if plan.state is None:
        return None
    with contextlib.suppress(LinewardenError):  # a controller that is gone can't say
        return (await api.states()).get(plan.unit, {}).get(plan.state)
    return None


def _is_on(state: StateValue | None, plan: QualifyPlan) -> bool | None:
    if state is None or state.known is Known.UNKNOWN:
        return None
    if state.value == plan.state_on:
        return True
    return False if state.value == plan.state_off else None


def _word(state: StateValue | None) -> str:
    if state is None or state.known is Known.UNKNOWN:
        return "unknown"
    value = written(state.value)
    return f"{value} ({state.known.value})"
