"""What the pages say: the commands that they show, and of a file's keys what the pydantic models say too."""

from __future__ import annotations

import re
import types
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import annotated_types
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

__all__ = ["PAGES", "ROOT", "Shown", "as_written", "rows", "shown_commands", "values_of"]

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
_BLOCK = re.compile(r"```[a-z]*\n(.*?)```", re.DOTALL)
_COMMAND = re.compile(r"(?:sudo (?:-u \w+ )?)?(linewarden .*)")

_UNITS = {"_per_s": "a second", "_s": "s", "_ms": "ms", "_days": "days", "_mb": "MiB"}
"""What a key ends in, the longest first: the unit of its number."""


@dataclass(frozen=True, slots=True)
class Shown:
    """A `linewarden` command that a page shows."""

    page: str
    """The page's file name."""
    text: str
    """The command, as one line."""
    block: bool = True
    """Whether it stands in a block of its own, and not within a sentence."""


def shown_commands() -> list[Shown]:
    """Every command of every page: each line of a block, and in sentences those of more than one word."""
    found = []
    for path in PAGES:
        page = path.read_text(encoding="utf-8")
        for block in _BLOCK.findall(page):
            for line in block.replace("\\\n", " ").splitlines():
                command = _COMMAND.fullmatch(line.strip().removeprefix("$ ").split(" #", 1)[0].strip())
                if command and not command[1].startswith("linewarden: "):
                    found.append(Shown(path.name, command[1]))
        for text in re.findall(r"`(linewarden [^`]+)`", _BLOCK.sub("", page)):
            words = text.split()
            if len(words) > 2:
                found.append(Shown(path.name, " ".join(words), block=False))
    return found


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
