"""What a bus's traffic means: messages out of bytes, states and events out of messages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from controller.guard import Cleared
from controller.records import Known
from profiles.compiled import CompiledAction, CompiledObservation, CompiledProfile, CompiledReply, resolve
from profiles.model import Value, written
from profiles.stream import Found, StreamMatcher
from profiles.template import ByteTemplate, Reading

__all__ = ["Understanding", "Understood"]

_MOST_OWN = 64
"""Commands of ours of which it is known what they say."""
_MOST_KNOWN = 1024
"""Messages of which it is known what they say: gear repeats itself."""


@dataclass(frozen=True, slots=True)
class Understood:
    """What a message says, or a stretch that nothing explains."""

    data: bytes
    text: str | None
    """What it says, in words; None where nothing explains it."""
    unit: str | None = None
    states: tuple[tuple[str, dict[str, Value], Known], ...] = ()
    """(unit, states, how they are known)."""
    doubted: tuple[tuple[str, tuple[str, ...]], ...] = ()
    """States that may have changed, of units that can't say to what."""
    event: str | None = None
    values: dict[str, Value] = field(default_factory=dict)
    actions: tuple[str, ...] = ()
    """Of an order of somebody else: the names of the actions that it may be."""
    told: tuple[str, ...] = ()
    """The units that it is for."""


@dataclass(frozen=True, slots=True, eq=False)
class _Answer:
    """Answers that can't be told apart by their bytes."""

    expect: ByteTemplate
    replies: tuple[CompiledReply, ...]


_Key = CompiledAction | CompiledObservation | _Answer


