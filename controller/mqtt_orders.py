"""What comes on ``set`` topics, carried out: through the gate, and answered."""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from typing import Any

from controller.homie import ALL, AllOff, Ping, SetLock, Watch
from controller.homie_devices import Publication, Waits
from controller.homie_mirror import Mirror
from controller.homie_overview import off_outcome_message, ping_message
from controller.homie_publications import json_payload, outcome_payload
from controller.homie_sequences import SetSequence
from controller.mqtt_intake import LARGEST, Asked, AskedOfUs, Intake, Refused, Why
from controller.mqtt_log import FewLines
from controller.mqtt_messages import Incoming
from controller.mqtt_watch import LONGEST, Watches
from controller.records import Command, Origin, OriginKind, Outcome, Reason, Result, new_id
from controller.sequences_records import SequenceOrder
from controller.service import Controller
from controller.waiting import Clock
from profiles.errors import LinewardenError

__all__ = ["Orders"]

log = logging.getLogger(__name__)

MOST_WAITING = 100
"""Commands of one bus that came over MQTT and have no outcome yet; twice as many where they de-energise."""
_MOST_LOCKS = 50
_REASONS = {
    Why.BAD_VALUE: Reason.OUT_OF_RANGE,
    Why.TOO_FAST: Reason.TOO_FAST,
    Why.NOT_THERE: Reason.NOT_KNOWN,
}


