"""What a bus's traffic means: messages out of bytes, states and events out of messages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from controller.guard import Cleared
from controller.records import Known
from profiles.compiled import CompiledAction, CompiledProfile, Meaning, resolve
from profiles.model import Value
from profiles.stream import Found

__all__ = ["Understanding", "Understood"]


@dataclass(frozen=True, slots=True)
class Understood:
    """A stretch of what was heard."""

    start: int
    """Index of its first byte in all that was heard."""
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


class Understanding:
    """Follows one bus. Pure: times are handed in.

    Args:
        profile: the bus's profile.
        units: unit ids by address; the key None stands for a unit without one.
    """

    def __init__(self, profile: CompiledProfile, units: Mapping[int | None, str]) -> None:
        self._matcher = profile.matcher()
        self._units = dict(units)
        known = profile.profile.address
        self._all = known.all if known else None
        self.seen = 0
        """Bytes heard so far."""
        self._own: dict[str, str] = {}

    @property
    def deadline(self) -> float | None:
        """When ``tick`` is due, on the clock of ``heard``."""
        return self._matcher.deadline

    def sending(self, command_id: str, cleared: Cleared) -> None:
        """A command of ours is about to go out."""
        if len(self._own) > 64:
            self._own.pop(next(iter(self._own)))
        if cleared.action is None:
            self._own[command_id] = "raw bytes"
        else:
            whom = "all units" if cleared.to_all and len(cleared.units) != 1 else cleared.command.unit
            self._own[command_id] = _words(cleared.action.name, cleared.values, whom)

    def own(self, command_id: str | None) -> str | None:
        """What our own bytes say."""
        return self._own.get(command_id) if command_id else None

    def heard(self, data: bytes, now: float) -> list[Understood]:
        """Bytes of others, heard by ``now``."""
        self.seen += len(data)
        return [self._understood(found) for found in self._matcher.feed(data, now)]

    def tick(self, now: float) -> list[Understood]:
        """What the idle line up to ``now`` settles."""
        return [self._understood(found) for found in self._matcher.tick(now)]

    def _understood(self, found: Found[Meaning]) -> Understood:
        meaning, reading = found.key, found.reading
        if meaning is None or reading is None:
            return Understood(found.start, found.data, None)
        units = self._whom(reading.address)
        unit = units[0] if len(units) == 1 else None
        whom = self._name(reading.address)
        if isinstance(meaning, CompiledAction):
            return self._overheard(found, meaning, reading.values, units, whom)
        values = resolve(meaning.spec.sets, reading.values)
        told = {**reading.values, **values}
        text = f"{meaning.title}, {whom}" if whom else meaning.title
        if told:
            text += f": {_listed(told)}"
        states = tuple((each, values, Known.OBSERVED) for each in units) if values else ()
        return Understood(found.start, found.data, text, unit, states, (), meaning.spec.event, told)

    def _overheard(
        self,
        found: Found[Meaning],
        action: CompiledAction,
        values: Mapping[str, Value],
        units: Sequence[str],
        whom: str,
    ) -> Understood:
        """An action that somebody else sent: the unit was told, whether it obeyed is not known."""
        names = " or ".join((action.name, *action.twins))
        text = _words(names, values, whom)
        unit = units[0] if len(units) == 1 else None
        sets = resolve(action.spec.sets, values)
        if action.twins:
            doubted = tuple((each, tuple(sets)) for each in units)
            return Understood(found.start, found.data, text, unit, (), doubted, None, dict(values))
        states = tuple((each, sets, Known.PRESUMED) for each in units) if sets else ()
        return Understood(found.start, found.data, text, unit, states, (), None, dict(values))

    def _whom(self, address: int | None) -> list[str]:
        if address is not None and address == self._all:
            return list(self._units.values())
        if address in self._units:
            return [self._units[address]]
        # Bytes without an address concern the one unit there is, or nobody can say whom.
        return list(self._units.values()) if address is None and len(self._units) == 1 else []

    def _name(self, address: int | None) -> str:
        if address is not None and address == self._all:
            return "all units"
        units = self._whom(address)
        if units:
            return units[0]
        return f"address {address}" if address is not None else ""


def _words(action: str, values: Mapping[str, Value], whom: str) -> str:
    text = f"{action} → {whom}" if whom else action
    return f"{text}: {_listed(values)}" if values else text


def _listed(values: Mapping[str, Value]) -> str:
    return ", ".join(
        f"{name} {str(value).lower() if isinstance(value, bool) else value}" for name, value in values.items()
    )
