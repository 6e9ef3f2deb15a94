"""What a controller does by itself, or step by step: sequences, triggers, and noticing contradictions."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Collection

from controller.contradictions import Contradictions
from controller.fanout import Fanout
from controller.records import Event, Origin, Outcome, Record, StateChange
from controller.sequences import Sequences
from controller.sequences_records import SequenceOrder, SequenceProgress, SequenceView
from controller.site import LoadedSite
from controller.submitting import Submitting
from controller.surroundings import Surroundings
from controller.triggers import Starts, Triggers
from controller.triggers_records import TriggerStatus
from controller.waiting import Clock

__all__ = ["Automated", "Automation"]

_KINDS = ("StateChange", "Event", "ControlLine", "BusStatus", "SequenceProgress")


class Automation:
    """The sequences and triggers of one site.

    Args:
        loaded: the site.
        surroundings: what they share with the buses.
        commands: where commands go.
        all_off: switches a unit, a group, a bus or everything off.
        clock: monotonic seconds.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        surroundings: Surroundings,
        commands: Submitting,
        all_off: Callable[[str | None, Origin], Awaitable[list[Outcome]]],
        clock: Clock,
    ) -> None:
        self._loaded = loaded
        self._site = loaded.site
        self.sequences = Sequences(loaded, surroundings, commands, clock)
        starts = Starts(commands.submit, self.sequences.order, all_off)
        self._contradictions = Contradictions(loaded, surroundings)
        self.triggers = Triggers(loaded, surroundings, starts, clock)

    def start(self, fanout: Fanout) -> None:
        """Begin to listen."""
        self.triggers.renew()
        fanout.listen(self._take, _KINDS)

    def _take(self, record: Record) -> None:
        match record:
            case StateChange():
                self.sequences.states_changed()
            case Event(name="site-reloaded"):
                old, self._site = self._site, self._loaded.site
                self.sequences.stop_changed(old.sequences)
                self.triggers.renew()
        self.triggers.take(record)
        self._contradictions.take(record)

    def everything_off(self, units: Collection[str] | None, text: str) -> None:
        """Units go off, None for all: what would bring any of them up is cancelled."""
        self.sequences.stop_rising(units, text)

    async def close(self) -> None:
        """Start nothing more, and cancel the sequences that are on their way."""
        self.triggers.stop()
        self._contradictions.close()
        await self.sequences.close()

    async def ended(self) -> None:
        """Wait until what triggers have started is over: the commands have to end first."""
        await self.triggers.ended()


class Automated:
    """The part of the Controller API that is about sequences and triggers."""

    _automation: Automation

    async def sequences(self) -> list[SequenceView]:
        """The site's sequences, and how far each has come."""
        return self._automation.sequences.views()

    async def sequence(
        self, name: str, order: SequenceOrder, origin: Origin, agreed: bool = False
    ) -> SequenceProgress:
        """Begin a sequence up or down, or cancel it; returns when it has begun, or was refused.

        Raises:
            NotKnown: there is no such sequence.
        """
        return self._automation.sequences.order(name, order, origin, agreed=agreed)

    async def triggers(self) -> list[TriggerStatus]:
        """The site's triggers: what each waits for, and what it last did."""
        return self._automation.triggers.views()

    def trigger_topics(self) -> list[str]:
        """The MQTT topics that triggers wait for messages on: for whatever brings messages."""
        return self._automation.triggers.topics()

    def trigger_message(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """An MQTT message came on such a topic."""
        self._automation.triggers.message(topic, payload, retained=retained)
