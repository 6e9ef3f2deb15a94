"""What is heard on one bus: records for everybody, states and events, and traffic to look back on."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Mapping, Sequence

from controller.guard import Cleared
from controller.link import LineEvent
from controller.records import Direction, Event, Known, Reason, Traffic
from controller.surroundings import Surroundings
from controller.understanding import Understanding, Understood
from controller.waiting import Clock
from profiles.compiled import CompiledProfile
from profiles.model import Value

__all__ = ["Hearing", "told_event"]

_Latest = dict[tuple[str, str], tuple[Value, Known]]
"""By unit and state: the value that was told last, and how it is known."""

_KEPT_RECORDS = 2000
"""The most traffic records that are held to look back on."""
_KEPT_SECONDS = 20.0
"""For how long, at the most: longer than a command with its retries takes, and the seconds before it."""
_STALLED = 0.1
"""Seconds by which a look at an idle line may be late before it means that this computer was held up."""
_OURS = (Reason.ECHO_LATE, Reason.ECHO_EARLY, Reason.ECHO_DOUBLED)
"""Faults of bytes that are our own, come back as they should not: nobody else has said them."""


def told_event(action: str) -> str:
    """The name of the event that somebody else has told a unit an action."""
    return f"told-{action}"


class Hearing:
    """Follows one bus's traffic, in the event loop.

    Args:
        bus: the bus's id.
        profile: what its bytes mean.
        units: unit ids by address.
        surroundings: who is told.
        clock: the link's monotonic clock.
        wanted: actions of which it is told as events that somebody else has sent them.
    """

    def __init__(
        self,
        bus: str,
        profile: CompiledProfile,
        units: Mapping[int | None, str],
        surroundings: Surroundings,
        clock: Clock,
        wanted: frozenset[str] = frozenset(),
    ) -> None:
        self._wanted = wanted
        self._bus = bus
        self._units = units
        self._with = surroundings
        self._clock = clock
        self._understanding = Understanding(profile, units)
        self._recent: deque[Traffic] = deque(maxlen=_KEPT_RECORDS)
        self._tick: asyncio.TimerHandle | None = None
        self._closed = False
        self._waited = False
        self._sending = False
        self._since_own: set[tuple[str, str]] = set()
        self.taken = 0
        """Records so far; what comes from here on can be had with ``after``."""
        self.last_heard: dict[str, float] = {}
        """When each unit last spoke of itself, UTC."""
        self.counters = dict.fromkeys(("bytes_sent", "bytes_heard", "bytes_unexplained"), 0)

    def set_profile(self, profile: CompiledProfile) -> None:
        """Understand what follows by another profile."""
        self._understanding = Understanding(profile, self._units)

    def sending(self, command_id: str, cleared: Cleared) -> None:
        """A command of ours is about to go out."""
        self._sending = True
        self._since_own.clear()
        self._understanding.sending(command_id, cleared)

    def sent(self) -> None:
        """It is over."""
        self._sending = False

    def close(self) -> None:
        """Nothing more will be heard."""
        self._closed = True
        if self._tick is not None:
            self._tick.cancel()

    def since(self, at: float) -> tuple[Traffic, ...]:
        """The traffic from that UTC instant on, as far as it is still held."""
        return tuple(record for record in self._recent if record.at >= at)

    def after(self, taken: int) -> tuple[Traffic, ...]:
        """The records that came when ``taken`` were there already, as far as they are still held."""
        new = min(self.taken - taken, len(self._recent))
        return tuple(self._recent)[len(self._recent) - new :] if new > 0 else ()

    def observed_since_own(self, unit: str, state: str) -> bool:
        """Whether a unit has told that state after the last frame of ours had gone round: it knows better."""
        return (unit, state) in self._since_own

    def take(self, events: Sequence[LineEvent]) -> None:
        """Bytes went by."""
        behind = self._with.utc() - self._clock()
        for event in events:
            self._keep(self._record(event, event.at + behind))
        self._plan_tick()

    def _keep(self, record: Traffic) -> None:
        self._recent.append(record)
        while self._recent[0].at < record.at - _KEPT_SECONDS:
            self._recent.popleft()
        self.taken += 1
        self._with.publish(record)

    def _record(self, event: LineEvent, at: float) -> Traffic:
        data = event.data
        unexplained: tuple[tuple[int, int], ...] = ()
        meaning = None
        if event.direction is Direction.HEARD:
            self.counters["bytes_heard"] += len(data)
            if event.fault not in _OURS:
                begun = self._understanding.seen
                understood = self._understanding.heard(data, event.at, event.transmission)
                meaning, unexplained = self._take_in(understood, at, begun)
        else:
            if event.direction is not Direction.ECHOED:
                self.counters["bytes_sent"] += len(data)
            if event.direction is not Direction.PASSED_ON:
                self._since_own.clear()
            meaning = self._understanding.own(event.transmission)
        return Traffic(
            self._bus,
            at,
            event.direction,
            data,
            event.lags,
            meaning,
            event.fault.value if event.fault else None,
            event.transmission,
            unexplained,
            event.attempt,
        )

    def _take_in(
        self, understood: Sequence[tuple[int, Understood]], at: float, begun: int
    ) -> tuple[str | None, tuple[tuple[int, int], ...]]:
        """States and events out of what was understood; its words, and where nothing explains the bytes.

        Where a state is told several times within one record, the last word counts: a full line would have
        everybody busy with values that are over. ``begun`` is the index, in all that was heard, at which the
        record's own bytes begin.
        """
        words = []
        unexplained = []
        latest: _Latest = {}
        for start, each in understood:
            if each.text is None:
                self.counters["bytes_unexplained"] += len(each.data)
                begin, end = start - begun, start - begun + len(each.data)
                if end > 0:
                    unexplained.append((max(0, begin), end))
                continue
            words.append(each.text)
            for unit, values, known in each.states:
                for name, value in values.items():
                    latest[unit, name] = value, known
            if each.doubted or each.event:
                self._take_states(latest, at)
                latest.clear()
            for unit, names in each.doubted:
                for change in self._with.states.doubt(unit, names, at):
                    self._with.publish(change)
            if each.event:
                self._with.publish(Event(self._bus, each.unit, each.event, at, dict(each.values)))
            if each.actions and not self._wanted.isdisjoint(each.actions):
                self._tell_actions(each, at)
        self._take_states(latest, at)
        return "; ".join(words) or None, tuple(unexplained)

    def _tell_actions(self, understood: Understood, at: float) -> None:
        """Somebody else has told units what the site waits for."""
        for action in understood.actions:
            for unit in understood.told if action in self._wanted else ():
                self._with.publish(Event(self._bus, unit, told_event(action), at, dict(understood.values)))

    def _take_states(self, latest: _Latest, at: float) -> None:
        for (unit, name), (value, known) in latest.items():
            changes = self._with.states.put(unit, {name: value}, known, at)
            if known is Known.OBSERVED:
                self.last_heard[unit] = at
                if self._sending:
                    self._since_own.add((unit, name))
                if self._with.gate.minds(unit):
                    for change in changes:
                        self._with.gate.noticed(change, self._clock())
            for change in changes:
                self._with.publish(change)

    def _plan_tick(self) -> None:
        """See that what is held back is told in time. A timer that is too early plans the next one itself."""
        deadline = self._understanding.deadline
        if deadline is None or self._closed:
            return
        loop = asyncio.get_running_loop()
        due = loop.time() + max(0.0, deadline - self._clock())
        if self._tick is not None:
            if self._tick.when() <= due:
                return
            self._tick.cancel()
        self._tick = loop.call_at(due, self._settle)

    def _settle(self) -> None:
        """The line has been idle for long enough to tell what was held back."""
        self._tick = None
        deadline = self._understanding.deadline
        if deadline is not None and self._clock() - deadline > _STALLED and not self._waited:
            # This computer was held up: what has come meanwhile may be on its way from the link's thread.
            self._waited = True
            self._tick = asyncio.get_running_loop().call_later(_STALLED, self._settle)
            return
        self._waited = False
        understood = self._understanding.tick(self._clock())
        if understood:
            at = self._with.utc()
            meaning, _ = self._take_in(understood, at, self._understanding.seen)
            if meaning is not None:
                # Its bytes were told when they came: this says what they meant.
                self._keep(Traffic(self._bus, at, Direction.HEARD, b"", meaning=meaning))
        self._plan_tick()
