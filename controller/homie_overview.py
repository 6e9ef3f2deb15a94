"""What a dashboard needs of a site and a Homie description has no place for: as properties of the root. Pure.

``bus-BUS/about`` says how a bus is wired, what hangs on it, and what its profile can say; ``alerts/standing``
has the alerts with since when; ``controller/ping`` comes back; ``site/off-outcome`` tells what became of
switching everything off; ``site/sequences`` what sequences there are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from controller.api import ActionView, BusView, UnitView
from controller.health import Health
from controller.homie import HomieSite
from controller.homie_devices import Publication, Waits
from controller.homie_publications import json_payload
from controller.homie_root import ABOUT, ALERTS, HEALTH, OFF_OUTCOME, PING, SEQUENCES, bus_node
from controller.plain import to_plain
from controller.records import Alert, Outcome
from controller.sequences_records import SequenceView
from controller.views import site_view
from profiles.model import Value

__all__ = [
    "BusAbout",
    "SequencesAbout",
    "about_messages",
    "alerts_message",
    "health_message",
    "off_outcome_message",
    "ping_message",
    "sequences_message",
]

_PING = re.compile(r"[A-Za-z0-9._:-]{1,64}")


@dataclass(frozen=True, slots=True)
class BusAbout:
    """A bus, its units, and what its profile says of them."""

    bus: BusView
    """Without its port, which is nobody's business elsewhere."""
    units: tuple[UnitView, ...]
    """Without actions and states: those of the profile are the same for all of them."""
    actions: tuple[ActionView, ...]
    states: dict[str, dict[str, Value | list[Value] | None]]
    only: dict[str, tuple[str, ...]]
    """The actions that are taken over MQTT, by unit, where those are not all."""


def about_messages(site: HomieSite, buses: Iterable[str] | None = None) -> list[Publication]:
    """What each of these buses is like; None for all."""
    view = site_view(site.loaded)
    wanted = None if buses is None else set(buses)
    told = []
    for bus in view.buses:
        if wanted is not None and bus.id not in wanted:
            continue
        units = [unit for unit in view.units if unit.bus == bus.id]
        about = BusAbout(
            replace(bus, port=""),
            tuple(replace(unit, actions=(), states={}) for unit in units),
            units[0].actions if units else (),
            units[0].states if units else {},
            {unit.id: taken for unit in units if (taken := _taken(site, unit)) is not None},
        )
        topic = site.root.value_topic(bus_node(bus.id), ABOUT.id)
        told.append(Publication(topic, json_payload(to_plain(about)), waits=Waits.NEWEST))
    return told


def _taken(site: HomieSite, unit: UnitView) -> tuple[str, ...] | None:
    """The actions that a unit takes over MQTT; None where it takes all."""
    has = site.units[unit.id].properties
    taken = tuple(action.name for action in unit.actions if ("actions", action.name) in has)
    return None if len(taken) == len(unit.actions) else taken


@dataclass(frozen=True, slots=True)
class SequencesAbout:
    """A site's sequences."""

    views: tuple[SequenceView, ...]
    """Without how far each has come, which its progress says."""
    orders: dict[str, tuple[str, ...]]
    """What each can be told over MQTT, by its id: nothing where it is missing."""


def sequences_message(site: HomieSite, views: Iterable[SequenceView]) -> Publication:
    """The sequences that there are."""
    told = tuple(replace(view, last=None) for view in views)
    setters = {view.id: site.root.properties.get(("sequences", view.id)) for view in told}
    orders = {name: setter.values for name, setter in setters.items() if setter is not None}
    topic = site.root.value_topic("site", SEQUENCES.id)
    payload = json_payload(to_plain(SequencesAbout(told, orders)))
    return Publication(topic, payload, waits=Waits.NEWEST)


def alerts_message(site: HomieSite, alerts: Iterable[Alert]) -> Publication:
    """The alerts that stand, each with since when."""
    told = [to_plain(alert) for alert in alerts]
    topic = site.root.value_topic(ALERTS.id, "standing")
    return Publication(topic, json_payload(told), waits=Waits.NEWEST)


def health_message(site: HomieSite, health: Health) -> Publication:
    """How the controller is."""
    topic = site.root.value_topic("controller", HEALTH.id)
    return Publication(topic, json_payload(to_plain(health)), waits=Waits.NEWEST)


def ping_message(site: HomieSite, word: str) -> Publication | None:
    """A ping's answer: the same word; None where it is no word that is given back."""
    if not _PING.fullmatch(word):
        return None
    topic = site.root.value_topic("controller", PING.id)
    return Publication(topic, word.encode(), retain=False, qos=0, waits=Waits.BOUNDED)


def off_outcome_message(site: HomieSite, scope: str, outcomes: Iterable[Outcome]) -> Publication:
    """What became of each command that switching off was made of; whose they are is in ``last/outcome``."""
    told = [
        {
            "command_id": each.command_id,
            "result": each.result.value,
            "reason": each.reason.value if each.reason else None,
        }
        for each in outcomes
    ]
    topic = site.root.value_topic("site", OFF_OUTCOME.id)
    return Publication(topic, json_payload({"scope": scope, "outcomes": told}), retain=False)
