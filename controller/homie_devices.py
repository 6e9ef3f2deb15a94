"""Homie 5 devices, their nodes and topics, and their descriptions. Pure.

Section names in this module are those of the Homie convention, version 5.
"""

from __future__ import annotations

import enum
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from controller.homie_values import Property

__all__ = ["QOS", "Device", "Node", "Publication", "Waits", "device_topic"]

_BASE = "homie/5"
"""The domain by default, and the convention's major version [Domain and Root Topic]."""
_HOMIE = "5.0"

QOS = 1
"""Of what is retained. One for all of it: brokers keep the order of one QoS only, and ``ready`` must not pass
what it stands for. The convention advises 2; but Mosquitto 2.0.11 was measured to acknowledge and lose such
messages beyond 20 in flight (40 of 200 were left), and of what is retained a second copy does no harm."""


class Waits(enum.Enum):
    """What becomes of a message for which the broker is too slow."""

    ALWAYS = enum.auto()
    """It waits for its turn."""
    NEWEST = enum.auto()
    """A newer one of the same topic takes its place."""
    BOUNDED = enum.auto()
    """Where too many wait, the oldest of these are dropped."""


@dataclass(frozen=True, slots=True)
class Publication:
    """A message to publish."""

    topic: str
    payload: bytes
    """Empty deletes what is retained there."""
    retain: bool = True
    qos: int = QOS
    waits: Waits = Waits.ALWAYS
    correlation: bytes | None = None
    """MQTT 5 correlation data, of a response."""
    sender: str = ""
    """What we call ourselves, in MQTT 5's user property ``from``."""


def device_topic(device: str) -> str:
    """The topic of a device, without a slash at its end."""
    return f"{_BASE}/{device}"


@dataclass(frozen=True, slots=True)
class Node:
    """Properties of a device that belong together."""

    id: str
    name: str
    properties: tuple[Property, ...]

    def described(self) -> dict[str, Any]:
        """The node in its device's description."""
        return {
            "name": self.name,
            "properties": {each.id: each.described() for each in self.properties},
        }


@dataclass(frozen=True, slots=True)
class Device:
    """A device. Its parent is the root device, or it is that one itself."""

    id: str
    name: str
    nodes: tuple[Node, ...]
    root: str | None = None
    """The root device's id; None for the root device."""
    children: tuple[str, ...] = ()
    properties: dict[tuple[str, str], Property] = field(init=False, repr=False, compare=False)
    """By node and property id."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "properties", _by_id(self.nodes))

    @property
    def topic(self) -> str:
        """Its topic."""
        return device_topic(self.id)

    def value_topic(self, node: str, name: str) -> str:
        """The topic of a property's value; ``/set`` and ``/$target`` come after it."""
        return f"{self.topic}/{node}/{name}"

    def content(self) -> str:
        """The description without its version, and without the brace at its end [Device Attributes]."""
        told: dict[str, Any] = {"homie": _HOMIE, "name": self.name}
        if self.root is not None:
            told["root"] = self.root
        if self.children:
            told["children"] = list(self.children)
        return f'{_json(told)[:-1]},"nodes":{_nodes(self.nodes)}'

    def state(self, word: str) -> Publication:
        """The device's ``$state``: init, ready, disconnected or lost [Device Lifecycle]."""
        return Publication(f"{self.topic}/$state", word.encode())

    def description(self, version: int) -> Publication:
        """The description; ``version`` rises with every change of it."""
        text = f'{self.content()},"version":{version}}}'
        return Publication(f"{self.topic}/$description", text.encode("utf-8", "replace"))

    def retained_topics(self) -> Iterator[str]:
        """Every topic on which it may have something retained, its alerts apart."""
        yield f"{self.topic}/$state"
        yield f"{self.topic}/$description"
        yield from self.value_topics()

    def value_topics(self) -> Iterator[str]:
        """Every topic on which it may have a value or a target retained."""
        for (node, name), each in self.properties.items():
            if each.retained:
                yield self.value_topic(node, name)
                if each.settable:
                    yield f"{self.value_topic(node, name)}/$target"


def _json(document: object) -> str:
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


# All units of one profile have the same nodes: what is made of them is made once.


@lru_cache(maxsize=256)
def _nodes(nodes: tuple[Node, ...]) -> str:
    return _json({node.id: node.described() for node in nodes})


@lru_cache(maxsize=256)
def _by_id(nodes: tuple[Node, ...]) -> dict[tuple[str, str], Property]:
    return {(node.id, each.id): each for node in nodes for each in node.properties}
