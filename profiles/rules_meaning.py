"""Rules about what a profile says: states, parameters, what sets what, what asks for what."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from profiles.items import FieldItem
from profiles.model import Action, Effect, Item, Method, Parameter, Reply, StateSpec, Value, ValueType
from profiles.rules import Looked, Path
from profiles.wording import near, value_text

__all__ = ["look_at_meaning"]

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


def look_at_meaning(looked: Looked) -> None:
    """Go through all rules about what the profile says."""
    profile = looked.profile
    _address(looked)
    _times(looked)
    for name, state in profile.states.items():
        _values(looked, ("states", name), state)
        _setting(looked, name, state)
    for name, action in profile.actions.items():
        _action(looked, name, action)
    names: set[str] = set()
    for path, reply in looked.entries("reply"):
        _reply(looked, path, reply)
        for index, action in enumerate(reply.to):
            if not looked.knows("actions", action):
                looked.fault((*path, "to", index), *_no("action", action, looked.names("actions")))
    for path, observation in looked.entries("observations"):
        _sets(looked, (*path, "sets"), observation.sets, dict.fromkeys(_fields(observation.match)))
        if not observation.sets and not observation.event:
            looked.warn(path, "sets no state and raises no event", "add `sets` or `event`")
        if observation.name and observation.name in names:
            looked.fault((*path, "name"), f"another observation is called {observation.name!r}")
        names.add(observation.name or "")
    for path, evidence in looked.entries("evidence"):
        if not looked.knows("actions", evidence.action):
            looked.fault((*path, "action"), *_no("action", evidence.action, looked.names("actions")))
    _probe(looked)
    _told(looked)


def _no(kind: str, name: str, known: Collection[str]) -> tuple[str, str]:
    return f"no {kind} is called {name!r}", near(name, list(known))


def _fields(items: tuple[Item, ...]) -> list[str]:
    return [item.field for item in items if isinstance(item, FieldItem)]


def _address(looked: Looked) -> None:
    address = looked.profile.address
    if address is None or not looked.sound("address"):
        return
    low, high = address.range
    if low < 0 or low > high:
        looked.fault(("address", "range"), f"goes from {low} to {high}", "put the least first, 0 or more")
    elif address.all is not None and low <= address.all <= high:
        looked.fault(
            ("address", "all"),
            f"is {address.all}, which a unit can have too ({low} to {high})",
            "leave it out of the range, or leave `all` out where no address is for all units",
        )
    elif address.all is not None and address.all < 0:
        looked.fault(("address", "all"), f"is {address.all}", "use 0 or more")


def _times(looked: Looked) -> None:
    line, confirm = looked.profile.line, looked.profile.confirm
    if not looked.sound("line"):
        return
    frame_ms = line.frame_time * 1000
    if looked.sound("confirm") and confirm.method is Method.LOOP and confirm.timeout_ms < 2 * frame_ms:
        looked.fault(
            ("confirm", "timeout_ms"),
            f"is shorter than the least time of an echo: two frames take {2 * frame_ms:.3g} ms at this rate",
            "make it several times as long",
        )
    if line.burst_gap_ms < frame_ms:
        looked.warn(
            ("line", "burst_gap_ms"),
            f"is shorter than one frame ({frame_ms:.3g} ms), so that every frame is a burst of its own",
        )
    if line.dead_time * 1000 > line.burst_gap_ms:
        looked.warn(
            ("line", "burst_gap_ms"),
            f"is shorter than the dead time ({line.dead_time * 1000:.3g} ms) that we leave inside a burst",
        )


def _values(looked: Looked, path: Path, spec: Parameter | StateSpec) -> None:
    if spec.type is ValueType.ENUM:
        if not spec.values:
            looked.fault(
                (*path, "values"), "is missing", 'say what it can be, such as values = ["cd", "tuner"]'
            )
        for index, value in enumerate(spec.values):
            if not value or "," in value:
                looked.fault(
                    (*path, "values", index),
                    f"{value!r} is no value",
                    "use a text that is not empty, without commas",
                )
            if value in spec.values[:index]:
                looked.fault((*path, "values", index), f"{value!r} is there already")
    elif spec.values:
        looked.fault((*path, "values"), f"is for an enum, and this is of type {spec.type}", "leave it out")
    if spec.range is not None:
        low, high = spec.range
        if not spec.type.numeric:
            looked.fault((*path, "range"), f"is for numbers, and this is of type {spec.type}", "leave it out")
        elif low > high:
            looked.fault((*path, "range"), f"goes from {low:g} down to {high:g}", "put the least first")
        elif spec.type is ValueType.DURATION and low < 0:
            looked.fault((*path, "range"), f"begins at {low:g} s, and no duration is negative", "begin at 0")
        elif spec.type is ValueType.INTEGER and not (low.is_integer() and high.is_integer()):
            looked.fault(
                (*path, "range"), "has an end that is no whole number", 'use whole ones, or type = "float"'
            )
    if spec.unit and spec.type is ValueType.DURATION:
        looked.fault((*path, "unit"), "is for other types: a duration is in seconds", "leave it out")
    if isinstance(spec, Parameter) and spec.default is not None and (problem := spec.problem(spec.default)):
        looked.fault((*path, "default"), f"{problem}, not {value_text(spec.default)}")


def _unfit(inner: Parameter | StateSpec, outer: Parameter | StateSpec) -> str | None:
    """Why not every value of ``inner`` is one of ``outer``; None where each is."""
    if inner.type is not outer.type and (inner.type, outer.type) != (ValueType.INTEGER, ValueType.FLOAT):
        return f"the one is of type {inner.type}, the other of type {outer.type}"
    strange = [value for value in inner.values if value not in outer.values]
    if strange and inner.type is ValueType.ENUM:
        return f"the one can be {strange[0]!r}, the other can't"
    if outer.range and inner.type.numeric:
        if inner.range is None:
            return f"the one has no range, the other goes from {outer.range[0]:g} to {outer.range[1]:g}"
        if inner.range[0] < outer.range[0] or inner.range[1] > outer.range[1]:
            ends = [f"{low:g} to {high:g}" for low, high in (inner.range, outer.range)]
            return f"the one goes from {ends[0]}, the other from {ends[1]}"
    return None


def _setting(looked: Looked, name: str, state: StateSpec) -> None:
    """The actions that make a state so must be there, fit, and say so."""
    path: Path = ("states", name, "set")
    if isinstance(state.set, str):
        if not looked.knows("actions", state.set):
            looked.fault(path, *_no("action", state.set, looked.names("actions")))
        elif action := looked.profile.actions.get(state.set):
            needed = [p for p in action.parameters.values() if p.default is None] or [
                *action.parameters.values()
            ]
            if len(needed) != 1:
                looked.fault(
                    path,
                    f"{state.set} takes {len(needed)} values, and exactly one is to be set",
                    'give an action for each value instead, such as { true = "power-on" }'
                    if not needed
                    else "give all parameters but one a default",
                )
            elif problem := _unfit(state, needed[0]):
                looked.fault(path, f"{name} and the parameter of {state.set} differ: {problem}")
            elif not _says(action, name):
                parameter = next(key for key, spec in action.parameters.items() if spec is needed[0])
                looked.warn(path, *_silent(state.set, name, f'"{parameter}"'))
    elif state.set is not None:
        for key, action_name in state.set.items():
            _setting_one(looked, (*path, key), state, name, action_name)


def _setting_one(looked: Looked, path: Path, state: StateSpec, name: str, action_name: str) -> None:
    key = str(path[-1])
    value: Value = key
    if state.type is ValueType.BOOLEAN and key in ("true", "false"):
        value = key == "true"
    elif state.type.numeric and re.fullmatch(r"-?\d{1,18}", key):
        value = int(key)
    if problem := state.problem(value):
        looked.fault(path, f"{name} {problem}, not {value_text(key)}")
    if not looked.knows("actions", action_name):
        looked.fault(path, *_no("action", action_name, looked.names("actions")))
        return
    action = looked.profile.actions.get(action_name)
    if action is None or problem:
        return
    if needed := [name for name, parameter in action.parameters.items() if parameter.default is None]:
        looked.fault(
            path, f"{action_name} needs {', '.join(needed)}", "give it a default, or use another action"
        )
        return
    sets = action.sets.get(name)
    if sets is not None and sets != value:
        looked.fault(path, f"{action_name} sets {name} to {value_text(sets)}")
    elif not _says(action, name):
        looked.warn(path, *_silent(action_name, name, value_text(value)))


def _says(action: Action, state: str) -> bool:
    """Whether the action, or an answer to it, tells the state."""
    return state in action.sets or any(state in reply.sets for reply in action.reply)


def _silent(action: str, state: str, value: str) -> tuple[str, str]:
    return (
        f"{action} does not say what {state} is after it",
        f"add sets = {{ {state} = {value} }} to the action",
    )


def _action(looked: Looked, name: str, action: Action) -> None:
    path: Path = ("actions", name)
    sent = _fields(action.send)
    for parameter, spec in action.parameters.items():
        _values(looked, (*path, "parameters", parameter), spec)
        if parameter not in sent:
            looked.fault(
                (*path, "parameters", parameter),
                "is never sent",
                f'add {{ field = "{parameter}" }} to `send`, or leave the parameter out',
            )
    for index, item in enumerate(action.send):
        if isinstance(item, FieldItem) and item.field not in action.parameters:
            looked.fault(
                (*path, "send", index, "field"),
                f"no parameter is called {item.field!r}",
                near(item.field, list(action.parameters))
                or f'add [actions.{name}.parameters.{item.field}] with type = "integer" and a range',
            )
    _sets(looked, (*path, "sets"), action.sets, action.parameters)
    _sets(looked, (*path, "only_if"), action.only_if, {})
    _unsettles(looked, path, action)
    for number, reply in enumerate(action.reply):
        _reply(looked, (*path, "reply", number), reply)
        if reply.to:
            looked.fault((*path, "reply", number, "to"), f"is an answer to {name} alone", "leave `to` out")
    if looked.sound("confirm"):
        answered = looked.profile.confirm.method is Method.REPLY
        if answered and not action.reply:
            looked.fault(
                (*path, "reply"), "is missing", 'confirm.method is "reply": say which answer means done'
            )
        elif action.reply and not answered:
            looked.warn(
                (*path, "reply"), f'is never looked at: confirm.method is "{looked.profile.confirm.method}"'
            )
    if "effect" not in action.model_fields_set:
        looked.warn(
            (*path, "effect"),
            "is missing, which counts as energise",
            'add effect = "energise", "neutral" ...',
        )
    if action.only_if and action.repeatable:
        looked.warn(
            (*path, "repeatable"),
            "is true, so that a toggle whose echo was lost would be sent again, and toggle back",
            "add repeatable = false",
        )


def _reply(looked: Looked, path: Path, reply: Reply) -> None:
    fields = _fields(reply.expect)
    _sets(looked, (*path, "sets"), reply.sets, dict.fromkeys(fields))
    for placeholder in _PLACEHOLDER.findall(reply.why):
        if placeholder not in fields:
            looked.fault((*path, "why"), *_no("field of this reply", placeholder, fields))


def _sets(
    looked: Looked, path: Path, sets: Mapping[str, Value], fields: Mapping[str, Parameter | None]
) -> None:
    """Each state must be known, and each value possible: a field's, or as it stands."""
    by_field: dict[str, StateSpec] = {}
    for state, value in sets.items():
        if not looked.knows("states", state):
            looked.fault((*path, state), *_no("state", state, looked.names("states")))
        spec = looked.profile.states.get(state)
        if spec is None:
            continue
        if not isinstance(value, str) or value not in fields:
            if problem := spec.problem(value):
                hint = near(value, list(fields)) if isinstance(value, str) else ""
                looked.fault((*path, state), f"{problem}, not {value_text(value)}", hint)
            continue
        if value in spec.values:
            looked.fault(
                (*path, state),
                f"{value!r} is both a field and a value of {state}",
                "give the field another name",
            )
        parameter = fields[value]
        other = by_field.setdefault(value, spec)
        if parameter is not None and (problem := _unfit(parameter, spec)):
            looked.fault((*path, state), f"the parameter {value} and the state {state} differ: {problem}")
        elif (
            parameter is None and other is not spec and (other.type, other.values) != (spec.type, spec.values)
        ):
            looked.fault((*path, state), f"{value} sets another state of another type as well")


