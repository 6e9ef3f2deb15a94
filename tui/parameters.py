"""``name=value`` words into values, by what the action's parameters are."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from controller.api import SiteView, UnitView
from profiles.errors import BadValue
from profiles.model import Value

__all__ = ["find_unit", "read_parameters", "read_value", "read_words"]

_WANTED = {
    "boolean": "true or false",
    "integer": "a whole number",
    "float": "a number",
    "duration": "seconds, or such as 1m30s",
}
_PART = r"(?:(\d+(?:\.\d+)?){})?"
_DURATION = re.compile("(?:PT)?" + "".join(_PART.format(sign) for sign in "HMS"), re.IGNORECASE)


def find_unit(view: SiteView, target: str) -> UnitView | None:
    """The unit of that id; for a bus's id, its first unit (all units of a bus have one profile)."""
    by_id = next((unit for unit in view.units if unit.id == target), None)
    return by_id or next((unit for unit in view.units if unit.bus == target), None)


def read_parameters(words: Sequence[str], unit: UnitView | None, action: str) -> dict[str, Value]:
    """The parameters of an action as they were typed.

    Names and ranges are judged by the gate; here a text only becomes a value of the right type.

    Raises:
        BadValue: a word is no ``name=value``, or stands twice, or is no number where one is needed.
    """
    known: Mapping[str, Mapping[str, object]] = {}
    if unit is not None:
        known = next((a.parameters for a in unit.actions if a.name == action), {})
    return read_words(words, {name: str(spec.get("type", "text")) for name, spec in known.items()})


def read_words(words: Sequence[str], kinds: Mapping[str, str]) -> dict[str, Value]:
    """Words as values, by the types that are known; a name without one is a text.

    Raises:
        BadValue: a word is no ``name=value``, or stands twice, or is no number where one is needed.
    """
    values: dict[str, Value] = {}
    for word in words:
        name, equals, text = word.partition("=")
        if not equals or not name:
            raise BadValue(f"{word!r} is no parameter", todo="write name=value, such as level=20")
        if name in values:
            raise BadValue(f"{name} is given twice")
        values[name] = read_value(name, text, kinds.get(name, "text"))
    return values


def read_value(name: str, text: str, kind: str) -> Value:
    """A text as a value of a type: boolean, integer, float, enum, text, or duration.

    Raises:
        BadValue: it is none of that type.
    """
    try:
        match kind:
            case "boolean":
                return {"true": True, "false": False, "on": True, "off": False}[text.lower()]
            case "integer":
                return int(text, 0)
            case "float":
                return float(text)
            case "duration":
                return _seconds(text)
    except (ValueError, KeyError):
        raise BadValue(f"{name} must be {_WANTED[kind]}, not {text!r}") from None
    return text


def _seconds(text: str) -> float:
    """Seconds as a number, or with the signs of hours, minutes and seconds, also as Homie writes them."""
    found = _DURATION.fullmatch(text.strip())
    if found is None or not any(found.groups()):
        return float(text)
    hours, minutes, seconds = (float(part or 0) for part in found.groups())
    return hours * 3600 + minutes * 60 + seconds
