"""Homie 5 payloads: a property's values to bytes, and bytes to values, by the convention's datatypes.

Section names in this module are those of the Homie convention, version 5. Pure.
"""

from __future__ import annotations

import enum
import json
import math
import re
from dataclasses import dataclass, field
from typing import Any

from profiles.errors import BadValue
from profiles.model import Parameter, StateSpec, Value, ValueType

__all__ = ["Datatype", "Property", "decode", "duration", "encode", "property_for"]


class Datatype(enum.StrEnum):
    """The datatypes in use here; the convention has two more, color and datetime [Payloads]."""

    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    DURATION = "duration"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class Property:
    """One property of a node, and what its payloads can be."""

    id: str
    name: str
    datatype: Datatype
    settable: bool = False
    retained: bool = True
    unit: str = ""
    range: tuple[float, float] | None = None
    """Least and greatest value of a number, of a duration in seconds, both allowed."""
    values: tuple[str, ...] = ()
    """What an enum can be."""
    schema: dict[str, Any] | None = field(default=None, hash=False)
    """A JSON schema, for json."""

    @property
    def format(self) -> str | None:
        """The description's ``format``; None where there is nothing to say [Formats]."""
        match self.datatype:
            case Datatype.ENUM:
                return ",".join(self.values)
            case Datatype.INTEGER if self.range:
                return f"{math.ceil(self.range[0])}:{math.floor(self.range[1])}"
            case Datatype.FLOAT if self.range:
                return f"{_number(self.range[0])}:{_number(self.range[1])}"
            case Datatype.JSON if self.schema:
                return json.dumps(self.schema, ensure_ascii=False, separators=(",", ":"))
        return None

    def described(self) -> dict[str, Any]:
        """The property in a device's description: what is as by default is left out, nothing is null."""
        told: dict[str, Any] = {"name": self.name, "datatype": self.datatype.value}
        if self.format is not None:
            told["format"] = self.format
        if self.settable:
            told["settable"] = True
        if not self.retained:
            told["retained"] = False
        if self.unit:
            told["unit"] = self.unit
        return told


_KINDS = {
    ValueType.BOOLEAN: Datatype.BOOLEAN,
    ValueType.INTEGER: Datatype.INTEGER,
    ValueType.FLOAT: Datatype.FLOAT,
    ValueType.ENUM: Datatype.ENUM,
    ValueType.TEXT: Datatype.STRING,
    ValueType.DURATION: Datatype.DURATION,
}


def property_for(
    name: str, spec: StateSpec | Parameter, *, title: str = "", settable: bool = False, retained: bool = True
) -> Property:
    """The property that a state, or an action's only parameter, is."""
    datatype = _KINDS[spec.type]
    if datatype is Datatype.ENUM and any("," in value or not value for value in spec.values):
        # An enum's format is a list with commas; such values can only go as strings.
        datatype = Datatype.STRING
    return Property(
        name,
        title or spec.title or name,
        datatype,
        settable,
        retained,
        spec.unit,
        spec.range,
        spec.values if datatype is Datatype.ENUM else (),
    )


# To bytes

_LEAST, _GREATEST = -(2**63), 2**63 - 1


def encode(value: Value, datatype: Datatype) -> bytes | None:
    """A value's payload, or None where the datatype has none for it (no number, more than 64 bits)."""
    match datatype:
        case Datatype.BOOLEAN:
            return b"true" if value else b"false"
        case Datatype.INTEGER:
            whole = int(value)
            return str(whole).encode() if _LEAST <= whole <= _GREATEST else None
        case Datatype.FLOAT:
            number = float(value)
            return _number(number).encode() if math.isfinite(number) else None
        case Datatype.DURATION:
            seconds = float(value)
            return duration(seconds) if 0 <= seconds < 3600 * 10**_LONGEST_DURATION else None
    text = str(value).removeprefix("\ufeff")
    # An empty payload would delete the topic: the empty string is one zero byte. [Empty string values]
    return text.encode("utf-8", "replace") or b"\0"


