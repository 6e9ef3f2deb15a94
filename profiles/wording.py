"""Why a value does not fit, in plain words: one sentence for every kind of finding that pydantic has."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from profiles.errors import LinewardenError
from profiles.locating import Step, key_text
from profiles.model import ITEM_KEYS

__all__ = ["Finding", "listing", "near", "value_text"]


def near(name: str, known: Sequence[str]) -> str:
    """A hint at the names that are known: the nearest one, or all where they are few."""
    close = difflib.get_close_matches(name, known, n=1)
    if close:
        return f"did you mean `{close[0]}`?"
    return f"known here: {', '.join(known)}" if 0 < len(known) <= 24 else ""


def listing(names: Sequence[str]) -> str:
    """Names as a sentence has them: ``a, b or c``."""
    return " or ".join((", ".join(names[:-1]), names[-1])) if len(names) > 1 else "".join(names)


def value_text(value: Any) -> str:
    """A value as a person would name it: short, and safe to print whatever is in it."""
    match value:
        case bool():
            return str(value).lower()
        case dict():
            return "a table"
        case list() | tuple():
            return "a list"
        case dt.date() | dt.time():
            return value.isoformat()
        case int() if abs(value) > 10**30:
            return f"one of about {round(value.bit_length() * 0.30103)} digits"
        case _:
            text = repr(value)
            return text if len(text) <= 60 else f"{text[:57]}..."


_KINDS = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "dict_type": "a table",
    "model_type": "a table",
    "tuple_type": "a list in brackets",
    "list_type": "a list in brackets",
    "date_type": "a date such as 2026-01-05, without quotes",
    "finite_number": "a finite number",
}
"""What a value must be, by the kind of the finding."""

_LIMITS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One of pydantic's findings."""

    kind: str
    message: str
    value: Any
    context: Mapping[str, Any]
    path: tuple[Step, ...]
    """The key's path, as a person wrote it."""
    model: type[BaseModel] | None
    """What the key stands in, where that is a table with keys of its own."""

    def words(self) -> tuple[str, str]:
        """What is wrong, and what would be right."""
        match self.kind:
            case kind if kind in _KINDS:
                return f"must be {_KINDS[kind]}, not {value_text(self.value)}", ""
            case kind if kind in _LIMITS:
                key, than = _LIMITS[kind]
                return f"must be {than} {self.context[key]:g}, not {value_text(self.value)}", ""
            case "missing":
                return self._missing()
            case "extra_forbidden":
                return self._unknown()
            case "enum" | "literal_error":
                return self._none_of_them()
            case "string_pattern_mismatch":
                return f"{value_text(self.value)} is no name", "use a-z, 0-9 and hyphens, such as `power-on`"
            case "string_too_short" | "string_too_long" | "too_short" | "too_long":
                return self._length()
            case "value_error":
                error = self.context["error"]
                return (error.what, error.todo) if isinstance(error, LinewardenError) else _halves(str(error))
            case _:  # a kind of our own (profiles/items.py, model.py): its message is a sentence of ours
                return _halves(self.message)

    def _fields(self) -> dict[str, FieldInfo]:
        fields = self.model.model_fields if self.model else {}
        return {field.alias or name: field for name, field in fields.items()}

    def _missing(self) -> tuple[str, str]:
        key = self.path[-1]
        if isinstance(key, int):
            return "is missing: the list is too short", ""
        field = self._fields().get(key)
        if field is None:
            return "is missing", ""
        if field.examples:
            return "is missing", f"add `{key} = {field.examples[0]}`"
        return "is missing", f"add the table `[{key_text(self.path)}]`"

    def _unknown(self) -> tuple[str, str]:
        known = list(self._fields())
        if known and known[0] in ITEM_KEYS and self.path[-1] in ITEM_KEYS:
            return f"stands beside `{known[0]}`", "an item is one thing: write two items"
        return "is no key here", near(str(self.path[-1]), known)

    def _none_of_them(self) -> tuple[str, str]:
        names = re.findall(r"'([^']*)'", self.context["expected"])
        close = difflib.get_close_matches(self.value, names, n=1) if isinstance(self.value, str) else []
        hint = f'did you mean "{close[0]}"?' if close else ""
        quoted = [f'"{name}"' for name in names]
        return f"must be {listing(quoted)}, not {value_text(self.value)}", hint

    def _length(self) -> tuple[str, str]:
        if not self.value:
            return "is empty", ""
        of = "characters" if isinstance(self.value, str) else "entries"
        return f"has {len(self.value)} {of}, and {self.context['max_length']} are the most", ""


def _halves(sentence: str) -> tuple[str, str]:
    """What is wrong and what would be right, of a sentence that has both with a semicolon between."""
    what, _, todo = sentence.partition("; ")
    return what, todo
