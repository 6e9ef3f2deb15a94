"""What each unit's states are, and how that is known. Pure: no clock, no bus, no file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.records import Known, Result, StateChange, StateValue
from profiles.model import StateSpec, Value

__all__ = ["StateBook", "known_by"]


def known_by(result: Result) -> Known:
    """How a state is known after an action that ended so."""
    return {
        Result.ANSWERED: Known.OBSERVED,
        Result.CONFIRMED: Known.CONFIRMED,
        Result.SENT: Known.PRESUMED,
        Result.PRESUMED: Known.PRESUMED,
    }.get(result, Known.UNKNOWN)


class StateBook:
    """All states of all units.

    Args:
        states: for each unit its states, by name.
        last_known: what the journal remembers; everything starts unknown, with this kept beside as far as
            the state can still have that value.
        now: UTC seconds.
    """

    def __init__(
        self,
        states: Mapping[str, Mapping[str, StateSpec]],
        last_known: Mapping[tuple[str, str], Value] | None = None,
        now: float = 0.0,
    ) -> None:
        self._last_known = dict(last_known or {})
        self._book: dict[str, dict[str, StateValue]] = {
            unit: {name: self._unknown(unit, name, spec, now) for name, spec in specs.items()}
            for unit, specs in states.items()
        }

    def _unknown(self, unit: str, name: str, spec: StateSpec, now: float) -> StateValue:
        last = self._last_known.get((unit, name))
        return StateValue(None, Known.UNKNOWN, now, last if _can_have(spec, last) else None)

    def all(self) -> dict[str, dict[str, StateValue]]:
        """A copy of the whole book."""
        return {unit: dict(states) for unit, states in self._book.items()}

    def get(self, unit: str, state: str) -> StateValue | None:
        """One state, or None where the unit has none of that name."""
        return self._book.get(unit, {}).get(state)

    def names(self, unit: str) -> tuple[str, ...]:
        """The names of a unit's states."""
        return tuple(self._book.get(unit, ()))

    def holds(self, unit: str, wanted: Mapping[str, Value]) -> bool | None:
        """Whether the unit's states are so; None where one of them is not known."""
        unknown = False
        for name, value in wanted.items():
            found = self.get(unit, name)
            if found is None or found.known is Known.UNKNOWN:
                unknown = True
            elif found.value != value:
                return False
        return None if unknown else True

    def observed(self, unit: str, wanted: Mapping[str, Value]) -> bool:
        """Whether the unit itself has said that its states are so."""
        found = [(self.get(unit, name), value) for name, value in wanted.items()]
        return all(
            state is not None and state.known is Known.OBSERVED and state.value == value
            for state, value in found
        )

    def put(
        self,
        unit: str,
        values: Mapping[str, Value],
        known: Known,
        now: float,
        command_id: str | None = None,
    ) -> list[StateChange]:
        """Take in new values; what changed, or is known in another way, is returned."""
        changes = []
        book = self._book.get(unit, {})
        for name, value in values.items():
            old = book.get(name)
            if old is None:
                continue
            same = old.value == value
            if same and old.known is known:
                continue
            since = old.since if same and old.known is not Known.UNKNOWN else now
            book[name] = new = StateValue(value, known, since, value, command_id)
            changes.append(StateChange(unit, name, new))
        return changes

    def doubt(
        self,
        unit: str,
        names: Mapping[str, Value | None] | Iterable[str],
        now: float,
        command_id: str | None = None,
    ) -> list[StateChange]:
        """These states may have changed: unknown from now on, with the last known value kept beside.

        A mapping gives what each would have become: a state that has that value already keeps it.
        """
        wanted = dict(names) if isinstance(names, Mapping) else dict.fromkeys(names)
        changes = []
        for name, value in wanted.items():
            old = self.get(unit, name)
            if old is None or old.known is Known.UNKNOWN or (value is not None and old.value == value):
                continue
            changes.append(
                self._set(unit, name, StateValue(None, Known.UNKNOWN, now, old.last_known, command_id))
            )
        return changes

    def doubt_all(self, units: Iterable[str], now: float) -> list[StateChange]:
        """Nothing is known of these units any more (a lost link)."""
        return [change for unit in units for change in self.doubt(unit, self.names(unit), now)]

    def take_specs(
        self, units: Iterable[str], specs: Mapping[str, StateSpec], now: float
    ) -> list[StateChange]:
        """These units have these states from now on; what became another state is returned.

        New ones are unknown, others stay as they are; a value that a state can't have any more is dropped.
        """
        changes = []
        for unit in units:
            old = self._book.get(unit, {})
            self._book[unit] = book = {}
            for name, spec in specs.items():
                before = old.get(name)
                value = self._unknown(unit, name, spec, now) if before is None else _kept(before, spec, now)
                book[name] = value
                if value is not before:
                    changes.append(StateChange(unit, name, value))
        return changes

    def forget(self, unit: str) -> None:
        """There is no such unit any more; what it was last is kept, should it come back."""
        for name, value in self._book.pop(unit, {}).items():
            if value.last_known is not None:
                self._last_known[unit, name] = value.last_known

    def _set(self, unit: str, name: str, value: StateValue) -> StateChange:
        self._book[unit][name] = value
        return StateChange(unit, name, value)


def _can_have(spec: StateSpec, value: Value | None) -> bool:
    return value is None or spec.problem(value) is None


def _kept(before: StateValue, spec: StateSpec, now: float) -> StateValue:
    """What is left of a state's value where the state is another one now."""
    last = before.last_known if _can_have(spec, before.last_known) else None
    if not _can_have(spec, before.value):
        return StateValue(None, Known.UNKNOWN, now, last, before.command_id)
    return before if last == before.last_known else replace(before, last_known=last)