def _number(number: float) -> str:
    """A float in the signs that the convention allows: no plus [Float]."""
    return repr(float(number)).replace("e+", "e")


def duration(seconds: float) -> bytes:
    """Seconds as a duration, such as ``PT1H30M`` or ``PT0.5S``, to the microsecond [Duration]."""
    whole, micro = divmod(max(0, round(seconds * 1_000_000)), 1_000_000)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    fraction = f"{rest}.{micro:06d}".rstrip("0") if micro else str(rest)
    parts = [f"{count}{sign}" for count, sign in ((hours, "H"), (minutes, "M")) if count]
    parts += [f"{fraction}S"] if rest or micro else []
    return f"PT{''.join(parts) or '0S'}".encode()


# From bytes

_INTEGER = re.compile(r"-?[0-9]+")
_FLOAT = re.compile(r"-?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE]-?[0-9]+)?")
_DURATION = re.compile(r"PT(?:([0-9]+)H)?(?:([0-9]+)M)?(?:([0-9]+(?:[.,][0-9]+)?)S)?")
_LONGEST_DURATION = 10


def decode(payload: bytes, spec: Property) -> Any:
    """The value that a payload says: of a duration its seconds, of json its document.

    Raises:
        BadValue: it is not valid for the property's datatype or format.
    """
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise BadValue("is no UTF-8") from None
    if text.startswith("\ufeff"):
        raise BadValue("begins with a byte-order mark")
    if text == "\0":
        text = ""
    match spec.datatype:
        case Datatype.BOOLEAN:
            if text not in ("true", "false"):
                raise BadValue("must be true or false")
            return text == "true"
        case Datatype.ENUM:
            if text not in spec.values:
                raise BadValue(f"must be one of {', '.join(spec.values)}")
            return text
        case Datatype.INTEGER | Datatype.FLOAT:
            return _in_range(_read_number(text, spec.datatype), spec)
        case Datatype.DURATION:
            return _in_range(_read_duration(text), spec)
        case Datatype.JSON:
            return _read_json(text)
    return text


def _read_number(text: str, datatype: Datatype) -> int | float:
    if datatype is Datatype.INTEGER:
        if len(text) > 20 or not _INTEGER.fullmatch(text) or not _LEAST <= int(text) <= _GREATEST:
            raise BadValue("must be a whole number of 64 bits")
        return int(text)
    if not _FLOAT.fullmatch(text) or not math.isfinite(float(text)):
        raise BadValue("must be a number such as 21.5")
    return float(text)


def _in_range(number: float, spec: Property) -> float:
    if spec.range and not spec.range[0] <= number <= spec.range[1]:
        raise BadValue(f"must be from {spec.format or f'{spec.range[0]:g} to {spec.range[1]:g} s'}")
    return number


def _read_duration(text: str) -> float:
    found = _DURATION.fullmatch(text)
    parts = found.groups() if found else ()
    if not any(parts) or any(len(part or "") > _LONGEST_DURATION for part in parts):
        raise BadValue("must be a duration such as PT30S")
    hours, minutes, seconds = (float((part or "0").replace(",", ".")) for part in parts)
    return hours * 3600 + minutes * 60 + seconds


def _read_json(text: str) -> Any:
    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            raise ValueError("a name stands twice")
        return found

    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no JSON")

    try:
        document = json.loads(text, object_pairs_hook=once, parse_constant=refuse)
        # JSON can name half a character (RFC 8259, chapter 8.2); what has one in it can be written nowhere.
        json.dumps(document, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        raise BadValue("has half a character in it") from None
    except (ValueError, RecursionError):
        raise BadValue("is no JSON, or has a name twice") from None
    if not isinstance(document, dict | list):
        raise BadValue("must be a JSON object or array")
    return document
