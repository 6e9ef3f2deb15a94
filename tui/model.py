"""What a dashboard knows of a site: fed with records, asked by screens. Pure: no terminal, no controller.

``HallModel`` is read whole from the Controller API once, and then kept up to date by its records.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

from controller.api import BusView, ControllerApi, SiteView, UnitView
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Event,
    Known,
    LinkState,
    Lock,
    Lost,
    Outcome,
    Record,
    StateChange,
    StateValue,
    Traffic,
)

__all__ = ["AWAY", "HERE", "BusSight", "HallModel", "LastWord", "UnitSight", "on_order", "power_action"]

T = TypeVar("T")

AWAY, HERE = "controller-away", "controller-here"
"""Events that tell of a bus whether its controller can be asked; ``why`` says why not."""

_MOST_COMMANDS = 500
"""Commands that are remembered until their outcome comes."""


@dataclass(frozen=True, slots=True)
class LastWord:
    """The last command to a unit, and what became of it."""

    command: Command
    outcome: Outcome | None
    """None while it is under way."""


@dataclass(frozen=True, slots=True)
class UnitSight:
    """A unit as a screen shows it."""

    number: int
    """Counted from 1 in the order of the site; typing it selects the unit."""
    view: UnitView
    states: Mapping[str, StateValue]
    last: LastWord | None
    locks: tuple[Lock, ...]
    """Those that hold it: its own, its group's, its bus's."""


@dataclass(frozen=True, slots=True)
class BusSight:
    """A bus as a screen shows it."""

    view: BusView
    status: BusStatus | None
    alerts: tuple[Alert, ...]
    units: tuple[UnitSight, ...]
    away: str = ""
    """Why nothing of it is known: its controller can't be asked. Empty while it can."""


