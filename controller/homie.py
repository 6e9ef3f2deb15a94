"""A site as Homie 5 devices: the site is the root, each unit a child, each bus a node of the root. Pure.

What a ``set`` topic asks for is told by ``HomieSite.target``; what is published is in
controller/homie_publications.py.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from controller.homie_devices import Device, Node, device_topic
from controller.homie_root import (
    ALL,
    AllOff,
    Claim,
    OwnTarget,
    Ping,
    SetLock,
    Watch,
    bus_node,
    object_schema,
    root_nodes,
)
from controller.homie_values import Datatype, Property, property_for
from controller.records import Known
from controller.site import LoadedSite
from controller.site_model import MqttActions
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.errors import BadValue
from profiles.model import StateSpec, Value, ValueType, written

__all__ = [
    "ALL",
    "AllOff",
    "Claim",
    "HomieSite",
    "OwnTarget",
    "Ping",
    "Request",
    "SetAction",
    "SetLock",
    "SetState",
    "Target",
    "Watch",
    "bus_node",
    "plain_parameters",
]

RUN = "run"
"""What an action without parameters is set to."""


@dataclass(frozen=True, slots=True)
class SetState:
    """Setting a state runs the action that makes it so."""

    property: Property
    spec: StateSpec
    parameter: str | None = None
    """The parameter of the one action that takes the value; None where each value has an action."""

    def action(self, value: Value) -> tuple[str, dict[str, Value]]:
        """The action for a value, and its parameters.

        Raises:
            BadValue: no action makes it so.
        """
        if isinstance(self.spec.set, str) and self.parameter is not None:
            return self.spec.set, {self.parameter: value}
        key = written(value)
        actions = self.spec.set if isinstance(self.spec.set, dict) else {}
        if key not in actions:
            raise BadValue(f"no action makes it {key}; there is one for {', '.join(actions)}")
        return actions[key], {}


@dataclass(frozen=True, slots=True)
class SetAction:
    """Setting an action runs it."""

    property: Property
    name: str
    parameter: str | None = None
    """Its only parameter, which takes the value; None where there is none, or more than one."""

    def action(self, value: Any) -> tuple[str, dict[str, Value]]:
        """The action and its parameters.

        Raises:
            BadValue: they are no object of plain values.
        """
        if self.property.datatype is Datatype.JSON:
            return self.name, plain_parameters(value)
        return self.name, {} if self.parameter is None else {self.parameter: value}


@dataclass(frozen=True, slots=True)
class Request:
    """A command in its json form, with an id of its own."""

    property: Property


UnitTarget = SetState | SetAction | Request
Target = UnitTarget | OwnTarget


def plain_parameters(given: Any) -> dict[str, Value]:
    """A json object as parameters.

    Raises:
        BadValue: it is no object, or a value is no plain one.
    """
    if not isinstance(given, dict):
        raise BadValue("must be a JSON object")
    for name, value in given.items():
        if not isinstance(value, bool | int | float | str):
            raise BadValue(f"{name} must be true, false, a number or a text")
    return dict(given)


@dataclass(frozen=True, slots=True)
class _Plan:
    """What all units of one profile with the same rights have."""

    nodes: tuple[Node, ...]
    targets: Mapping[tuple[str, str], UnitTarget]


@dataclass(slots=True)
class HomieSite:
    """The devices of a site as it stands now; make a new one when a profile has changed."""

    loaded: LoadedSite
    root: Device = field(init=False)
    units: dict[str, Device] = field(init=False)
    """By unit id."""
    _unit_of: dict[str, str] = field(init=False)
    _plans: dict[str, _Plan] = field(init=False)
    _own: dict[tuple[str, str], OwnTarget] = field(init=False)

    def __post_init__(self) -> None:
        site = self.loaded.site
        plans: dict[tuple[int, str], _Plan] = {}
        self.units, self._unit_of, self._plans = {}, {}, {}
        for name, unit in site.units.items():
            profile = self.loaded.profiles[unit.bus]
            key = (id(profile), repr(unit.mqtt))
            if key not in plans:
                plans[key] = _plan(profile, unit.mqtt)
            device = Device(f"{site.site.id}-{name}", unit.title or name, plans[key].nodes, root=site.site.id)
            self.units[name] = device
            self._unit_of[device.id] = name
            self._plans[name] = plans[key]
        nodes, self._own = root_nodes(self.loaded)
        self.root = Device(
            site.site.id,
            site.site.title or site.site.id,
            nodes,
            children=tuple(device.id for device in self.units.values()),
        )

    def units_of(self, bus: str) -> list[str]:
        """The units on a bus; none where there is no such bus."""
        here = self.loaded.site.units.items()
        # The site can be further than its devices: a new file is told of when all of it is in.
        return [name for name, unit in here if unit.bus == bus and name in self.units]

    def unit_of(self, device: str) -> str | None:
        """The unit that a device is; None where it is none of this site."""
        return self._unit_of.get(device)

    def devices(self) -> list[Device]:
        """All devices, the root first."""
        return [self.root, *self.units.values()]

    def set_filters(self) -> list[str]:
        """Topic filters for every ``set`` topic of its own, and of nobody else."""
        return [f"{device.topic}/+/+/set" for device in self.devices()]

    def target(self, topic: str) -> tuple[str | None, Target] | None:
        """What a ``set`` topic is for.

        Returns:
            The unit, None for the root; and what is to be done. None where nothing is settable there.
        """
        parts = topic.split("/")
        if len(parts) != 6 or parts[-1] != "set" or device_topic(parts[2]) != "/".join(parts[:3]):
            return None
        device, node, name = parts[2:5]
        if device == self.root.id:
            own = self._own.get((node, name))
            return None if own is None else (None, own)
        unit = self._unit_of.get(device)
        target = None if unit is None else self._plans[unit].targets.get((node, name))
        return None if target is None else (unit, target)

    def settable(self, unit: str, state: str) -> Property | None:
        """A state's property where it can be set; None where not."""
        plan = self._plans.get(unit)
        found = None if plan is None else plan.targets.get(("state", state))
        return found.property if isinstance(found, SetState) else None


