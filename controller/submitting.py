"""Taking commands in: each passes the gate and the journal, and ends in one outcome, whatever happens."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from controller.alerts import FaultAlert
from controller.api import JournalEntry
from controller.bus import Bus
from controller.command_queue import TakenBack
from controller.counting import PATIENCE
from controller.guard import Cleared, Refusal
from controller.records import Accepted, Command, Outcome, Reason, Result, new_id
from controller.surroundings import Surroundings
from controller.waiting import Clock
from profiles.errors import JournalError

__all__ = ["Submitting"]

log = logging.getLogger(__name__)

_REMEMBERED = 1000
"""Outcomes that are known without asking the journal, which may be unable to answer."""
_LATEST = 1e11
"""UTC seconds, the year 5138: a command that says it is of later than that, or of no time, is of now."""
_ENDING = TakenBack("the controller is ending")


_TAKEN = Refusal(Reason.NOT_ALLOWED, "another command has this id", "use a fresh one")


@dataclass(frozen=True, slots=True)
class _Known:
    """A command, and its outcome as it is or will be."""

    command: Command
    outcome: asyncio.Task[Outcome]


@dataclass(slots=True)
class _Entering:
    """A command whose intent is being entered in the journal."""

    cleared: Cleared
    taken_back: TakenBack | None = None


@dataclass(slots=True)
class _Started:
    """How far a command came at once."""

    outcome: asyncio.Future[Outcome] | None = None
    """Its outcome as it will be, where it is with its bus."""
    fault: Exception | None = None
    """A fault of this program on the way."""


class Submitting:
    """Takes the commands of a site in.

    Args:
        surroundings: gate, states, locks and journal.
        buses: where commands go.
        clock: monotonic seconds.
    """

    def __init__(self, surroundings: Surroundings, buses: Mapping[str, Bus], clock: Clock) -> None:
        self._with = surroundings
        self._buses = buses
        self._clock = clock
        self._known: dict[str, _Known] = {}
        """Commands under way, and the latest that are over."""
        self._ended: deque[str] = deque()
        self._entering: dict[str, _Entering] = {}
        self._closing = False
        self._fault = FaultAlert(surroundings.alert, "site")

    async def submit(self, command: Command) -> Outcome:
        """Carry out a command; returns when its outcome is journalled.

        The same id twice is one command: the second call gets the first one's outcome. The caller may go
        away; the command is carried out all the same.
        """
        return await asyncio.shield(self.begin(command))

    def begin(self, command: Command, *, new: bool = False) -> asyncio.Future[Outcome]:
        """Begin what ``submit`` waits for; gives its outcome as it will be. Not to be cancelled.

        Args:
            command: what is asked.
            new: whether its id was made in this process, just now: then nothing has to be looked up, and
                with a quick disk and a free line its bytes are with the link when this returns.
        """
        known = self._known.get(command.id)
        if known is not None and _other(command, known.command):
            refused: asyncio.Future[Outcome] = asyncio.get_running_loop().create_future()
            refused.set_result(self._refused(command, _TAKEN))
            return refused
        if known is None:
            if not command.id or not 0 < command.at < _LATEST:
                new = new or not command.id
                at = command.at if 0 < command.at < _LATEST else self._with.utc()
                command = replace(command, id=command.id or new_id(), at=at)
            # Judged at once: from here on there is something to take back.
            judged = self._judge(command)
            if isinstance(judged, Cleared):
                self._entering[command.id] = _Entering(judged)
            head = self._start(judged) if new and isinstance(judged, Cleared) else _Started()
            task = asyncio.create_task(self._see_to(command, judged, head), name=f"command {command.id[:8]}")
            known = self._known[command.id] = _Known(command, task)
        return known.outcome

    def take_back(self, which: Callable[[Cleared], bool], why: TakenBack) -> list[asyncio.Future[Outcome]]:
        """Take back what is being entered, waits or is under way.

        Returns:
            The outcome of each, as it will be.
        """
        found: list[asyncio.Future[Outcome]] = []
        for identity, entering in self._entering.items():
            if which(entering.cleared):
                entering.taken_back = entering.taken_back or why
                found.append(self._known[identity].outcome)
        for bus in self._buses.values():
            found += bus.take_back(which, why)
        return found

    async def close(self) -> None:
        """Take nothing in any more, and wait until each command that was has its outcome."""
        self.refuse_new()
        while under_way := [known.outcome for known in self._known.values() if not known.outcome.done()]:
            await asyncio.wait(under_way)
        self._fault.close()

    def refuse_new(self) -> None:
        """The controller is ending: what comes from now on is cancelled at once."""
        self._closing = True
        for entering in self._entering.values():
            entering.taken_back = entering.taken_back or _ENDING

    def _judge(self, command: Command) -> Cleared | Refusal | Exception:
        """What the gate says of it as it comes in."""
        try:
            return self._with.gate.admit(
                command,
                utc=self._with.utc(),
                now=self._clock(),
                locks=self._with.locks(),
                states=self._with.states,
            )
        except Exception as error:  # noqa: BLE001 -- whatever it is, the command ends in an outcome that says so
            return error

    def _start(self, judged: Cleared) -> _Started:
        """Enter a command and hand it to its bus without a turn of the event loop, if that can be done."""
        started = _Started()
        bus = self._buses[judged.bus]
        if self._closing or not bus.at_work or self._entered_before(judged):
            return started
        try:
            if self._with.journal.log_intent(judged.command):
                # The bytes go first: what is told of a command must not hold them up.
                started.outcome = bus.begin(judged)
                self._tell_accepted(judged.command)
        except Exception as error:  # noqa: BLE001 -- whatever it is, the command ends in an outcome that says so
            started.fault = error
        return started

    def _entered_before(self, judged: Cleared) -> bool:
        """Whether an earlier command of its bus is still being entered: it must not be overtaken."""
        others = (each.cleared for each in self._entering.values())
        return any(other.bus == judged.bus and other is not judged for other in others)

    def _tell_accepted(self, command: Command) -> None:
        del self._entering[command.id]
        self._with.publish(command)
        self._with.publish(Accepted(command.id, self._with.utc()))

    async def _see_to(
        self, command: Command, judged: Cleared | Refusal | Exception, started: _Started
    ) -> Outcome:
        try:
            if started.fault is not None:
                raise started.fault
            if started.outcome is not None:
                outcome = await asyncio.shield(started.outcome)
            else:
                outcome = await self._enter(command, judged)
        except Exception as error:
            log.exception("a command ended in a fault of this program")
            self._fault.met(error)
            text, todo = "a fault of this program; its log says more", "the log of the controller"
            outcome = self._over(command, Result.FAILED, Reason.INTERNAL, text, todo)
            if judged is error:
                outcome = await self._refuse(command, outcome)
            else:
                outcome = await self._end(command, outcome)
        finally:
            self._entering.pop(command.id, None)
            self._ended.append(command.id)
            if len(self._ended) > _REMEMBERED:
                del self._known[self._ended.popleft()]
        return outcome

    async def _enter(self, command: Command, judged: Cleared | Refusal | Exception) -> Outcome:
        if self._closing:
            return await self._refuse(command, self._cancelled(command, _ENDING))
        if isinstance(judged, Exception):
            raise judged
        if isinstance(judged, Refusal):
            return await self._refuse(command, self._refused(command, judged))
        entering = self._entering[command.id]
        try:
            # What takes energy away does not wait for a disk that hangs.
            async with asyncio.timeout(PATIENCE if judged.de_energises else None):
                earlier = await self._with.journal.intent(command)
        except (JournalError, TimeoutError) as error:
            self._with.journal_failed(error)
            if not judged.de_energises:
                text = f"the journal can't be written, so nothing that may energise is sent: {error}"
                refusal = Refusal(Reason.JOURNAL, text, "the disk; the journal goes on by itself")
                self._with.publish(command)
                return await self._end(command, self._refused(command, refusal))
        else:
            if earlier is not None:
                return self._earlier(command, earlier)
        if entering.taken_back is not None:
            del self._entering[command.id]
            self._with.publish(command)
            return await self._end(command, self._cancelled(command, entering.taken_back))
        self._tell_accepted(command)
        return await self._buses[judged.bus].execute(judged)

    async def _refuse(self, command: Command, outcome: Outcome) -> Outcome:
        """Enter a command and its outcome together, and tell both."""
        try:
            earlier = await self._with.journal.enter(command, outcome)
        except JournalError as error:
            self._with.journal_failed(error)
        else:
            if earlier is not None:
                return self._earlier(command, earlier)
        self._with.publish(command)
        self._with.publish(outcome)
        return outcome

    async def _end(self, command: Command, outcome: Outcome) -> Outcome:
        """Enter the outcome of a command whose intent was entered, or should have been, and tell it."""
        try:
            outcome = await self._with.journal.outcome(outcome)
        except JournalError as error:
            self._with.journal_failed(error)
        except Exception:
            log.exception("the outcome of command %s could not be entered", command.id)
        self._with.publish(outcome)
        return outcome

    def _earlier(self, command: Command, entry: JournalEntry) -> Outcome:
        """The outcome of the command that has this id in the journal, if it is the same one."""
        if _other(command, entry.command):
            return self._refused(command, _TAKEN)
        if entry.outcome is not None:
            return entry.outcome
        text = "a command of this id was begun before, and what became of it is not known"
        return self._refused(command, Refusal(Reason.NOT_ALLOWED, text, "look at the unit; use a fresh id"))

    def _refused(self, command: Command, refusal: Refusal) -> Outcome:
        return self._over(command, Result.REFUSED, refusal.reason, refusal.text, refusal.todo)

    def _cancelled(self, command: Command, why: TakenBack) -> Outcome:
        return self._over(command, Result.CANCELLED, why.reason, why.text, why.look_at)

    def _over(self, command: Command, result: Result, reason: Reason, text: str, todo: str) -> Outcome:
        return Outcome(command.id, result, reason, text, todo, at=self._with.utc())


def _other(one: Command, two: Command) -> bool:
    """Whether they ask for different things, whoever asks and when."""
    return (one.unit, one.action, one.parameters, one.raw) != (two.unit, two.action, two.parameters, two.raw)
