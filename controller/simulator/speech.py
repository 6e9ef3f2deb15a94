"""What a simulated unit says: templates filled from its states, the other way round than they are read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import islice

from profiles.compiled import CompiledObservation, CompiledProfile
from profiles.errors import BadValue
from profiles.fields import FieldPart
from profiles.model import Sets, StateSpec, Value, ValueType
from profiles.template import ByteTemplate

__all__ = ["all_it_can_say", "fill", "first_value", "fits", "initial_value", "tells", "write"]


def initial_value(spec: StateSpec) -> Value:
    """What a state is after the mains came on: off, least, first or empty."""
    match spec.type:
        case ValueType.BOOLEAN:
            return False
        case ValueType.ENUM:
            return spec.values[0] if spec.values else ""
        case ValueType.TEXT:
            return ""
        case ValueType.INTEGER:
            return int(spec.range[0]) if spec.range else 0
        case ValueType.FLOAT | ValueType.DURATION:
            return float(spec.range[0]) if spec.range else 0.0


def _values(part: FieldPart) -> Iterator[Value]:
    """The values that a field can have, in the order of their raw numbers."""
    if part.by_raw is not None:
        yield from (part.by_raw[raw] for raw in sorted(part.by_raw))
        return
    least, greatest = part.number.least, part.number.greatest
    if part.typed and part.typed.range and part.typed.type.numeric:
        low, high = part.typed.range
        least, greatest = (part.raw(int(end) if end == int(end) else end) for end in (low, high))
    for raw in range(least, greatest + 1):
        value = part.read(part.number.write(raw))
        if value is not None:
            yield value


def first_value(part: FieldPart, *, skip: int = 0) -> Value:
    """The first value that a field can have, or the one after ``skip`` others where there are so many.

    Raises:
        BadValue: it can have none.
    """
    found = list(islice(_values(part), skip + 1))
    if not found:
        raise BadValue(f"{part.name} can have no value at all", todo="mend its field in the profile")
    return found[-1]


def write(part: FieldPart, value: Value) -> bytes:
    """A field's bytes.

    Raises:
        BadValue: it can't have that value.
    """
    problem = part.typed.problem(value) if part.typed else None
    if problem:
        raise BadValue(f"{part.name} {problem}, not {value!r}")
    return part.number.write(part.raw(value))


def fill(
    template: ByteTemplate,
    sets: Sets,
    states: Mapping[str, Value],
    given: Mapping[str, Value],
) -> dict[str, Value]:
    """A value for each field of a message.

    A field that tells a state has that state's value; then comes what was asked (``given``), then the
    state of the field's own name, then the first value that it can have.
    """
    told = {field: state for state, field in sets.items() if isinstance(field, str)}
    values: dict[str, Value] = {}
    for part in template.fields:
        for candidate in (states.get(told.get(part.name, "")), given.get(part.name), states.get(part.name)):
            if candidate is not None and _writable(part, candidate):
                values[part.name] = candidate
                break
        else:
            values[part.name] = first_value(part)
    return values


def _writable(part: FieldPart, value: Value) -> bool:
    try:
        write(part, value)
    except BadValue:
        return False
    return True


def fits(sets: Sets, template: ByteTemplate, states: Mapping[str, Value]) -> bool:
    """Whether what a message says as a constant is so: ``sets`` without those that a field tells."""
    fields = {part.name for part in template.fields}
    return all(states.get(state) == value for state, value in sets.items() if value not in fields)


def tells(
    profile: CompiledProfile, changed: set[str], states: Mapping[str, Value]
) -> list[CompiledObservation]:
    """The observations that together tell the changed states, in the profile's order."""
    out: list[CompiledObservation] = []
    untold = set(changed)
    for observation in profile.observations:
        told = untold & observation.spec.sets.keys()
        if told and fits(observation.spec.sets, observation.match, states):
            out.append(observation)
            untold -= told
    return out


def all_it_can_say(profile: CompiledProfile, address: int | None, most_each: int = 16) -> list[bytes]:
    """Messages of every observation, each with up to ``most_each`` different values of its fields.

    Raises:
        BadValue: the profile has no observation.
    """
    messages: list[bytes] = []
    for observation in profile.observations:
        template = observation.match
        columns = [list(islice(_values(part), most_each)) for part in template.fields]
        for row in range(max((len(column) for column in columns), default=1)):
            values = {
                part.name: column[row % len(column)]
                for part, column in zip(template.fields, columns, strict=True)
            }
            messages.append(template.build(values, address=address).data)
    if not messages:
        raise BadValue(f"{profile.profile.name} has no observation to fill the line with")
    return messages