def _plan(profile: CompiledProfile, allowed: MqttActions) -> _Plan:
    def may(action: str) -> bool:
        return allowed == "all" or (allowed != "none" and action in allowed)

    targets: dict[tuple[str, str], UnitTarget] = {}
    states, known, actions = [], [], []
    for name, spec in profile.profile.states.items():
        setters = [spec.set] if isinstance(spec.set, str) else [*(spec.set or {}).values()]
        settable = any(setter in profile.actions and may(setter) for setter in setters)
        each = property_for(name, spec, settable=settable)
        states.append(each)
        known.append(
            Property(name, f"How {each.name} is known", Datatype.ENUM, values=tuple(k.value for k in Known))
        )
        if settable:
            parameter = _needed(profile.actions[spec.set]) if isinstance(spec.set, str) else None
            targets["state", name] = SetState(each, spec, parameter)
    for name, action in profile.actions.items():
        if may(name):
            setter = _set_action(action)
            actions.append(setter.property)
            targets["actions", name] = setter
    nodes = [Node("state", "State", tuple(states)), Node("known", "How the state is known", tuple(known))]
    if actions:
        request = Request(_request(tuple(each.id for each in actions)))
        targets["command", "request"] = request
        nodes.append(Node("actions", "Actions", tuple(actions)))
        nodes.append(Node("command", "Command with an id", (request.property,)))
    nodes.append(Node("last", "Last command", (Property("outcome", "Its outcome", Datatype.JSON),)))
    return _Plan(tuple(node for node in nodes if node.properties), targets)


def _needed(action: CompiledAction) -> str | None:
    """The one parameter that a state's value goes to: the only one without a default, or the only one."""
    given = action.spec.parameters
    needed = [name for name, spec in given.items() if spec.default is None] or [*given]
    return needed[0] if len(needed) == 1 else None


def _set_action(action: CompiledAction) -> SetAction:
    given = action.spec.parameters
    if not given:
        plain = Property(
            action.name, action.title, Datatype.ENUM, settable=True, retained=False, values=(RUN,)
        )
        return SetAction(plain, action.name)
    if len(given) == 1:
        name, spec = next(iter(given.items()))
        single = property_for(action.name, spec, title=action.title, settable=True, retained=False)
        return SetAction(single, action.name, name)
    several = Property(
        action.name,
        action.title,
        Datatype.JSON,
        settable=True,
        retained=False,
        schema=_schema(action),
    )
    return SetAction(several, action.name)


_SCHEMA_TYPES = {
    "boolean": "boolean",
    "integer": "integer",
    "float": "number",
    "enum": "string",
    "text": "string",
    "duration": "number",
}


def _schema(action: CompiledAction) -> dict[str, Any]:
    properties: dict[str, Any] = {}
    for name, spec in action.spec.parameters.items():
        told: dict[str, Any] = {"type": _SCHEMA_TYPES.get(spec.type.value, spec.type.value)}
        if spec.type is ValueType.DURATION:
            # JSON Schema has durations only as texts: seconds are told by the word that Homie has for them.
            told["datatype"] = Datatype.DURATION.value
        if spec.title:
            told["title"] = spec.title
        if spec.range:
            told["minimum"], told["maximum"] = spec.range
        if spec.values:
            told["enum"] = list(spec.values)
        if spec.default is not None:
            told["default"] = spec.default
        properties[name] = told
    needed = [name for name, spec in action.spec.parameters.items() if spec.default is None]
    return object_schema(properties, needed)


def _request(actions: tuple[str, ...]) -> Property:
    text = {"type": "string"}
    properties = {
        "id": {**text, "pattern": "^[A-Za-z0-9._:-]{1,64}$"},
        "action": {**text, "enum": list(actions)},
        "parameters": {"type": "object"},
        "within_s": {"type": "number", "exclusiveMinimum": 0},
        "from": text,
        "agreed": {"type": "boolean"},
    }
    return Property(
        "request",
        "Command with an id",
        Datatype.JSON,
        settable=True,
        retained=False,
        schema=object_schema(properties, ["id", "action"]),
    )