class Understanding:
    """Follows one bus. Pure: times are handed in.

    Args:
        profile: the bus's profile.
        units: unit ids by address; the key None stands for a unit without one.
    """

    def __init__(self, profile: CompiledProfile, units: Mapping[int | None, str]) -> None:
        templates: list[tuple[_Key, ByteTemplate]] = [(each, each.match) for each in profile.observations]
        templates += [(action, action.send) for action in profile.actions.values()]
        templates += [(answer, answer.expect) for answer in _answers(profile)]
        self._matcher: StreamMatcher[_Key] = StreamMatcher(templates, burst_gap=profile.line.burst_gap)
        self._units = dict(units)
        known = profile.profile.address
        self._all = known.all if known else None
        self.seen = 0
        """Bytes heard so far."""
        self._own: dict[str, str] = {}
        self._asked: dict[str, Cleared] = {}
        self._known: dict[bytes, Understood] = {}

    @property
    def deadline(self) -> float | None:
        """When ``tick`` is due, on the clock of ``heard``."""
        return self._matcher.deadline

    def sending(self, command_id: str, cleared: Cleared) -> None:
        """A command of ours is about to go out."""
        for kept in (self._own, self._asked):
            if len(kept) >= _MOST_OWN:
                kept.pop(next(iter(kept)))
        if cleared.action is None:
            self._own[command_id] = "raw bytes"
        else:
            whom = "all units" if cleared.to_all and len(cleared.units) != 1 else cleared.command.unit
            self._own[command_id] = _words(cleared.action.name, cleared.values, whom)
            if cleared.action.replies:
                self._asked[command_id] = cleared

    def own(self, command_id: str | None) -> str | None:
        """What our own bytes say."""
        return self._own.get(command_id) if command_id else None

    def heard(self, data: bytes, now: float, command_id: str | None = None) -> list[tuple[int, Understood]]:
        """Bytes of others, heard by ``now``.

        Args:
            data: the bytes.
            now: monotonic seconds.
            command_id: the command of ours that was under way.

        Returns:
            What is settled: the index of its first byte in all that was heard, and what it says.
        """
        self.seen += len(data)
        return self._all_of(
            self._matcher.feed(data, now), self._asked.get(command_id) if command_id else None
        )

    def tick(self, now: float) -> list[tuple[int, Understood]]:
        """What the idle line up to ``now`` settles."""
        return self._all_of(self._matcher.tick(now), None)

    def _all_of(self, found: Iterable[Found[_Key]], asked: Cleared | None) -> list[tuple[int, Understood]]:
        known = self._known
        out = []
        for each in found:
            understood = known.get(each.data) if asked is None else None
            if understood is None:
                understood = self._understood(each, asked)
                if asked is None and each.key is not None:
                    if len(known) >= _MOST_KNOWN:
                        known.clear()
                    known[each.data] = understood
            out.append((each.start, understood))
        return out

    def _understood(self, found: Found[_Key], asked: Cleared | None) -> Understood:
        meaning, reading = found.key, found.reading
        if meaning is None or reading is None:
            return Understood(found.data, None)
        if isinstance(meaning, CompiledObservation):
            return self._observed(found.data, meaning, reading)
        for reply in asked.action.replies if asked is not None and asked.action is not None else ():
            # What it says of the unit is in the command's own outcome.
            said = reply.expect.read(found.data)
            if said is not None and asked is not None and said.address in (None, asked.address):
                return Understood(found.data, self._answer_words(reply, said), self._unit(said.address))
        if isinstance(meaning, CompiledAction):
            return self._overheard(found.data, meaning, reading)
        return self._overheard_answer(found.data, meaning, reading)

    def _observed(self, data: bytes, meaning: CompiledObservation, reading: Reading) -> Understood:
        values = resolve(meaning.spec.sets, reading.values)
        told = {**reading.values, **values}
        whom = self._name(reading.address)
        text = f"{meaning.title}, {whom}" if whom else meaning.title
        if told:
            text += f": {_listed(told)}"
        units = self._whom(reading.address)
        states = tuple((each, values, Known.OBSERVED) for each in units) if values else ()
        return Understood(data, text, self._unit(reading.address), states, (), meaning.spec.event, told)

    def _overheard(self, data: bytes, action: CompiledAction, reading: Reading) -> Understood:
        """An action that somebody else sent: the unit was told, whether it obeyed is not known."""
        values = reading.values
        names = (action.name, *action.twins)
        text = _words(" or ".join(names), values, self._name(reading.address))
        unit, units = self._unit(reading.address), self._whom(reading.address)
        sets = resolve(action.spec.sets, values)
        loose = action.spec.unsettles
        if action.twins:
            doubted = tuple((each, (*sets, *loose)) for each in units)
            return Understood(data, text, unit, (), doubted, None, dict(values), names, tuple(units))
        states = tuple((each, sets, Known.PRESUMED) for each in units) if sets else ()
        doubted = tuple((each, loose) for each in units) if loose else ()
        return Understood(data, text, unit, states, doubted, None, dict(values), names, tuple(units))

    def _overheard_answer(self, data: bytes, answer: _Answer, reading: Reading) -> Understood:
        """A unit's answer to somebody else: it says how the unit is, where it can mean one thing only."""
        first = answer.replies[0]
        sets = resolve(first.spec.sets, reading.values)
        if any(other.spec.sets != first.spec.sets for other in answer.replies[1:]):
            sets = {}
        units = self._whom(reading.address)
        states = tuple((each, sets, Known.OBSERVED) for each in units) if sets else ()
        text = self._answer_words(first, reading)
        return Understood(data, text, self._unit(reading.address), states, (), None, dict(reading.values))

    def _answer_words(self, reply: CompiledReply, reading: Reading) -> str:
        word = "answer" if reply.spec.means == "done" else "refusal"
        whom = self._name(reading.address)
        text = f"{word} of {whom}" if whom else word
        return f"{text}: {_listed(reading.values)}" if reading.values else text

    def _whom(self, address: int | None) -> list[str]:
        if address is not None and address == self._all:
            return list(self._units.values())
        if address in self._units:
            return [self._units[address]]
        # Bytes without an address concern the one unit there is, or nobody can say whom.
        return list(self._units.values()) if address is None and len(self._units) == 1 else []

    def _unit(self, address: int | None) -> str | None:
        units = self._whom(address)
        return units[0] if len(units) == 1 else None

    def _name(self, address: int | None) -> str:
        if address is not None and address == self._all:
            return "all units"
        units = self._whom(address)
        if units:
            return units[0]
        return f"address {address}" if address is not None else ""


def _answers(profile: CompiledProfile) -> list[_Answer]:
    """The answers that units give, each once."""
    groups: list[list[CompiledReply]] = []
    for action in profile.actions.values():
        for reply in action.replies:
            for group in groups:
                if group[0].spec.expect == reply.spec.expect:
                    group.append(reply)
                    break
            else:
                groups.append([reply])
    return [_Answer(group[0].expect, tuple(group)) for group in groups]


def _words(action: str, values: Mapping[str, Value], whom: str) -> str:
    text = f"{action} → {whom}" if whom else action
    return f"{text}: {_listed(values)}" if values else text


def _listed(values: Mapping[str, Value]) -> str:
    return ", ".join(f"{name} {written(value)}" for name, value in values.items())
