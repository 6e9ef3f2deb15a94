"""Carrying one command of a bus out: judged once more, sent, and its report made an outcome."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from controller.aftermath import states_after
from controller.bus_line import BusLine
from controller.carrying import method_for, outcome_of, transmission_for
from controller.command_queue import TakenBack, Waiting
from controller.counting import Counting
from controller.guard import Cleared, Refusal
from controller.hearing import Hearing
from controller.records import Outcome, Reason, Result, StateChange
from controller.surroundings import Surroundings
from controller.telling import Ended
from controller.transmission import LineTimes, Report
from controller.waiting import Clock
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, JournalError
from profiles.model import Method
from profiles.template import Message

__all__ = ["Carrier"]

log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Flight:
    """A command on its way."""

    cleared: Cleared
    message: Message
    method: Method
    profile: CompiledProfile
    times: LineTimes
    report: asyncio.Future[Report]
    changes: list[StateChange] = field(default_factory=list)


@dataclass(slots=True)
class _Ahead:
    """What was done of a command before ``carry_out``."""

    waiting: Waiting
    began: float
    """UTC seconds."""
    flight: _Flight | None = None
    outcome: Outcome | None = None
    fault: Exception | None = None


class Carrier:
    """Carries out the commands of one bus, one after another.

    Args:
        line: the bus's line.
        hearing: the bus's traffic.
        surroundings: gate, states and journal.
        clock: monotonic seconds.
        fault: is told of a fault of this program.
    """

    def __init__(
        self,
        line: BusLine,
        hearing: Hearing,
        surroundings: Surroundings,
        clock: Clock,
        fault: Callable[[BaseException], None],
    ) -> None:
        self._line = line
        self._hearing = hearing
        self._with = surroundings
        self._clock = clock
        self._fault = fault
        self._counting = Counting(surroundings.journal, line.setup.id)
        self._flight: _Flight | None = None
        self._ahead: _Ahead | None = None
        self.counters = dict.fromkeys(("actions", "failures"), 0)
        self.last_lags: tuple[str, tuple[float, ...]] = ("", ())
        """The id of the last command that was sent, and the lag of each of its echoes in seconds."""

    # What the link tells

    def on_report(self, report: Report) -> None:
        """A transmission is over. What it says of states holds from this moment on."""
        flight = self._flight
        if flight is None or flight.cleared.command.id != report.id or flight.report.done():
            return
        try:
            if report.all_out:
                self._with.gate.sent(flight.cleared, self._clock())
            spoken = self._hearing.observed_since_own
            flight.changes += states_after(
                flight.cleared, report, self._with.states, spoken, self._with.utc()
            )
        except Exception as error:
            log.exception("bus %s: a report could not be understood", self._line.setup.id)
            flight.report.set_exception(error)
        else:
            flight.report.set_result(report)

    def give_up(self) -> None:
        """The link has ended; a report that is still missing won't come."""
        if self._flight is not None and not self._flight.report.done():
            self._flight.report.set_exception(RuntimeError("the link has ended without a word of it"))

    # From its turn to its outcome

    def begin(self, waiting: Waiting) -> None:
        """Send a command whose turn it is, unless a file is needed for it; ``carry_out`` has to follow."""
        ahead = self._ahead = _Ahead(waiting, self._with.utc())
        action = waiting.cleared.action
        if action is not None and action.send.counters:
            return
        try:
            judged = self._judge(waiting)
            if isinstance(judged, Outcome):
                ahead.outcome = judged
            else:
                ahead.flight = self._send(judged, self._plain_message(judged))
        except BadValue as error:
            ahead.outcome = self._out_of_range(waiting.cleared, error)
        except Exception as error:  # noqa: BLE001 -- raised again where it is seen to
            ahead.fault = error

    async def carry_out(self, waiting: Waiting) -> Ended:
        """See to a command whose turn it is; it ends in one outcome, whatever happens."""
        ahead, self._ahead = self._ahead, None
        if ahead is None or ahead.waiting is not waiting:
            ahead = _Ahead(waiting, self._with.utc())
        try:
            ended = await self._carry_out(ahead)
        except JournalError as error:
            ended = Ended(self.refused(waiting.cleared, Refusal(Reason.JOURNAL, error.what, error.todo)))
        except Exception as error:
            log.exception("bus %s: a command ended in a fault of this program", self._line.setup.id)
            self._fault(error)
            ended = self._failed(waiting.cleared)
        finally:
            self._flight = None
            self._hearing.sent()
        ended.began = ahead.began
        return ended

    async def _carry_out(self, ahead: _Ahead) -> Ended:
        if ahead.fault is not None:
            raise ahead.fault
        waiting = ahead.waiting
        sent = ahead.flight or ahead.outcome or await self._take_off(waiting)
        if isinstance(sent, Outcome):
            return Ended(sent)
        flight, judged = sent, sent.cleared
        report = await flight.report
        self.counters["actions"] += 1
        self.last_lags = judged.command.id, tuple(report.lags)
        outcome = outcome_of(
            report, flight.message, flight.method, flight.profile, flight.times, self._with.utc()
        )
        if outcome.result is Result.FAILED and outcome.reason is not Reason.REFUSED_BY_UNIT:
            self.counters["failures"] += 1
        why = waiting.taken_back
        if why is not None and outcome.result is Result.CANCELLED:
            outcome = replace(outcome, text=why.text, look_at=why.look_at, reason=why.reason)
        if outcome.result is Result.CONFIRMED and flight.method is Method.LOOP:
            await self._line.learn(report.lags, flight.times, outcome.units_answering, self._with.utc)
        return Ended(outcome, judged, flight.method, flight.changes)

    async def _take_off(self, waiting: Waiting) -> _Flight | Outcome:
        """Judge a command and send it, or say what became of it."""
        judged = self._judge(waiting)
        if isinstance(judged, Outcome):
            return judged
        try:
            message = await self._message(judged)
        except BadValue as error:
            return self._out_of_range(judged, error)
        if judged.action is not None and judged.action.send.counters:
            # Time has passed: it may have been taken back, or a lock may have been set.
            judged = self._judge(waiting)
            if isinstance(judged, Outcome):
                return judged
        return self._send(judged, message)

    def _judge(self, waiting: Waiting) -> Cleared | Outcome:
        """Whether it may go out now: what it is to the bus, or else its outcome."""
        if waiting.taken_back is not None:
            return self.cancelled(waiting.cleared, waiting.taken_back)
        judged = self._with.gate.at_its_turn(
            waiting.cleared,
            utc=self._with.utc(),
            now=self._clock(),
            locks=self._with.locks(),
            states=self._with.states,
        )
        if isinstance(judged, Refusal):
            return self.refused(waiting.cleared, judged)
        waiting.cleared = judged
        return judged

    @staticmethod
    def _plain_message(cleared: Cleared) -> Message:
        """The bytes of a command that has no counters."""
        if cleared.message is not None:
            return cleared.message
        if cleared.action is None:
            return Message(cleared.command.raw or b"")
        return cleared.action.message(cleared.values, address=cleared.address)

    async def _message(self, cleared: Cleared) -> Message:
        if cleared.action is None or not cleared.action.send.counters:
            return self._plain_message(cleared)
        counters = await self._counting.numbers(cleared)
        return cleared.action.message(cleared.values, address=cleared.address, counters=counters)

    def _send(self, cleared: Cleared, message: Message) -> _Flight:
        setup, profile = self._line.setup, self._line.profile
        open_line, hears_itself = setup.topology == "open", setup.hears_itself
        method = method_for(cleared, profile, open_line=open_line, hears_itself=hears_itself)
        transmission = transmission_for(cleared, profile, message, method, hears_itself=hears_itself)
        report: asyncio.Future[Report] = asyncio.get_running_loop().create_future()
        flight = self._flight = _Flight(cleared, message, method, profile, self._line.times(), report)
        self._line.link.transmit(transmission)
        # Nothing of it is heard before the event loop's next turn: the bytes go first.
        self._hearing.sending(transmission.id, cleared)
        return flight

    # Outcomes of what was not sent, or of which nothing is known

    def _out_of_range(self, cleared: Cleared, error: BadValue) -> Outcome:
        return self.refused(cleared, Refusal(Reason.OUT_OF_RANGE, error.what, error.todo))

    def refused(self, cleared: Cleared, refusal: Refusal) -> Outcome:
        """The outcome of a command that did not pass the gate."""
        return self._over(cleared, Result.REFUSED, refusal.reason, refusal.text, refusal.todo)

    def cancelled(self, cleared: Cleared, why: TakenBack) -> Outcome:
        """The outcome of a command that was taken back before it was sent."""
        return self._over(cleared, Result.CANCELLED, why.reason, why.text, why.look_at)

    def _failed(self, cleared: Cleared) -> Ended:
        """A fault of this program: if it was handed to the link, the unit may have obeyed."""
        ended = Ended(self.failed(cleared))
        if self._flight is not None:
            self._with.gate.sent(cleared, self._clock())
            ended.changes += self._with.states.doubt_all(cleared.units, ended.outcome.at)
        return ended

    def failed(self, cleared: Cleared) -> Outcome:
        """The outcome of a command that met a fault of this program."""
        text = "a fault of this program; its log says more"
        return self._over(cleared, Result.FAILED, Reason.INTERNAL, text, "the log of the controller")

    def _over(self, cleared: Cleared, result: Result, reason: Reason, text: str, look_at: str) -> Outcome:
        return Outcome(cleared.command.id, result, reason, text, look_at, at=self._with.utc())
