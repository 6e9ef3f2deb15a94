"""What is heard on one bus: records for everybody, states and events, and traffic to look back on."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping, Sequence

from controller.guard import Cleared
from controller.link import LineEvent
from controller.records import Direction, Event, Record, Traffic
from controller.surroundings import Surroundings
from controller.understanding import Understanding, Understood
from controller.waiting import Clock
from profiles.compiled import CompiledProfile

__all__ = ["Hearing"]

_KEPT_RECORDS = 2000
"""The most traffic records that are held to look back on."""


class Hearing:
    """Follows one bus's traffic, in the event loop.

    Args:
        bus: the bus's id.
        profile: what its bytes mean.
        units: unit ids by address.
        surroundings: who is told.
        clock: the link's monotonic clock.
    """

    def __init__(
        self,
        bus: str,
        profile: CompiledProfile,
        units: Mapping[int | None, str],
        surroundings: Surroundings,
        clock: Clock,
    ) -> None:
        self._bus = bus
        self._units = units
        self._with = surroundings
        self._clock = clock
        self._understanding = Understanding(profile, units)
        self._recent: deque[Traffic] = deque(maxlen=_KEPT_RECORDS)
        self._tick: asyncio.TimerHandle | None = None
        self.counters = dict.fromkeys(("bytes_sent", "bytes_heard", "bytes_unexplained"), 0)

    def set_profile(self, profile: CompiledProfile) -> None:
        """Understand what follows by another profile."""
        self._understanding = Understanding(profile, self._units)

    def sending(self, command_id: str, cleared: Cleared) -> None:
        """A command of ours is about to go out."""
        self._understanding.sending(command_id, cleared)

    def close(self) -> None:
        """Nothing more will be heard."""
        if self._tick is not None:
            self._tick.cancel()

    def since(self, at: float) -> tuple[Traffic, ...]:
        """The traffic from that UTC instant on, as far as it is still held."""
        return tuple(record for record in self._recent if record.at >= at)

    def take(self, events: Sequence[LineEvent]) -> None:
        """Bytes went by."""
        behind = self._with.utc() - self._clock()
        for event in events:
            record = self._record(event, event.at + behind)
            self._recent.append(record)
            self._with.publish(record)
        self._plan_tick()

    def _record(self, event: LineEvent, at: float) -> Traffic:
        size = len(event.data)
        unexplained: tuple[tuple[int, int], ...] = ()
        if event.direction is Direction.HEARD:
            self.counters["bytes_heard"] += size
            understood = self._understanding.heard(event.data, event.at)
            meaning, unexplained = self._take_in(understood, at, self._understanding.seen - size)
        else:
            if event.direction is not Direction.ECHOED:
                self.counters["bytes_sent"] += size
            meaning = self._understanding.own(event.transmission)
        return Traffic(
            self._bus,
            at,
            event.direction,
            event.data,
            event.lags,
            meaning,
            event.fault.value if event.fault else None,
            event.transmission,
            unexplained,
        )

    def _take_in(
        self, understood: Sequence[Understood], at: float, begun: int
    ) -> tuple[str | None, tuple[tuple[int, int], ...]]:
        """States and events out of what was understood; its words, and where nothing explains the bytes.

        ``begun`` is the index, in all that was heard, at which the record's own bytes begin.
        """
        words = []
        unexplained = []
        for each in understood:
            if each.text is None:
                self.counters["bytes_unexplained"] += len(each.data)
                start, stop = each.start - begun, each.start - begun + len(each.data)
                if stop > 0:
                    unexplained.append((max(0, start), stop))
                continue
            words.append(each.text)
            for unit, values, known in each.states:
                self._publish(self._with.states.put(unit, values, known, at))
            for unit, names in each.doubted:
                self._publish(self._with.states.doubt(unit, names, at))
            if each.event:
                self._with.publish(Event(self._bus, each.unit, each.event, at, each.values))
        return "; ".join(words) or None, tuple(unexplained)

    def _plan_tick(self) -> None:
        if self._tick is not None:
            self._tick.cancel()
            self._tick = None
        deadline = self._understanding.deadline
        if deadline is not None:
            loop = asyncio.get_running_loop()
            self._tick = loop.call_later(max(0.0, deadline - self._clock()), self._settle)

    def _settle(self) -> None:
        """The line has been idle for long enough to tell what was held back."""
        self._tick = None
        self._take_in(self._understanding.tick(self._clock()), self._with.utc(), self._understanding.seen)
        self._plan_tick()

    def _publish(self, records: Sequence[Record]) -> None:
        for record in records:
            self._with.publish(record)
