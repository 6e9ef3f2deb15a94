"""The site's sequences as properties of the root device: how each is told, and how far it has come. Pure.

Node ``sequences`` has a settable property for each that can be begun over MQTT, node ``sequence-progress``
one that says in json how far each has come. What the site does not let a unit be told over MQTT no sequence
from there tells it either, and what asks a person before it is energised is not brought up from there.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

from controller.homie_devices import Node, Publication, Waits, device_topic
from controller.homie_values import Datatype, Property
from controller.plain import to_plain
from controller.sequences_plan import Direction, Plan, Planner
from controller.sequences_records import SequenceOrder, SequenceProgress
from controller.site import LoadedSite

__all__ = ["SetSequence", "progress_message", "sequence_nodes"]

_SETTING, _PROGRESS = "sequences", "sequence-progress"


@dataclass(frozen=True, slots=True)
class SetSequence:
    """Begin a sequence up or down, or cancel it."""

    property: Property
    sequence: str


def sequence_nodes(loaded: LoadedSite) -> tuple[list[Node], dict[tuple[str, str], SetSequence]]:
    """The nodes, none where the site has no sequence; and what their ``set`` topics are for."""
    setting, progress = [], []
    targets = {}
    for name, spec in loaded.site.sequences.items():
        planner = Planner(loaded.site.units, loaded.profiles)
        ways = [way for way in Direction if _takes(loaded, planner.plan(name, spec, way))]
        title = spec.title or name
        progress.append(Property(name, f"How far {title} has come", Datatype.JSON))
        if ways:
            values = (*(way.value for way in ways), SequenceOrder.CANCEL.value)
            each = Property(name, title, Datatype.ENUM, settable=True, retained=False, values=values)
            setting.append(each)
            targets[_SETTING, name] = SetSequence(each, name)
    nodes = [
        Node(_SETTING, "Sequences", tuple(setting)),
        Node(_PROGRESS, "How far sequences have come", tuple(progress)),
    ]
    return [node for node in nodes if node.properties], targets


def _takes(loaded: LoadedSite, plan: Plan) -> bool:
    """Whether a sequence can go that way when it is told over MQTT."""
    for step in plan.done:
        unit = loaded.site.units[step.unit]
        if unit.mqtt != "all" and (unit.mqtt == "none" or step.action not in unit.mqtt):
            return False
        if unit.ask_before_energise and step.energises:
            return False
    return True


def progress_message(root: str, progress: SequenceProgress) -> Publication:
    """How far a sequence has come.

    Args:
        root: the root device's id.
        progress: the sequence's newest word.
    """
    payload = json.dumps(to_plain(progress), ensure_ascii=False, separators=(",", ":"))
    topic = f"{device_topic(root)}/{_PROGRESS}/{progress.sequence}"
    return Publication(topic, payload.encode("utf-8", "replace"), waits=Waits.NEWEST)
