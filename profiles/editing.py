"""Changing single keys of a TOML text, with its comments, its order and its spelling kept.

For whoever edits a profile on a person's behalf. The library that keeps comments is slow to load, so this
stands apart from profiles/storage.py.
"""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from profiles.errors import BadValue
from profiles.locating import Step, key_text
from profiles.storage import parse_toml

__all__ = ["Edit", "edit_text"]


@dataclass(frozen=True, slots=True)
class Edit:
    """One change: a key given a value, or taken out."""

    path: tuple[Step, ...]
    """The key's path; an index one past a list's end adds to it. Tables on the way are made as needed."""
    value: Any = None
    """Plain data: texts, numbers, booleans, dates, lists, dicts; None takes the key out."""


def edit_text(text: str, edits: Sequence[Edit], *, where: str = "") -> str:
    """The text with the changes made.

    Args:
        text: a TOML text.
        edits: the changes, made in their order.
        where: the file's name, for errors.

    Raises:
        FileUnreadable: the text is no TOML.
        BadValue: a change leads nowhere: a key that is not there is taken out, an index is past the end, or a
            step goes into something that is no table; or the text is written so that it can't be changed
            there without changing more.
    """
    import tomlkit

    wanted = parse_toml(text, where)
    for edit in edits:
        _apply(wanted, edit, _plain)
    try:
        document = tomlkit.parse(text)
        for edit in edits:
            _apply(document, edit, _written)
        result = tomlkit.dumps(document)
        says = parse_toml(result, where)
    except Exception as error:  # on odd texts tomlkit ends in whatever its insides run into
        raise BadValue(
            f"can't be changed here by itself ({error})", where=where, todo="edit the text"
        ) from error
    # The one thing that counts is that the text says what was meant.
    if _without_empty(says) != _without_empty(wanted):
        raise BadValue("can't be changed there without changing more", where=where, todo="edit the text")
    return result


def _without_empty(value: Any) -> Any:
    """Data without empty tables: one whose last key is taken out may go with it."""
    if isinstance(value, dict):
        kept = {key: _without_empty(entry) for key, entry in value.items()}
        return {key: entry for key, entry in kept.items() if entry != {}}
    return [_without_empty(entry) for entry in value] if isinstance(value, list) else value


def _plain(value: Any, *, inside: bool) -> Any:
    del inside
    return copy.deepcopy(value)


def _written(value: Any, *, inside: bool) -> Any:
    """A value as profiles are written: tables with a head of their own, and what is inside them in one line.

    Args:
        value: plain data.
        inside: whether it stands in a list or in a table in one line, and so must be in one line itself.
    """
    import tomlkit

    if isinstance(value, dict):
        table: Any = tomlkit.inline_table() if inside else tomlkit.table()
        for key, entry in value.items():
            table[key] = _written(entry, inside=True)
        return table
    if isinstance(value, list):
        array = tomlkit.array()
        for entry in value:
            array.append(_written(entry, inside=True))
        return array
    return tomlkit.item(value)


def _apply(root: Any, edit: Edit, wrap: Any) -> None:
    if not edit.path:
        raise BadValue("an edit needs a key")
    place = root
    for depth, (step, following) in enumerate(zip(edit.path, edit.path[1:], strict=False)):
        _must_hold(place, step, edit.path[:depth])
        if _is_new(place, step):
            if edit.value is None:
                raise BadValue(f"{key_text(edit.path)} is not there")
            _put(place, step, wrap([] if isinstance(following, int) else {}, inside=_inside(place)))
        place = place[step]
    last = edit.path[-1]
    _must_hold(place, last, edit.path[:-1])
    if edit.value is None:
        if _is_new(place, last):
            raise BadValue(f"{key_text(edit.path)} is not there")
        del place[last]
    else:
        _put(place, last, wrap(edit.value, inside=_inside(place)))


def _inside(place: Any) -> bool:
    """Whether what is put here must be in one line."""
    return type(place).__name__ in ("Array", "InlineTable")


def _is_new(place: Any, step: Step) -> bool:
    return step >= len(place) if isinstance(step, int) else step not in place


def _put(place: Any, step: Step, value: Any) -> None:
    if isinstance(step, int) and step == len(place):
        place.append(value)
    else:
        place[step] = value


def _must_hold(place: Any, step: Step, path: tuple[Step, ...]) -> None:
    shown = key_text(path) or "the file"
    if isinstance(step, int):
        if not isinstance(place, list):
            raise BadValue(f"{shown} is no list")
        if not 0 <= step <= len(place):
            raise BadValue(f"{shown} has {len(place)} entries, and none at {step}")
    elif not isinstance(place, dict):
        raise BadValue(f"{shown} is no table")
