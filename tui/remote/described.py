"""A site out of what it publishes: its root's description, and what it says of each bus. Pure.

Anybody can publish at a broker: what comes is held against what a site can be, and refused whole where it
is not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from controller.api import BusView, UnitView
from controller.homie_overview import BusAbout
from controller.homie_root import ABOUT
from controller.homie_values import Datatype, Property, decode
from controller.plain import from_plain
from profiles.errors import BadValue, InputError
from profiles.frames import BitOrder, FrameFormat
from tui.remote.naming import join

__all__ = ["SiteFound", "bus_view", "read_about", "read_json", "read_site", "unit_view"]

_ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")
_LONGEST_ID = 128
_MOST_CHILDREN = 5000
_GREATEST = 2.0**63
_TIMES = frozenset(("at", "since", "began"))
_LAST_TIME = 4_102_444_800.0
"""UTC seconds: the year 2100. No screen can tell a time far beyond it."""
_TOPOLOGIES = ("ring", "open", "shared", "tap")
_EFFECTS = ("energise", "de-energise", "neutral", "unknown")
_TYPES = ("boolean", "integer", "float", "enum", "text", "duration")
_JSON = Property("json", "json", Datatype.JSON)
_BUS = "bus-"


@dataclass(frozen=True, slots=True)
class SiteFound:
    """A root device that is a site of ours."""

    id: str
    title: str
    buses: tuple[str, ...]
    """Their ids, in the site's order."""
    children: tuple[str, ...]
    """The devices that its units are, in the site's order."""


def read_json(payload: bytes) -> Any:
    """An object or an array, in which no number is beyond what it can stand for.

    Raises:
        BadValue: it is none.
    """
    document = decode(payload, _JSON)
    _check_numbers("", document)
    return document


def _check_numbers(name: str, value: Any) -> None:
    if isinstance(value, dict):
        for key, each in value.items():
            _check_numbers(key, each)
    elif isinstance(value, list):
        for each in value:
            _check_numbers(name, each)
    elif isinstance(value, int | float):
        least, most = (0.0, _LAST_TIME) if name in _TIMES else (-_GREATEST, _GREATEST)
        if not least <= value <= most:
            raise BadValue(f"has {name or 'a number'} beyond all that can be")


def read_site(device: str, payload: bytes) -> SiteFound | None:
    """The site that a device is by its ``$description``; None where it is no site of ours.

    A site is a root device of Homie 5 with the nodes of a controller and of at least one bus that says what
    hangs on it. Everything else that is announced at a broker is somebody else's.
    """
    try:
        document = read_json(payload)
    except BadValue:
        return None
    if not isinstance(document, dict) or not _is_id(device) or "root" in document:
        return None
    nodes = document.get("nodes")
    if not str(document.get("homie", "")).startswith("5.") or not isinstance(nodes, dict):
        return None
    if not {"instance", "claim", "ping"} <= _properties(nodes, "controller").keys():
        return None
    buses = [
        name.removeprefix(_BUS)
        for name in nodes
        if name.startswith(_BUS) and _is_id(name) and ABOUT.id in _properties(nodes, name)
    ]
    listed = document.get("children")
    children = listed if isinstance(listed, list) else []
    if not buses or len(children) > _MOST_CHILDREN:
        return None
    own = tuple(child for child in children if _is_id(child) and child.startswith(f"{device}-"))
    return SiteFound(device, str(document.get("name") or device), tuple(buses), own)


def _is_id(name: Any) -> bool:
    return isinstance(name, str) and len(name) <= _LONGEST_ID and _ID.fullmatch(name) is not None


def _properties(nodes: Mapping[str, Any], node: str) -> Mapping[str, Any]:
    found = nodes.get(node)
    properties = found.get("properties") if isinstance(found, dict) else None
    return properties if isinstance(properties, dict) else {}


def read_about(bus: str, payload: bytes) -> BusAbout:
    """What a site says of a bus.

    Raises:
        InputError: it is nothing that a bus can be, or of a later version of this program.
    """
    about: BusAbout = from_plain(BusAbout, read_json(payload))
    problem = _problem(about)
    if problem or about.bus.id != bus:
        raise InputError(problem or f"is of another bus, {about.bus.id!r}", where=bus)
    return about


def _problem(about: BusAbout) -> str:
    bus = about.bus
    try:
        FrameFormat.parse(bus.frame)
        BitOrder(bus.bit_order)
    except (ValueError, InputError):
        return "has no line settings that a UART has"
    if bus.topology not in _TOPOLOGIES or bus.idle not in ("high", "low"):
        return f"has no topology that is known: {bus.topology!r}"
    if not math.isfinite(bus.baud) or bus.baud < 0:
        return "has no baud rate"
    if not all(_is_id(unit.id) for unit in about.units):
        return "has a unit without an id"
    specs = [spec for action in about.actions for spec in action.parameters.values()]
    if any(action.effect not in _EFFECTS for action in about.actions):
        return "has an action whose effect is not known"
    if not all(map(_is_spec, [*specs, *about.states.values()])):
        return "has a state or parameter of a kind that is not known"
    return ""


def _is_spec(spec: Mapping[str, Any]) -> bool:
    limits, values, setter = spec.get("range"), spec.get("values"), spec.get("set")
    numbers = (
        isinstance(limits, list)
        and len(limits) == 2
        and all(isinstance(each, int | float) and math.isfinite(each) for each in limits)
    )
    setters = setter is None or isinstance(setter, str) or _texts(setter)
    return (
        spec.get("type") in _TYPES
        and (limits is None or numbers)
        and (values is None or isinstance(values, list))
        and setters
    )


def _texts(value: Any) -> bool:
    return isinstance(value, Sequence) and all(isinstance(each, str) for each in value)


def bus_view(site: str, about: BusAbout) -> BusView:
    """The bus as the dashboard shows it among those of other sites."""
    return replace(about.bus, id=join(site, about.bus.id))


def unit_view(site: str, about: BusAbout, unit: UnitView) -> UnitView:
    """The unit as the dashboard shows it: with what it can be told over MQTT, and no more."""
    taken = about.only.get(unit.id)
    return replace(
        unit,
        id=join(site, unit.id),
        title=unit.title or unit.id,
        bus=join(site, about.bus.id),
        group=join(site, unit.group) if unit.group else "",
        actions=tuple(action for action in about.actions if taken is None or action.name in taken),
        states=about.states,
    )
