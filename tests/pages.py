"""What a page of docs/ says of a file's keys, and what the pydantic models say, in the same words."""

from __future__ import annotations

import re
import types
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

__all__ = ["as_written", "rows", "values_of"]

_UNITS = {"_per_s": "a second", "_s": "s", "_ms": "ms", "_days": "days", "_mb": "MiB"}
"""What a key ends in, the longest first: the unit of its number."""


def rows(text: str, title: str) -> dict[str, tuple[str, ...]]:
    """The keys of a section's table, each with what stands behind its meaning: the default last."""
    section = re.split(r"^#+ ", text.split(f"# {title}\n", 1)[1], maxsplit=1, flags=re.MULTILINE)[0]
    table = section.strip().split("\n\n")[0].splitlines()
    assert table[0].startswith("| key | meaning |"), f"{title}: no table of keys"
    cells = [line.strip("|").split(" | ") for line in table[2:]]
    return {each[0].strip(" `"): tuple(cell.strip() for cell in each[2:]) for each in cells}


def as_written(default: Any) -> str:
    """A default as a page has it."""
    match default:
        case _ if default is PydanticUndefined:
            return "needed"
        case None:
            return "none"
        case bool():
            return f"`{str(default).lower()}`"
        case str():
            return f'`"{default}"`'
        case tuple() | list():
            return "`[" + ", ".join(f'"{entry}"' for entry in default) + "]`" if default else "none"
        case int() | float():
            return f"`{default}`"
        case _:
            return "none"


def values_of(name: str, field: FieldInfo) -> str:
    """What a key can be, as a page has it: its choices, or its least and greatest number with the unit."""
    kind = _bare(field.annotation)
    if kind is bool:
        return "`true`, `false`"
    if get_origin(kind) is Literal:
        return ", ".join(f'`"{choice}"`' for choice in get_args(kind))
    if kind in (int, float):
        return _range(name, field)
    return _text(field) if kind is str else ""


def _bare(annotation: Any) -> Any:
    """A type without ``None`` beside it and without notes on it."""
    if get_origin(annotation) is Annotated:
        return _bare(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        kinds = [kind for kind in get_args(annotation) if kind is not types.NoneType]
        return _bare(kinds[0]) if len(kinds) == 1 else annotation
    return annotation


def _range(name: str, field: FieldInfo) -> str:
    least, most = "", ""
    for limit in field.metadata:
        match limit:
            case annotated_types.Ge():
                least = f"{limit.ge:,} to "
            case annotated_types.Gt():
                least = f"above {limit.gt:,} to "
            case annotated_types.Le():
                most = f"{limit.le:,}"
    unit = next((words for end, words in _UNITS.items() if name.endswith(end)), "")
    return f"{least}{most} {unit}".strip()


def _text(field: FieldInfo) -> str:
    """An id where only an id will do, else a text."""
    return "id" if "pattern=" in f"{field.annotation} {field.metadata}" else "text"