def _unsettles(looked: Looked, path: Path, action: Action) -> None:
    """What may change must be a state, and none that the action says anyway."""
    for index, state in enumerate(action.unsettles):
        if not looked.knows("states", state):
            looked.fault((*path, "unsettles", index), *_no("state", state, looked.names("states")))
        elif state in action.sets:
            looked.fault(
                (*path, "unsettles", index),
                f"{state} is in `sets` as well",
                "leave it in `sets` where the action says what it becomes, else in `unsettles`",
            )


def _probe(looked: Looked) -> None:
    name = looked.profile.probe
    if name is None or not looked.sound("probe"):
        return
    if not looked.knows("actions", name):
        looked.fault(("probe",), *_no("action", name, looked.names("actions")))
    action = looked.profile.actions.get(name)
    if action is None:
        return
    if action.effect is not Effect.NEUTRAL:
        looked.fault(
            ("probe",),
            f"{name} is no harmless action: its effect is {action.effect}",
            'choose one whose effect is "neutral"',
        )
    if any(parameter.default is None for parameter in action.parameters.values()):
        looked.fault(("probe",), f"{name} needs parameters", "give them defaults, or choose another action")


def _told(looked: Looked) -> None:
    """A state that nothing ever tells stays unknown for ever."""
    if looked.broken:
        return
    profile = looked.profile
    told = {state for action in profile.actions.values() for state in action.sets}
    told |= {state for action in profile.actions.values() for reply in action.reply for state in reply.sets}
    told |= {state for reply in profile.reply for state in reply.sets}
    told |= {state for observation in profile.observations for state in observation.sets}
    for name in profile.states.keys() - told:
        looked.warn(
            ("states", name), "is never set, and so will never be known", "add it to the `sets` of an action"
        )