@dataclass(slots=True)
class HallModel:
    """A site, its states, and what is wrong with it."""

    site: SiteView
    states: dict[str, dict[str, StateValue]] = field(default_factory=dict)
    status: dict[str, BusStatus] = field(default_factory=dict)
    alerts: dict[str, Alert] = field(default_factory=dict)
    locks: dict[str, Lock] = field(default_factory=dict)
    last: dict[str, LastWord] = field(default_factory=dict)
    away: dict[str, str] = field(default_factory=dict)
    """Why a bus's controller can't be asked, by bus."""
    lost: int = 0
    """Records that this dashboard was too slow for, all told."""
    _commands: dict[str, Command] = field(default_factory=dict)

    @classmethod
    async def read(cls, api: ControllerApi) -> HallModel:
        """Everything as it is now."""
        model = cls(await api.site())
        await model.read_anew(api)
        return model

    async def read_anew(self, api: ControllerApi) -> None:
        """All but the site as it is now: where records were missed, or may have been.

        Records of before that come after it do no harm: those behind them lead to the same end.
        """
        self.states = await api.states()
        self.status = {status.bus: status for status in await api.buses()}
        self.alerts = {alert.id: alert for alert in await api.alerts()}
        self.locks = {lock.id: lock for lock in await api.locks()}

    def apply(self, records: Iterable[Record]) -> bool:
        """Take records in; whether anything that the units screen shows has changed."""
        changed = False
        for record in records:
            changed = self._apply(record) or changed
        return changed

    def _apply(self, record: Record) -> bool:
        match record:
            case StateChange():
                # What was handed out before stays as it was: it is told from the new by being another one.
                self.states[record.unit] = {**self.states.get(record.unit, {}), record.state: record.value}
            case BusStatus():
                self.status[record.bus] = record
            case Event() if record.name == AWAY:
                self.away[record.bus] = str(record.values.get("why", ""))
            case Event() if record.name == HERE:
                self.away.pop(record.bus, None)
            case Alert():
                _put(self.alerts, record.id, record, over=record.over)
            case Lock():
                _put(self.locks, record.id, record, over=record.over)
            case Command():
                self._commands[record.id] = record
                while len(self._commands) > _MOST_COMMANDS:
                    del self._commands[next(iter(self._commands))]
                self.last[record.unit] = LastWord(record, None)
            case Outcome():
                command = self._commands.pop(record.command_id, None)
                if command is None:
                    return False
                self.last[command.unit] = LastWord(command, record)
            case Lost():
                self.lost += record.count
            case Traffic():
                return False
        return True

    def buses(self, wanted: str = "", group: str = "") -> list[BusSight]:
        """The buses with their units, filtered by a text that is found in a unit's or bus's words.

        A bus without a unit that fits is left out, unless the text fits the bus itself.

        Args:
            wanted: the text; empty for all.
            group: a group that the units must be of; empty for all.
        """
        text = wanted.casefold().strip()
        hanging: dict[str, list[UnitSight]] = {bus.id: [] for bus in self.site.buses}
        locks = self._locks_by_target()
        for number, view in enumerate(self.site.units, 1):
            if not group or view.group == group:
                hanging[view.bus].append(self._unit(number, view, locks))
        troubles: dict[str, list[Alert]] = {}
        for alert in self.alerts.values():
            troubles.setdefault(alert.target, []).append(alert)
        sights = []
        for bus in self.site.buses:
            units = hanging[bus.id]
            if text and text not in bus.id.casefold():
                units = [unit for unit in units if text in self._words(unit).casefold()]
            if not units and (group or (text and text not in bus.id.casefold())):
                continue
            alerts = tuple(troubles.get(bus.id, ()))
            away = self.away.get(bus.id, "")
            sights.append(BusSight(bus, self.status.get(bus.id), alerts, tuple(units), away))
        return sights

    @property
    def groups(self) -> list[str]:
        """The site's groups, in the order in which it names them."""
        return list(dict.fromkeys(unit.group for unit in self.site.units if unit.group))

    def group(self, name: str) -> list[UnitSight]:
        """The units of a group."""
        locks = self._locks_by_target()
        return [
            self._unit(number, unit, locks)
            for number, unit in enumerate(self.site.units, 1)
            if name and unit.group == name
        ]

    def unit(self, number: int) -> UnitSight | None:
        """The unit of that number."""
        if not 1 <= number <= len(self.site.units):
            return None
        return self._unit(number, self.site.units[number - 1], self._locks_by_target())

    def _locks_by_target(self) -> dict[str, list[Lock]]:
        found: dict[str, list[Lock]] = {}
        for lock in self.locks.values():
            found.setdefault(lock.target, []).append(lock)
        return found

    def _unit(self, number: int, view: UnitView, by_target: Mapping[str, list[Lock]]) -> UnitSight:
        locks: tuple[Lock, ...] = ()
        if by_target:
            names = dict.fromkeys((view.id, view.bus, view.group))
            held = [lock for name in names if name for lock in by_target.get(name, ())]
            locks = tuple(sorted(held, key=lambda lock: lock.at))
        last = self.last.get(view.id)
        for_all = self.last.get(view.bus)
        if for_all is not None and (last is None or for_all.command.at > last.command.at):
            last = for_all
        return UnitSight(number, view, self.states.get(view.id, {}), last, locks)

    def _words(self, unit: UnitSight) -> str:
        view = unit.view
        locked = "locked" if unit.locks else ""
        return f"{view.id} {view.title} {view.group} {view.role} {locked}"

    @property
    def standing_alerts(self) -> list[Alert]:
        """What is wrong now, newest first."""
        return sorted(self.alerts.values(), key=lambda alert: -alert.since)

    def link_lost(self, now: float) -> None:
        """The controller is out of reach: nothing that is shown is known any more."""
        for unit, named in self.states.items():
            self.states[unit] = {
                name: replace(value, value=None, known=Known.UNKNOWN, since=now)
                for name, value in named.items()
            }
        for bus, status in self.status.items():
            self.status[bus] = replace(status, link=LinkState.DOWN, at=now, units_answering=None)
        self.away = {bus.id: "its controller is out of reach" for bus in self.site.buses}


def power_action(unit: UnitSight, *, on: bool) -> str | None:
    """The action that switches this unit on or off, by what its profile says of the state ``power``."""
    words = unit.view.states.get("power", {}).get("set")
    if not isinstance(words, list):
        return None
    start = f"{'true' if on else 'false'}="
    return next((str(word).removeprefix(start) for word in words if str(word).startswith(start)), None)


def on_order(units: Iterable[UnitSight]) -> list[UnitSight]:
    """Units in the order in which they go on: sources first, power amplifiers last.

    Common practice, no source: so that no thump of a source reaches a loudspeaker.
    """
    places = {"source": 0, "power-amplifier": 2}
    return sorted(units, key=lambda unit: places.get(unit.view.role, 1))


def _put(book: dict[str, T], key: str, value: T, *, over: bool) -> None:
    if over:
        book.pop(key, None)
    else:
        book[key] = value
