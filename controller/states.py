"""What each unit's states are, and how that is known. Pure: no clock, no bus, no file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from controller.records import Known, Result, StateChange, StateValue
from profiles.model import Value

__all__ = ["StateBook", "known_by"]


def known_by(result: Result) -> Known:
    """How a state is known after an action that ended so."""
    return {
        Result.ANSWERED: Known.OBSERVED,
        Result.CONFIRMED: Known.CONFIRMED,
        Result.SENT: Known.PRESUMED,
    }.get(result, Known.UNKNOWN)


class StateBook:
    """All states of all units.

    Args:
        states: for each unit the names of its states.
        last_known: what the journal remembers; everything starts unknown, with this kept beside.
        now: UTC seconds.
    """

    def __init__(
        self,
        states: Mapping[str, Iterable[str]],
        last_known: Mapping[tuple[str, str], Value] | None = None,
        now: float = 0.0,
    ) -> None:
        self._last_known = dict(last_known or {})
        self._book: dict[str, dict[str, StateValue]] = {}
        for unit, names in states.items():
            self._book[unit] = {
                name: StateValue(None, Known.UNKNOWN, now, self._last_known.get((unit, name)))
                for name in names
            }

    def all(self) -> dict[str, dict[str, StateValue]]:
        """A copy of the whole book."""
        return {unit: dict(states) for unit, states in self._book.items()}

    def get(self, unit: str, state: str) -> StateValue | None:
        """One state, or None where the unit has none of that name."""
        return self._book.get(unit, {}).get(state)

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
        for name, value in values.items():
            old = self.get(unit, name)
            if old is None:
                continue
            if old.value == value and old.known is known:
                continue
            since = old.since if old.value == value and old.known is not Known.UNKNOWN else now
            changes.append(self._set(unit, name, StateValue(value, known, since, value, command_id)))
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
        return [change for unit in units for change in self.doubt(unit, list(self._book.get(unit, {})), now)]

    def rename(self, units: Iterable[str], names: Iterable[str], now: float) -> None:
        """These units have these states from now on: new ones are unknown, the others stay as they are."""
        wanted = tuple(names)
        for unit in units:
            old = self._book.get(unit, {})
            self._book[unit] = {
                name: old.get(name)
                or StateValue(None, Known.UNKNOWN, now, self._last_known.get((unit, name)))
                for name in wanted
            }

    def _set(self, unit: str, name: str, value: StateValue) -> StateChange:
        self._book[unit][name] = value
        return StateChange(unit, name, value)
