"""Payloads of a site's topics as records, each under its name among other sites. Pure.

What can't be read raises ``InputError``; nothing else is raised, whatever comes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from controller.homie_overview import SequencesAbout
from controller.homie_values import Datatype, Property, decode
from controller.plain import from_plain
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Known,
    LinkState,
    Lock,
    Lost,
    Origin,
    OriginKind,
    Outcome,
    Record,
    Traffic,
    from_json,
)
from controller.sequences_records import SequenceProgress
from profiles.errors import BadValue, InputError
from profiles.model import Value
from tui.remote.described import read_json
from tui.remote.naming import join

__all__ = [
    "read_alerts",
    "read_known",
    "read_locks",
    "read_off",
    "read_outcome",
    "read_progress",
    "read_sequences",
    "read_status",
    "read_traffic",
    "read_value",
]

_KINDS = {
    "boolean": Datatype.BOOLEAN,
    "integer": Datatype.INTEGER,
    "float": Datatype.FLOAT,
    "duration": Datatype.DURATION,
}
_MOST_LISTED = 2000


def read_alerts(site: str, payload: bytes) -> dict[str, Alert]:
    """A site's alerts, by their ids among those of other sites."""
    alerts = (from_plain(Alert, each) for each in _listed(payload))
    return {
        name: replace(
            alert, id=name, target=site if alert.target == "site" else join(site, alert.target), over=False
        )
        for alert in alerts
        # What kind of alert it is stands at the beginning.
        for name in [f"{alert.id}@{site}"]
    }


def read_locks(site: str, payload: bytes) -> dict[str, Lock]:
    """A site's locks, by their ids."""
    locks = (from_plain(Lock, each) for each in _listed(payload))
    return {lock.id: replace(lock, target=join(site, lock.target), over=False) for lock in locks}


def _listed(payload: bytes) -> list[Any]:
    given = read_json(payload) if payload else []
    if not isinstance(given, list):
        raise InputError("is no list")
    return given[:_MOST_LISTED]


def read_traffic(site: str, bus: str, payload: bytes) -> list[Record]:
    """A batch of traffic, and before it how much of it is missing."""
    batch = read_json(payload)
    given = batch.get("records") if isinstance(batch, dict) else None
    if not isinstance(given, list):
        raise InputError("is no batch of traffic")
    lost = batch.get("lost", 0)
    read = [from_json(Traffic, each) for each in given]
    for each in read:
        if not all(0 <= start <= stop <= len(each.data) for start, stop in each.unexplained):
            raise InputError("has a stretch beyond its bytes")
    told: list[Record] = [replace(each, bus=join(site, bus)) for each in read]
    return [Lost(lost), *told] if isinstance(lost, int) and lost > 0 else told


def read_outcome(site: str, payload: bytes) -> tuple[Command, Outcome]:
    """The command that an outcome is of, and the outcome."""
    told = read_json(payload)
    if not isinstance(told, dict):
        raise InputError("is no outcome")
    outcome = from_json(Outcome, told)
    unit, action = from_plain(str, told.get("unit")), from_plain(str, told.get("action"))
    origin = from_plain(Origin, told.get("origin") or {"kind": OriginKind.MQTT.value})
    parameters: dict[str, Value] = from_plain(dict[str, Value], told.get("parameters") or {})
    at = outcome.at - (outcome.took_ms or 0.0) / 1000
    return Command(join(site, unit), action, parameters, origin, outcome.command_id, at), outcome


def read_off(payload: bytes) -> tuple[str, list[Outcome]]:
    """What became of switching off: its scope, and the outcomes, in as much as is told of them."""
    told = read_json(payload)
    outcomes = told.get("outcomes") if isinstance(told, dict) else None
    if not isinstance(outcomes, list):
        raise InputError("does not say what became of it")
    return str(told.get("scope", "")), [from_json(Outcome, each) for each in outcomes]


def read_sequences(site: str, payload: bytes) -> SequencesAbout:
    """A site's sequences, and what each can be told."""
    about: SequencesAbout = from_plain(SequencesAbout, read_json(payload))
    views = tuple(
        replace(
            view,
            id=join(site, view.id),
            buses=tuple(join(site, bus) for bus in view.buses),
            asks=tuple(join(site, unit) for unit in view.asks),
            last=None,
        )
        for view in about.views
    )
    return SequencesAbout(views, {join(site, name): orders for name, orders in about.orders.items()})


def read_progress(site: str, payload: bytes) -> SequenceProgress:
    """How far a sequence has come."""
    told = read_json(payload)
    progress: SequenceProgress = from_plain(SequenceProgress, told)
    return replace(progress, sequence=join(site, progress.sequence))


def read_status(site: str, bus: str, line: Mapping[str, bytes], now: float) -> BusStatus:
    """A bus's status out of its properties' payloads."""
    link = line.get("link", b"").decode("utf-8", "replace")
    if link not in list(LinkState):
        raise InputError(f"{link!r} says nothing of a link")
    lag = _number(line, "echo-lag")
    answering, expected = _number(line, "units-answering"), _number(line, "units-expected")
    return BusStatus(
        join(site, bus),
        LinkState(link),
        now,
        None if answering is None else int(answering),
        None if expected is None else int(expected),
        None if lag is None else lag * 1000,
        from_plain(dict[str, int], read_json(line.get("counters") or b"{}")),
        line.get("why", b"").decode("utf-8", "replace").strip("\0"),
    )


def _number(line: Mapping[str, bytes], name: str) -> float | None:
    payload = line.get(name)
    return float(decode(payload, Property(name, name, Datatype.FLOAT))) if payload else None


def read_value(payload: bytes, kind: str) -> Value | None:
    """A state's value; None where there is none, or none of its type."""
    if not payload:
        return None
    try:
        value: Value = decode(payload, Property("value", "value", _KINDS.get(kind, Datatype.STRING)))
    except BadValue:
        return None
    return value


def read_known(payload: bytes) -> Known:
    """How a state is known."""
    word = payload.decode("utf-8", "replace")
    return Known(word) if word in list(Known) else Known.UNKNOWN
