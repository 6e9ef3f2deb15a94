"""The nodes of the root device: the site, its controller, its locks, alerts and buses. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from controller.homie_devices import Node
from controller.homie_sequences import SetSequence, sequence_nodes
from controller.homie_values import Datatype, Property
from controller.records import LinkState
from controller.site import LoadedSite

__all__ = [
    "ABOUT",
    "ALERTS",
    "ALL",
    "HEALTH",
    "OFF_OUTCOME",
    "PING",
    "SEQUENCES",
    "AllOff",
    "Claim",
    "OwnTarget",
    "Ping",
    "SetLock",
    "SetSequence",
    "Watch",
    "bus_node",
    "object_schema",
    "root_nodes",
]

ALL = "all"
"""What switches the whole site off."""

ABOUT = Property("about", "What hangs on it, and what its profile says", Datatype.JSON)
ALERTS = Node("alerts", "Alerts", (Property("standing", "Those that stand", Datatype.JSON),))
PING = Property("ping", "Comes back", Datatype.STRING, settable=True, retained=False)
HEALTH = Property("health", "How it is", Datatype.JSON)
SEQUENCES = Property("sequences", "Sequences, and what each can be told", Datatype.JSON)
OFF_OUTCOME = Property("off-outcome", "What became of off", Datatype.JSON, retained=False)


@dataclass(frozen=True, slots=True)
class Watch:
    """Publish a bus's traffic for some time."""

    property: Property
    bus: str


@dataclass(frozen=True, slots=True)
class AllOff:
    """Everything, a bus or a group off."""

    property: Property


@dataclass(frozen=True, slots=True)
class SetLock:
    """Set a service lock."""

    property: Property


@dataclass(frozen=True, slots=True)
class Claim:
    """Another controller asks whether this one is alive."""

    property: Property


@dataclass(frozen=True, slots=True)
class Ping:
    """Give a word back."""

    property: Property


OwnTarget = Watch | AllOff | SetLock | Claim | Ping | SetSequence


def bus_node(bus: str) -> str:
    """The id of a bus's node: such that no bus takes the place of another node of the root."""
    return f"bus-{bus}"


def object_schema(properties: dict[str, Any], needed: list[str]) -> dict[str, Any]:
    """The JSON schema of an object with these properties and no others."""
    required = {"required": needed} if needed else {}
    return {"type": "object", "properties": properties, **required, "additionalProperties": False}


def root_nodes(loaded: LoadedSite) -> tuple[tuple[Node, ...], dict[tuple[str, str], OwnTarget]]:
    """The nodes of the root, and what its ``set`` topics are for, by node and property."""
    site = loaded.site
    scopes = [ALL, *site.buses, *dict.fromkeys(u.group for u in site.units.values() if u.group)]
    off = Property("off", "Off", Datatype.ENUM, settable=True, retained=False, values=tuple(scopes))
    claim = Property("claim", "Which controller is alive", Datatype.STRING, settable=True, retained=False)
    needed = ["target", "who", "why"]
    schema = object_schema({name: {"type": "string"} for name in needed}, needed)
    lock = Property("lock", "Set one", Datatype.JSON, settable=True, retained=False, schema=schema)
    nodes = [
        Node("site", "Site", (off, OFF_OUTCOME, SEQUENCES)),
        Node(
            "controller",
            "Controller",
            (
                Property("instance", "Which one it is", Datatype.STRING),
                claim,
                Property("commands", "Commands and refusals, counted", Datatype.JSON),
                Property("response-prefix", "Where response topics must lie", Datatype.STRING),
                PING,
                HEALTH,
            ),
        ),
        Node("locks", "Service locks", (Property("standing", "Those that stand", Datatype.JSON), lock)),
        ALERTS,
    ]
    own: dict[tuple[str, str], OwnTarget] = {
        ("site", "off"): AllOff(off),
        ("controller", "claim"): Claim(claim),
        ("controller", "ping"): Ping(PING),
        ("locks", "lock"): SetLock(lock),
    }
    for bus in site.buses:
        watch = Property("watch", "Publish traffic for", Datatype.DURATION, settable=True)
        own[bus_node(bus), "watch"] = Watch(watch, bus)
        nodes.append(Node(bus_node(bus), f"Bus {bus}", (*_BUS, watch)))
    sequences, targets = sequence_nodes(loaded)
    return (*nodes, *sequences), {**own, **targets}


_BUS = (
    ABOUT,
    Property("link", "Link", Datatype.ENUM, values=tuple(state.value for state in LinkState)),
    Property("why", "Why the link is down", Datatype.STRING),
    Property("units-answering", "Units answering", Datatype.INTEGER),
    Property("units-expected", "Units expected", Datatype.INTEGER),
    Property("echo-lag", "Echo lag", Datatype.FLOAT, unit="s"),
    Property("counters", "Counters", Datatype.JSON),
    Property("traffic", "Traffic, while watched", Datatype.JSON, retained=False),
)
