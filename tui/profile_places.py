"""Where things stand in a profile's text, and where a new one belongs. Pure.

The text may be half typed and no TOML at all, so this reads its lines and not its meaning.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass

from profiles.editing import Edit, edit_text
from profiles.errors import BadValue

__all__ = [
    "Part",
    "change_effect",
    "insert_block",
    "insert_parameter",
    "part_at",
    "table_text",
    "value_text",
]

_HEAD = re.compile(r"\s*(\[\[?)([^\[\]]+)\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*="
)
_TOKEN = re.compile(r"\"\"\"|'''|\"(?:[^\"\\]|\\.)*\"|'[^']*'|#.*")
_AFTER = {
    "states": ("states", "address", "confirm", "line"),
    "actions": ("actions", "states", "address", "confirm", "line"),
    "observations": ("observations", "actions", "states", "address", "confirm", "line"),
    "evidence": ("evidence",),
}
"""What a new table comes after: the first of these that is there; else it comes last."""


@dataclass(frozen=True, slots=True)
class Part:
    """What a line of a profile is about."""

    kind: str
    """The table it is in: ``actions``, ``states``, ``observations``, ``line`` ...; empty for none."""
    name: str = ""
    """The action's or state's name."""
    index: int = 0
    """Which of the observations or pieces of evidence, counted from 0."""


@dataclass(frozen=True, slots=True)
class _Head:
    """One ``[table]`` or ``[[table]]``."""

    line: int
    """Counted from 0."""
    path: tuple[str, ...]
    listed: bool


def part_at(text: str, line: int) -> Part:
    """What a line, counted from 1, is about."""
    lines = text.split("\n")
    heads = [head for head in _heads(lines) if head.line < line]
    path: tuple[str, ...] = heads[-1].path if heads else ()
    if len(path) < 2:
        first = heads[-1].line + 1 if heads else 0
        path += next((_path(f[1]) for text in reversed(lines[first:line]) if (f := _KEY.match(text))), ())
    if not path:
        return Part("")
    kind = path[0]
    if kind in ("actions", "states"):
        return Part(kind, path[1] if len(path) > 1 else "")
    index = sum(1 for head in heads if head.listed and head.path == (kind,)) - 1
    return Part(kind, index=max(0, index))


def insert_block(text: str, kind: str, block: str) -> tuple[str, int]:
    """A new table put where its like stand.

    Args:
        text: the profile's text.
        kind: ``states``, ``actions``, ``observations`` or ``evidence``.
        block: the table's lines, its head first.

    Returns:
        The new text, and the index of the block's first character in it.
    """
    lines = text.split("\n")
    heads = _heads(lines)
    last = next((place for wanted in _AFTER[kind] if (place := _last(heads, wanted)) is not None), None)
    following = heads[last + 1].line if last is not None and last + 1 < len(heads) else None
    end = len(lines) if following is None else following
    # A comment above the next table is about that one; at the end of the file it stays with its own.
    while end > 0 and (
        not lines[end - 1].strip() or (following is not None and lines[end - 1].lstrip().startswith("#"))
    ):
        end -= 1
    new = ["", *block.rstrip("\n").split("\n")]
    after = lines[end:] or [""]
    start = sum(len(line) + 1 for line in lines[:end]) + 1
    return "\n".join([*lines[:end], *new, *after]), start


def insert_parameter(text: str, action: str, name: str, spec: dict[str, object]) -> tuple[str, int]:
    """A parameter added to an action, in one line above what it sends.

    Args:
        text: the profile's text.
        action: the action's name.
        name: the parameter's name.
        spec: its keys, such as type and range.

    Returns:
        The new text, and the index of the parameter in it.

    Raises:
        FileUnreadable: the text is no TOML, so that its tables can't be told.
        BadValue: it can't be put in by itself.
    """
    lines = text.split("\n")
    heads = _heads(lines)
    own = next((n for n, head in enumerate(heads) if head.path == ("actions", action)), None)
    if own is not None:
        end = heads[own + 1].line if own + 1 < len(heads) else len(lines)
        at = heads[own].line + 1
        for number in range(at, end):
            found = _KEY.match(lines[number])
            if found and found[1] == "send":
                at = number
                break
        line = f"parameters.{name} = {table_text(spec)}"
        made = "\n".join([*lines[:at], line, *lines[at:]])
        if _reads(made):
            return made, sum(len(line) + 1 for line in lines[:at])
    made = edit_text(text, [Edit(("actions", action, "parameters", name), spec)])
    return made, max(0, made.find(name, made.find(action)))


def change_effect(text: str, action: str, effect: str) -> str:
    """An action's effect set, with all else as it was.

    Raises:
        FileUnreadable: the text is no TOML.
        BadValue: it can't be changed by itself.
    """
    return edit_text(text, [Edit(("actions", action, "effect"), effect)])


def table_text(table: dict[str, object]) -> str:
    """A table in one line, as profiles are written: ``{ hex = "A5" }``."""
    return "{ " + ", ".join(f"{key} = {value_text(value)}" for key, value in table.items()) + " }"


def value_text(value: object) -> str:
    """A value as TOML writes it.

    Raises:
        BadValue: TOML has no such value.
    """
    import tomlkit

    if isinstance(value, dict):
        return table_text(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(each) for each in value) + "]"
    try:
        return tomlkit.item(value).as_string()
    except ValueError as error:
        raise BadValue(f"{value!r} can't be written in a file") from error


def _reads(text: str) -> bool:
    try:
        tomllib.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def _last(heads: list[_Head], kind: str) -> int | None:
    found = [number for number, head in enumerate(heads) if head.path[0] == kind]
    return found[-1] if found else None


def _heads(lines: list[str]) -> list[_Head]:
    """The tables' heads; what looks like one inside a text of several lines is none."""
    heads = []
    fence = ""
    for number, line in enumerate(lines):
        found = _HEAD.match(line) if not fence else None
        if found:
            heads.append(_Head(number, _path(found[2]), found[1] == "[["))
        else:
            fence = _fence_after(line, fence)
    return [head for head in heads if head.path]


def _fence_after(line: str, fence: str) -> str:
    """Which text of several lines is open behind a line; empty for none."""
    place = 0
    while place < len(line):
        if fence:
            place = line.find(fence, place) + len(fence)
            if place < len(fence):
                return fence
            fence = ""
            continue
        token = _TOKEN.search(line, place)
        if token is None or token[0].startswith("#"):
            return ""
        place = token.end()
        if token[0] in ('"""', "'''"):
            fence = token[0]
    return fence


def _path(keys: str) -> tuple[str, ...]:
    return tuple(key.strip().strip("\"'") for key in keys.split("."))
