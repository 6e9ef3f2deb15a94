"""What a broker should have retained of a site: kept up with records, handed out again on demand. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.homie import HomieSite
from controller.homie_devices import Device, Publication
from controller.homie_overview import alerts_message
from controller.homie_publications import (
    alert_message,
    bus_messages,
    locks_message,
    outcome_message,
    outcome_payload,
    state_messages,
    target_message,
    targets_of,
    watch_message,
)
from controller.homie_sequences import progress_message
from controller.homie_values import encode
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Lock,
    Outcome,
    SequenceProgress,
    StateChange,
    StateValue,
)

__all__ = ["Mirror", "Snapshot"]

_MOST_COMMANDS = 10_000
"""Commands whose outcome is still to come; one that is lost with a slow reader must not stay for ever."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything of a controller that is shown as retained values."""

    states: Mapping[str, Mapping[str, StateValue]]
    buses: Iterable[BusStatus]
    alerts: Iterable[Alert]
    locks: Iterable[Lock]
    sequences: Iterable[SequenceProgress] = ()


@dataclass(frozen=True, slots=True)
class _Aim:
    """Where a state is on its way to, and by which command."""

    command_id: str
    payload: bytes
    done: bool = False


@dataclass(slots=True)
class Mirror:
    """The retained values of all devices.

    Every method that takes something in returns what has changed by it: that is to be published. What the
    broker has from before, and is not known of here, is told with ``stale``.
    """

    site: HomieSite
    _values: dict[str, dict[str, Publication]] = field(default_factory=dict)
    """By device and topic."""
    _on_broker: dict[str, set[str]] = field(default_factory=dict)
    """Topics by device that may have something retained at the broker."""
    _commands: dict[str, Command] = field(default_factory=dict)
    _aims: dict[tuple[str, str], _Aim] = field(default_factory=dict)
    _asked: dict[str, tuple[str, bytes]] = field(default_factory=dict)
    """By command: the state that was set over MQTT, and its payload byte for byte."""
    _told: dict[str, None] = field(default_factory=dict)
    """Commands whose outcome is shown already: it comes by two roads, in any order."""
    _locks: dict[str, Lock] = field(default_factory=dict)
    _alerts: dict[str, Alert] = field(default_factory=dict)
    _states: dict[tuple[str, str], StateValue] = field(default_factory=dict)

    # What is handed out

    def values(self, device: Device) -> list[Publication]:
        """Everything retained of a device, its attributes apart; deletions of what has to go among it."""
        there = self._values.get(device.id, {})
        gone = self._on_broker.get(device.id, set()) - there.keys()
        self._on_broker[device.id] = set(there)
        return [*(Publication(topic, b"") for topic in sorted(gone)), *there.values()]

    def stale(self, device: str, topics: Iterable[str]) -> None:
        """The broker may have something retained on these, from before this controller began."""
        self._on_broker.setdefault(device, set()).update(topics)

    def put(self, publications: Iterable[Publication]) -> list[Publication]:
        """Take in retained values; those that differ are returned."""
        changed = []
        for each in publications:
            device = each.topic.split("/", 3)[2]
            there = self._values.setdefault(device, {})
            old = there.get(each.topic)
            if each.payload:
                if old is not None and old.payload == each.payload:
                    continue
                there[each.topic] = each
                self._on_broker.setdefault(device, set()).add(each.topic)
            else:
                if old is None:
                    continue
                del there[each.topic]
            changed.append(each)
        return changed

    # What happens

    def snapshot(self, found: Snapshot) -> list[Publication]:
        """Take in everything as it stands now, after a start or where records were lost."""
        changed: list[Publication] = []
        for unit, states in found.states.items():
            for state, value in states.items():
                changed += self.state(StateChange(unit, state, value))
        for status in found.buses:
            changed += self.put(bus_messages(self.site, status))
        self._alerts = {alert.id: alert for alert in found.alerts}
        wanted = [alert_message(self.site, alert) for alert in self._alerts.values()]
        topics = {each.topic for each in wanted}
        for there in list(self._values.values()):
            over = [t for t in there if "/$alert/" in t and t not in topics]
            changed += self.put([Publication(topic, b"") for topic in over])
        changed += self.put([*wanted, alerts_message(self.site, self._alerts.values())])
        for progress in found.sequences:
            changed += self.put([progress_message(self.site.root.id, progress)])
        self._locks = {lock.id: lock for lock in found.locks}
        return changed + self.put([locks_message(self.site, self._locks.values())])

    def stands(self, record: Alert | Lock | BusStatus | SequenceProgress) -> list[Publication]:
        """Something of which the newest word counts."""
        match record:
            case Alert():
                return self.alert(record)
            case Lock():
                return self.lock(record)
            case BusStatus():
                return self.bus(record)
        return self.put([progress_message(self.site.root.id, record)])

    def state(self, change: StateChange) -> list[Publication]:
        """A state has changed, or is known in another way."""
        key = change.unit, change.state
        self._states[key] = change.value
        changed = self.put(state_messages(self.site, change.unit, change.state, change.value))
        aim = self._aims.get(key)
        if aim is not None and aim.done and change.value.command_id != aim.command_id:
            # Somebody else has changed it, at a front panel perhaps: it is on its way to nothing any more.
            del self._aims[key]
            if self._payload(key) != aim.payload:
                changed += self.put([target_message(self.site, *key, b"")])
        return changed

    def bus(self, status: BusStatus, *, counters: bool = False) -> list[Publication]:
        """How a bus is. Counters change with every byte: they are shown where that is asked for."""
        found = bus_messages(self.site, status)
        return self.put(found if counters else found[:-1])

    def alert(self, alert: Alert) -> list[Publication]:
        """An alert is raised, changed or over."""
        if alert.over:
            self._alerts.pop(alert.id, None)
        else:
            self._alerts[alert.id] = alert
        told = alert_message(self.site, alert), alerts_message(self.site, self._alerts.values())
        return self.put(told)

    def lock(self, lock: Lock) -> list[Publication]:
        """A lock is set or cleared."""
        if lock.over:
            self._locks.pop(lock.id, None)
        else:
            self._locks[lock.id] = lock
        return self.put([locks_message(self.site, self._locks.values())])

    def watch(self, bus: str, payload: bytes | None = None) -> list[Publication]:
        """Traffic is published for so long, or no more."""
        return self.put([watch_message(self.site, bus, payload)])

    # Commands

    def asked(self, command_id: str, state: str | None, payload: bytes) -> None:
        """A command comes over MQTT: its outcome is to be told, even if it was before.

        Where it sets a state, the state's target repeats the payload byte for byte.
        """
        self._told.pop(command_id, None)
        if state is not None:
            self._asked[command_id] = state, payload
            _keep_newest(self._asked)

    def command(self, command: Command) -> None:
        """A command is entered."""
        self._commands[command.id] = command
        _keep_newest(self._commands)

    def command_of(self, command_id: str) -> Command | None:
        """A command that has no outcome yet."""
        return self._commands.get(command_id)

    def accepted(self, command_id: str) -> list[Publication]:
        """The gate let it pass: states are on their way. [Target attribute]."""
        command = self._commands.get(command_id)
        if command is None:
            return []
        changed = []
        state, payload = self._asked.get(command_id, ("", b""))
        for key, target in targets_of(self.site, command).items():
            if key == (command.unit, state):
                target = payload
            self._aims[key] = _Aim(command_id, target)
            changed += self.put([target_message(self.site, *key, target)])
        return changed

    def outcome(self, outcome: Outcome) -> list[Publication]:
        """A command is over: its outcome is shown, and what did not come about is no target any more."""
        command = self._commands.pop(outcome.command_id, None)
        self._asked.pop(outcome.command_id, None)
        if command is None:
            return []
        changed = self.told(command, outcome)
        for key in targets_of(self.site, command):
            aim = self._aims.get(key)
            if aim is None or aim.command_id != outcome.command_id:
                continue
            if outcome.result.good:
                self._aims[key] = _Aim(aim.command_id, aim.payload, done=True)
            else:
                back = self._payload(key)
                self._aims[key] = _Aim(aim.command_id, back, done=True)
                changed += self.put([target_message(self.site, *key, back)])
        return changed

    def told(self, command: Command, outcome: Outcome) -> list[Publication]:
        """The outcome alone, as its unit's last one; of a bus's command, as that of all its units."""
        if command.id in self._told:
            return []
        self._told[command.id] = None
        _keep_newest(self._told)
        payload = outcome_payload(command, outcome)
        units = [command.unit] if command.unit in self.site.units else self.site.units_of(command.unit)
        # Said again even where it stands already: the same id twice gets the same answer twice.
        for unit in units:
            self.put([outcome_message(self.site, unit, b"")])
        return self.put([outcome_message(self.site, unit, payload) for unit in units])

    def _payload(self, key: tuple[str, str]) -> bytes:
        """A state's value as it is shown; empty while it is unknown."""
        spec, value = self.site.settable(*key), self._states.get(key)
        if spec is None or value is None or value.value is None:
            return b""
        return encode(value.value, spec.datatype) or b""

    def forget(self, site: HomieSite, units: Iterable[str]) -> None:
        """These units have other nodes from now on: what they had is gone."""
        for unit in units:
            device = self.site.units[unit]
            self.stale(device.id, self._values.pop(device.id, {}))
            for key in [key for key in self._aims if key[0] == unit]:
                del self._aims[key]
        self.site = site

    def forget_all(self, site: HomieSite) -> None:
        """The site is another one from now on: what was published of it has to go or to be said again."""
        for device, there in self._values.items():
            self.stale(device, there)
        self._values.clear()
        self._aims.clear()
        self._states.clear()
        self.site = site


def _keep_newest(held: dict[str, Any]) -> None:
    if len(held) > _MOST_COMMANDS:
        del held[next(iter(held))]
