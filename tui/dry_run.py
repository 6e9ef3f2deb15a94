"""What an action would send and an observation would match, without sending anything. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from profiles.compiled import CompiledAction, CompiledProfile, resolve
from profiles.errors import LinewardenError
from profiles.model import SCHEMA, Parameter, Profile, Value, ValueType
from profiles.parts import AddressPart, AnyPart, CheckPart, ConstantPart, CounterPart, FieldPart
from profiles.storage import parse_toml
from profiles.template import ByteTemplate
from tui.telling import hexadecimal, value_word

__all__ = [
    "DryRun",
    "dry_run",
    "example_values",
    "matched",
    "only_action",
    "only_observation",
    "template_words",
]


@dataclass(frozen=True, slots=True)
class DryRun:
    """One action, with values that it could have."""

    head: str
    """The action with its values, and to whom."""
    data: bytes
    """What would be sent; empty where that can't be told."""
    words: tuple[str, ...]
    """What it sets, what else is to be known of it, or why it can't be built."""


def example_values(action: CompiledAction) -> dict[str, Value]:
    """A value for each parameter: its default, or one from the middle of what it takes."""
    return {name: _example(action, name, spec) for name, spec in action.spec.parameters.items()}


def _example(action: CompiledAction, name: str, spec: Parameter) -> Value:
    if spec.default is not None:
        return spec.default
    for part in action.send.fields:
        if part.name == name and part.by_value:
            return next(iter(part.by_value))
    match spec.type:
        case ValueType.BOOLEAN:
            return True
        case ValueType.ENUM:
            return spec.values[0] if spec.values else ""
        case ValueType.TEXT:
            return "text"
    middle = (spec.range[0] + spec.range[1]) / 2 if spec.range else 1.0
    return int(middle) if spec.type is ValueType.INTEGER else middle


def dry_run(action: CompiledAction, address: int | None, unit: str) -> DryRun:
    """What an action would send.

    Args:
        action: the action.
        address: the unit's address; None where it has none.
        unit: what the unit is called.
    """
    values = example_values(action)
    given = "".join(f" {name}={value_word(value)}" for name, value in values.items())
    place = f" (address {address})" if action.send.addressed and address is not None else ""
    head = f"{action.name}{given} to {unit}{place}"
    words = []
    try:
        message = action.message(action.parameters(values), address=address)
        sets = resolve(action.spec.sets, values)
    except LinewardenError as error:
        return DryRun(head, b"", (str(error),))
    if sets:
        words.append("sets " + ", ".join(f"{name} {value_word(value)}" for name, value in sets.items()))
    if action.spec.unsettles:
        words.append(f"{', '.join(action.spec.unsettles)} unknown after it")
    words.append(f"effect {action.spec.effect.value}")
    if action.spec.repeat > 1:
        words.append(f"sent {action.spec.repeat} times")
    words += [
        f"{pause.seconds * 1000:g} ms of quiet before byte {pause.before + 1}" for pause in message.pauses
    ]
    if action.send.counters:
        words.append("counters at their start")
    if action.twins:
        words.append(f"says the same bytes as {', '.join(action.twins)}")
    return DryRun(head, message.data, tuple(words))


def only_action(text: str, name: str) -> CompiledProfile | None:
    """A profile of one action alone, out of a text that has faults elsewhere; None where it has some itself.

    Its line settings and confirmation stand in: the bytes do not depend on them.
    """
    return _only(text, "actions", name, ("sets", "unsettles", "only_if"))


def only_observation(text: str, index: int) -> CompiledProfile | None:
    """The same with one observation, which is then the profile's first."""
    return _only(text, "observations", index, ("sets",))


def _only(text: str, kind: str, key: str | int, without: tuple[str, ...]) -> CompiledProfile | None:
    try:
        data = parse_toml(text, "")
        kept = {name: data[name] for name in ("address",) if name in data}
        entry = {name: value for name, value in data[kind][key].items() if name not in without}
        alone = {key: entry} if isinstance(key, str) else [entry]
        return CompiledProfile(Profile.model_validate({**_STAND_INS, **kept, kind: alone}))
    except (LinewardenError, ValueError, LookupError, TypeError, AttributeError):
        return None


_STAND_INS = {"schema": SCHEMA, "name": "x", "line": {"baud": 9600}, "confirm": {"method": "none"}}


def matched(profile: CompiledProfile, index: int) -> DryRun | None:
    """What an observation matches, by its place in the file; None where there is none."""
    if not 0 <= index < len(profile.observations):
        return None
    observation = profile.observations[index]
    spec = observation.spec
    words = [template_words(observation.match)]
    if spec.sets:
        words.append("sets " + ", ".join(f"{name} {value_word(value)}" for name, value in spec.sets.items()))
    if spec.event:
        words.append(f"raises {spec.event}")
    return DryRun(f"{spec.title or spec.name or 'this observation'} is what is heard as", b"", tuple(words))


def template_words(template: ByteTemplate) -> str:
    """A template's bytes, with a word for each stretch that changes."""
    return " ".join(_part_words(part) for part in template.parts)


def _part_words(part: object) -> str:
    match part:
        case ConstantPart():
            return hexadecimal(part.data)
        case AddressPart():
            return "<address>"
        case FieldPart() | CounterPart():
            return f"<{part.name}>"
        case CheckPart():
            return f"<{part.check.name}>"
        case AnyPart():
            return f"<any {part.size}>"
        case _:
            return "<?>"
