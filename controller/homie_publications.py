"""What happens, as Homie 5 messages. Pure: records in, messages out."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from controller.homie import HomieSite, bus_node
from controller.homie_devices import Publication, Waits
from controller.homie_values import duration, encode
from controller.plain import to_plain
from controller.records import Alert, BusStatus, Command, Lock, Outcome, StateValue, Traffic
from profiles.compiled import resolve
from profiles.errors import LinewardenError
from profiles.model import Value

__all__ = [
    "alert_message",
    "bus_messages",
    "json_payload",
    "locks_message",
    "log_message",
    "outcome_message",
    "outcome_payload",
    "state_messages",
    "target_message",
    "targets_of",
    "traffic_payload",
    "watch_message",
]


def json_payload(document: Mapping[str, Any] | Sequence[Any]) -> bytes:
    """A json value."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def state_messages(site: HomieSite, unit: str, state: str, value: StateValue) -> list[Publication]:
    """A state's value (nothing retained while it is unknown), and how it is known."""
    device = site.units.get(unit)
    spec = None if device is None else device.properties.get(("state", state))
    if device is None or spec is None:
        return []
    payload = b"" if value.value is None else encode(value.value, spec.datatype) or b""
    return [
        Publication(device.value_topic("state", state), payload, waits=Waits.NEWEST),
        Publication(device.value_topic("known", state), value.known.value.encode(), waits=Waits.NEWEST),
    ]


def target_message(site: HomieSite, unit: str, state: str, payload: bytes) -> Publication:
    """Where a state is on its way to; empty for nowhere."""
    return Publication(f"{site.units[unit].value_topic('state', state)}/$target", payload, waits=Waits.NEWEST)


def targets_of(site: HomieSite, command: Command) -> dict[tuple[str, str], bytes]:
    """What a command makes of settable states, by unit and state: the payloads of their targets."""
    loaded = site.loaded
    units = [command.unit] if command.unit in site.units else site.units_of(command.unit)
    found: dict[tuple[str, str], bytes] = {}
    for unit in units:
        profile = loaded.profiles[loaded.site.units[unit].bus]
        action = profile.actions.get(command.action)
        if action is None:
            continue
        try:
            values = action.parameters(command.parameters)
        except LinewardenError:
            continue
        for state, value in resolve(action.spec.sets, values).items():
            spec = site.settable(unit, state)
            payload = None if spec is None else encode(value, spec.datatype)
            if payload is not None:
                found[unit, state] = payload
    return found


def bus_messages(site: HomieSite, status: BusStatus) -> list[Publication]:
    """How a bus is."""
    node = bus_node(status.bus)
    if (node, "link") not in site.root.properties:
        return []

    def message(name: str, value: Value | None) -> Publication:
        spec = site.root.properties[node, name]
        payload = b"" if value is None else encode(value, spec.datatype) or b""
        return Publication(site.root.value_topic(node, name), payload, waits=Waits.NEWEST)

    return [
        message("link", status.link.value),
        message("why", status.text),
        message("units-answering", status.units_answering),
        message("units-expected", status.units_expected),
        message("echo-lag", None if status.lag_ms is None else round(status.lag_ms / 1000, 6)),
        Publication(
            site.root.value_topic(node, "counters"), json_payload(status.counters), waits=Waits.NEWEST
        ),
    ]


def watch_message(site: HomieSite, bus: str, payload: bytes | None = None) -> Publication:
    """For how long traffic is published: as it was asked for, or not at all."""
    topic = site.root.value_topic(bus_node(bus), "watch")
    return Publication(topic, payload or duration(0), waits=Waits.NEWEST)


def traffic_payload(records: Iterable[Traffic], lost: int) -> bytes:
    """A batch of traffic; ``lost`` records are not in it."""
    told = [{name: value for name, value in to_plain(each).items() if value is not None} for each in records]
    return json_payload({"lost": lost, "records": told})


def alert_message(site: HomieSite, alert: Alert) -> Publication:
    """An alert under its device's ``$alert``; deleted when it is over [Alert topic]."""
    device = site.units.get(alert.target, site.root)
    text = f"{alert.text}; look at {alert.look_at}" if alert.look_at else alert.text
    if device is site.root and alert.target != "site":
        text = f"{alert.target}: {text}"
    payload = b"" if alert.over else text.encode("utf-8", "replace")
    return Publication(f"{device.topic}/$alert/{alert.id}", payload, waits=Waits.NEWEST)


def log_message(site: HomieSite, level: str, text: str) -> Publication:
    """A line for ``$log``: debug, info, warn, error or fatal [Logging]."""
    payload = text.encode("utf-8", "replace")
    return Publication(f"{site.root.topic}/$log/{level}", payload, retain=False, qos=0, waits=Waits.BOUNDED)


def outcome_payload(command: Command, outcome: Outcome) -> bytes:
    """What became of a command: the outcome, and what was asked for beside it."""
    asked = {"unit": command.unit, "action": command.action, "parameters": command.parameters}
    origin = {"origin": to_plain(command.origin)}
    told = to_plain(outcome)
    return json_payload({"command_id": told.pop("command_id"), **asked, **origin, **told})


def outcome_message(site: HomieSite, unit: str, payload: bytes) -> Publication:
    """The last command's outcome, of a unit."""
    return Publication(site.units[unit].value_topic("last", "outcome"), payload, waits=Waits.BOUNDED)


def locks_message(site: HomieSite, locks: Iterable[Lock]) -> Publication:
    """The service locks that stand."""
    told = [to_plain(lock) for lock in locks]
    return Publication(site.root.value_topic("locks", "standing"), json_payload(told), waits=Waits.NEWEST)
