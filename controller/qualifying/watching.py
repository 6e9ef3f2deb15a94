"""What goes by during a run: lags, what the tap hears, when the unit is up, and who else commands it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from controller.api import UnitView
from controller.qualifying.course import Phase, Send
from controller.qualifying.plan import QualifyPlan
from controller.qualifying.trials import Subject, Trials
from controller.records import (
    Command,
    Direction,
    Event,
    Known,
    Lost,
    Outcome,
    Record,
    StateChange,
    Traffic,
)
from profiles.errors import LinewardenError
from profiles.model import Effect

__all__ = ["Watch"]

_MOST_TAPPED = 1 << 16
"""Bytes of one command that are kept of what the tap hears."""


class Watch:
    """Takes the records of a run in. ``take`` is sans I/O; ``read`` feeds it.

    Args:
        plan: what is done.
        unit: the unit, as the site shows it.
        subject: what is tested; its bytes are what the tap should hear.
        utc: UTC seconds.
    """

    def __init__(self, plan: QualifyPlan, unit: UnitView, subject: Subject, utc: Callable[[], float]) -> None:
        self._plan = plan
        self._subject = subject
        self._utc = utc
        self._neutral = {each.name for each in unit.actions if each.effect == Effect.NEUTRAL.value}
        self._ours: dict[str, Send] = {}
        self._lags: dict[str, list[float]] = {}
        self._sent_at: dict[str, float] = {}
        self._up_at: dict[str, float] = {}
        self._tapped: dict[str, bytearray] = {}
        self._current: str | None = None
        """The command that is under way, or the last one."""
        self._rising: str | None = None
        """The on command after which the unit has not said yet that it is up."""
        self._is_on = False
        """Whether an on command came about and no off command was begun since."""
        self.disturbed = asyncio.Event()
        self.why = ""
        """What ends the run; empty while nothing does."""
        self.gone = False
        """Whether the controller is out of reach."""
        self.missed = 0

    async def read(self, records: AsyncIterator[Record]) -> None:
        """Take records in until they end."""
        try:
            async for record in records:
                self.take(record, self._utc())
        except LinewardenError as error:
            self._end(f"the controller is out of reach: {error}")
            self.gone = True

    def sending(self, command_id: str, step: Send) -> None:
        """A command of ours is about to be submitted."""
        self._ours[command_id] = step
        self._current = command_id
        self._rising = command_id if step.on and step.phase is Phase.ON else None
        self._is_on = False

    def ended(self, command_id: str, step: Send, outcome: Outcome) -> None:
        """Its outcome came."""
        self._is_on = step.on and outcome.result.good
        if self._rising == command_id and not outcome.result.good:
            self._rising = None

    def take(self, record: Record, now: float) -> None:
        """One record; ``now`` in UTC seconds."""
        match record:
            case Traffic():
                self._traffic(record)
            case StateChange() if record.unit == self._plan.unit and record.state == self._plan.state:
                self._state(record, now)
            case Event() if record.name == self._plan.ready and record.unit in (None, self._plan.unit):
                self._up(record.at)
            case Command() if record.id not in self._ours:
                self._other(record)
            case Lost():
                self.missed += record.count
            case _:
                pass

    def _traffic(self, record: Traffic) -> None:
        if record.bus == self._plan.tap:
            heard = self._tapped.setdefault(self._current or "", bytearray())
            if len(heard) < _MOST_TAPPED:
                heard += record.data
            return
        identity = record.command_id
        if identity not in self._ours:
            return
        if record.direction is Direction.SENT:
            self._sent_at[identity] = record.at
        elif record.direction is Direction.ECHOED and record.fault is None and record.lags is not None:
            self._lags.setdefault(identity, []).extend(lag for lag in record.lags if lag is not None)

    def _state(self, record: StateChange, now: float) -> None:
        if record.value.known is not Known.OBSERVED:
            return
        if record.value.value == self._plan.state_on:
            if self._plan.ready is None:
                self._up(now)
        elif record.value.value == self._plan.state_off and self._is_on:
            self._end("the unit said that it is off while it was told to be on; somebody may be at it")

    def _up(self, at: float) -> None:
        if self._rising is not None:
            self._up_at[self._rising] = at
            self._rising = None

    def _other(self, command: Command) -> None:
        if command.unit not in (self._plan.unit, self._plan.bus):
            return
        if command.raw is None and command.action in self._neutral:
            return
        who = command.origin.name or command.origin.kind.value
        what = command.action or "raw bytes"
        self._end(f"{who} commanded {command.unit} {what} meanwhile")

    def _end(self, why: str) -> None:
        self.why = self.why or why
        self.disturbed.set()

    def give(self, run: Trials) -> None:
        """Put what was gathered to the commands that it belongs to."""
        run.missed = self.missed
        after = [*(trial.command_id for trial in run.trials[1:]), ""]
        for trial, following in zip(run.trials, after, strict=True):
            identity = trial.command_id
            trial.lags = self._lags.get(identity, [])
            trial.sent_at = self._sent_at.get(identity)
            up_at = self._up_at.get(identity)
            if up_at is not None and trial.phase is Phase.ON:
                trial.up_after = max(0.0, up_at - (trial.sent_at or trial.outcome.at))
            if self._plan.tap is not None and trial.outcome.attempts:
                wanted = self._subject.on_bytes if trial.phase is Phase.ON else self._subject.off_bytes
                # What a tap's adapter keeps for a moment comes when the next command has begun already.
                heard = bytes(self._tapped.get(identity, b"") + self._tapped.get(following, b""))
                trial.tapped = bool(wanted) and wanted in heard