class Orders:
    """Takes messages on ``set`` topics, and sees to it that each command has one outcome.

    Args:
        controller: whose gate they go through.
        intake: judges them.
        mirror: what is shown.
        publish: takes what is to be published.
        utc: UTC seconds.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        controller: Controller,
        intake: Intake,
        mirror: Mirror,
        publish: Callable[[Iterable[Publication]], None],
        *,
        utc: Callable[[], float],
        clock: Clock,
    ) -> None:
        self.intake = intake
        self._controller = controller
        self._mirror = mirror
        self._publish = publish
        self._utc = utc
        self._clock = clock
        self._few = FewLines(clock)
        self._counts: Counter[str] = Counter()
        self._waiting: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()
        self.watches = Watches(controller.subscribe, self._traffic, self._watch_over, clock)

    @property
    def under_way(self) -> int:
        """Commands without an outcome."""
        return len(self._tasks)

    def counters(self) -> Publication:
        """How many commands were taken, and how many messages refused and why."""
        refused = {why.value: self._counts[why.value] for why in Why if self._counts[why.value]}
        told = {"taken": self._counts["taken"], "refused": refused}
        if ignored := self._counts["response-ignored"]:
            told["response-ignored"] = ignored
        topic = self._mirror.site.root.value_topic("controller", "commands")
        return Publication(topic, json_payload(told), waits=Waits.NEWEST)

    def dropped(self, count: int) -> None:
        """So many messages were dropped before they could be looked at."""
        self._counts[Why.TOO_FAST.value] += count

    def filters(self) -> list[str]:
        """Everything that commands and triggers come on."""
        return [*self._mirror.site.set_filters(), *self._controller.trigger_topics()]

    def took(self, message: Incoming, claim: str) -> bool:
        """Take what is a command, or what a trigger may wait for; False where it is neither.

        Args:
            message: what came.
            claim: the one ``set`` topic that is none of ours.
        """
        topic = message.topic
        waited_for = topic in self._controller.trigger_topics()
        if waited_for and len(message.payload) <= LARGEST:
            self._controller.trigger_message(topic, message.payload, retained=message.retain)
            if self.intake.site.target(topic) is None:
                return True
        if not topic.endswith("/set") or topic == claim:
            return waited_for
        self.take(message)
        return True

    def take(self, message: Incoming) -> None:
        """Take a message on a ``set`` topic. Returns at once, and raises nothing for what it holds."""
        judged = self.intake.judge(message, utc=self._utc(), now=self._clock())
        if isinstance(judged, Asked):
            judged = self._crowded(judged) or judged
        match judged:
            case Refused():
                self._refuse(judged, message.topic)
            case Asked():
                self._counts["taken"] += 1
                if judged.response_ignored:
                    self._counts["response-ignored"] += 1
                    self._warn(f"{message.topic}: a response topic that is not under the site's own prefix")
                self._carry_out(judged)
            case AskedOfUs(target=Ping()):
                # Not counted: the counters are published, and a ping every few seconds is no news.
                answer = ping_message(self._mirror.site, judged.value)
                self._publish([] if answer is None else [answer])
            case AskedOfUs():
                self._counts["taken"] += 1
                self._ours(judged, message.topic)

    def _begin(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # Commands

    def _bus(self, command: Command) -> str:
        return self._mirror.site.loaded.site.units[command.unit].bus

    def _crowded(self, asked: Asked) -> Refused | None:
        """Whether too many wait for this bus already: a slow line must not collect them for ever."""
        bus = self._bus(asked.command)
        most = MOST_WAITING * (2 if self.intake.takes_away(asked.command) else 1)
        if self._waiting[bus] < most:
            return None
        text = f"{most} commands over MQTT wait for bus {bus} already"
        command = asked.command
        return Refused(Why.TOO_FAST, text, command.unit, command, asked.response_topic, asked.correlation)

    def _carry_out(self, asked: Asked) -> None:
        # No task of our own before the controller's: each would be a turn of the event loop later.
        command, bus = asked.command, self._bus(asked.command)
        self._mirror.asked(command.id, asked.state, asked.payload)
        self._waiting[bus] += 1
        self._begin(self._answer(asked, bus, self._controller.begin(command, new=asked.new)))

    async def _answer(self, asked: Asked, bus: str, ended: asyncio.Future[Outcome]) -> None:
        command = asked.command
        try:
            outcome = await asyncio.shield(ended)
        finally:
            self._waiting[bus] -= 1
        self._publish(self._mirror.told(command, outcome))
        self._respond(asked.response_topic, asked.correlation, outcome_payload(command, outcome))

    def _respond(self, topic: str | None, correlation: bytes | None, payload: bytes) -> None:
        if topic is not None:
            answer = Publication(topic, payload, False, 1, Waits.BOUNDED, correlation)
            self._publish([answer])

    def _refuse(self, refused: Refused, topic: str) -> None:
        self._counts[refused.why.value] += 1
        self._warn(f"{topic}: refused ({refused.why.value}): {refused.text}")
        if refused.unit is None:
            return
        origin = Origin(OriginKind.MQTT, "", claimed=True)
        command = refused.command or Command(refused.unit, "", origin=origin, id=new_id(), at=self._utc())
        reason = _REASONS.get(refused.why, Reason.NOT_ALLOWED)
        outcome = Outcome(command.id, Result.REFUSED, reason, refused.text, at=self._utc())
        self._publish(self._mirror.told(command, outcome))
        self._respond(refused.response_topic, refused.correlation, outcome_payload(command, outcome))

    def _warn(self, text: str) -> None:
        line = self._few.line(text)
        if line is not None:
            log.warning("%s", line)

    # What is asked of the controller itself

    def _ours(self, asked: AskedOfUs, topic: str) -> None:
        match asked.target:
            case Watch(bus=bus):
                if asked.value > LONGEST:
                    self._refuse(Refused(Why.BAD_VALUE, "traffic is published for an hour at most"), topic)
                    return
                self._publish(self._mirror.watch(bus, asked.payload if asked.value > 0 else None))
                self.watches.watch(bus, asked.value)
            case AllOff():
                self._begin(self._all_off(str(asked.value), asked.origin))
            case SetLock():
                self._begin(self._lock(asked, topic))
            case SetSequence(sequence=name):
                self._begin(self._sequence(name, SequenceOrder(asked.value), asked.origin))

    async def _sequence(self, name: str, order: SequenceOrder, origin: Origin) -> None:
        try:
            await self._controller.sequence(name, order, origin)
        except LinewardenError as error:
            self._warn(f"sequence {name}: {error}")

    async def _all_off(self, scope: str, origin: Origin) -> None:
        try:
            outcomes = await self._controller.all_off(None if scope == ALL else scope, origin)
        except LinewardenError as error:
            self._warn(f"all off: {error}")
        else:
            self._publish([off_outcome_message(self._mirror.site, scope, outcomes)])

    async def _lock(self, asked: AskedOfUs, topic: str) -> None:
        given = asked.value
        names = ("target", "who", "why")
        try:
            if not isinstance(given, dict) or given.keys() != {*names}:
                raise _NoLockError("a lock has target, who and why, and nothing else")
            if not all(isinstance(given[name], str) for name in names):
                raise _NoLockError("target, who and why are texts")
            if len(await self._controller.locks()) >= _MOST_LOCKS:
                raise _NoLockError("so many locks stand that none more is set over MQTT")
            who = "".join(sign for sign in given["who"][:64] if sign.isprintable())
            why = "".join(sign for sign in given["why"][:500] if sign.isprintable())
            # Nobody vouches for a name that comes over MQTT.
            await self._controller.lock(given["target"], who and f"{who} (claimed, over MQTT)", why)
        except LinewardenError as error:
            self._refuse(Refused(Why.BAD_VALUE, str(error)), topic)

    def _traffic(self, bus: str, payload: bytes) -> None:
        topic = self._mirror.site.root.value_topic(f"bus-{bus}", "traffic")
        self._publish([Publication(topic, payload, retain=False, qos=0, waits=Waits.BOUNDED)])

    def _watch_over(self, bus: str) -> None:
        self._publish(self._mirror.watch(bus))

    async def close(self, patience: float) -> None:
        """Wait so long for outcomes; end what is watched."""
        await self.watches.close()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=patience)
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)


class _NoLockError(LinewardenError):
    """A lock that is not set."""
