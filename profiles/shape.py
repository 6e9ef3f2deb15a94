"""Data from a file against a pydantic model: every fault at once, told in our own words.

The models say what a file may hold; pydantic finds where it doesn't. Here its findings become faults with
the key's path as a person wrote it, the line, and what would be right. What can be saved of a faulty file
is kept apart, so that the rest of it can be checked in the same go.
"""

from __future__ import annotations

import types
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Generic, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, Tag, ValidationError

from profiles.errors import Fault
from profiles.locating import Lines, Step, key_text
from profiles.wording import Finding

__all__ = ["MOST_FAULTS", "Rest", "Shape", "Shown", "fit", "in_order", "sound_rest"]

MOST_FAULTS = 500
"""More faults of one file than these are counted and not told."""

M = TypeVar("M", bound=BaseModel)
Path = tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A file's text as faults speak of it."""

    file: str
    """Its name as it was given."""
    lines: Lines

    def fault(self, path: Sequence[Step], what: str, todo: str = "", *, warning: bool = False) -> Fault:
        """A fault of the key at ``path``, with its line."""
        return Fault(self.file, key_text(path), self.lines.line(path), what, todo, warning)


@dataclass(frozen=True, slots=True)
class Shape(Generic[M]):
    """What became of fitting data to a model."""

    model: M | None
    """The model; None where the data has faults."""
    faults: tuple[Fault, ...] = ()
    paths: tuple[Path, ...] = ()
    """The faulty keys, as they stand in the data."""


def fit(model: type[M], data: Mapping[str, Any], shown: Shown) -> Shape[M]:
    """Fit ``data`` to ``model``, or tell every reason why it doesn't."""
    try:
        return Shape(model.model_validate(data))
    except ValidationError as error:
        found = error.errors(include_url=False)
    faults: list[Fault] = []
    paths: dict[Path, None] = {}
    for entry in found:
        path, parent = _place(model, entry["loc"])
        context = entry.get("ctx", {})
        if path in paths or (entry["type"] == "too_short" and len(entry["input"]) >= context["min_length"]):
            continue  # pydantic counts only the entries that are right, and has told of the others
        paths[path] = None
        if len(faults) < MOST_FAULTS:
            finding = Finding(entry["type"], entry["msg"], entry["input"], context, path, _model(parent))
            faults.append(shown.fault(path, *finding.words()))
    if len(paths) > len(faults):
        faults.append(shown.fault((), f"has {len(paths) - len(faults)} more faults that are not listed"))
    return Shape(None, tuple(faults), tuple(paths))


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left of faulty data when its faulty entries are taken out."""

    data: dict[str, Any]
    dropped: frozenset[Path]
    """What was taken out: a key of the file, or an entry of one of its tables or lists."""


def sound_rest(data: Mapping[str, Any], paths: Sequence[Path], entries_of: Sequence[str]) -> Rest:
    """Take the faulty keys out of ``data``.

    Args:
        data: the data of a file.
        paths: the faulty keys in it.
        entries_of: tables and lists of which single entries can be taken out; of all else the whole key is.
    """
    dropped: set[Path] = {path[:2] if path[0] in entries_of else path[:1] for path in paths if path}
    rest: dict[str, Any] = {}
    for key, value in data.items():
        if (key,) in dropped:
            continue
        if isinstance(value, dict):
            value = {name: entry for name, entry in value.items() if (key, name) not in dropped}
        elif isinstance(value, list):
            value = [entry for index, entry in enumerate(value) if (key, index) not in dropped]
        rest[key] = value
    return Rest(rest, frozenset(dropped))


def in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults in the order of their lines; those without one come first."""
    return tuple(sorted(faults, key=lambda fault: fault.line or 0))


def _place(model: type[BaseModel], loc: Sequence[Step]) -> tuple[Path, Any]:
    """The key's path without pydantic's own steps, and the type of what it stands in."""
    path: list[Step] = []
    kind: Any = model
    parent: Any = None
    for step in loc:
        if step == "[key]":
            break
        tagged = _tagged(kind, step) if isinstance(step, str) and step.startswith("is:") else None
        if tagged is not None:
            kind = tagged
            continue
        path.append(step)
        parent, kind = kind, _below(kind, step)
    return tuple(path), parent


def _members(kind: Any) -> list[Any]:
    """A type's alternatives, without what is only annotated to them."""
    if get_origin(kind) is Annotated:
        return _members(get_args(kind)[0])
    if get_origin(kind) in (Union, types.UnionType):
        return [member for arg in get_args(kind) for member in _members(arg)]
    return [kind]


def _tagged(kind: Any, tag: str) -> Any:
    """The alternative of a union that carries this tag."""
    if get_origin(kind) is Annotated:
        inner, *notes = get_args(kind)
        return inner if Tag(tag) in notes else _tagged(inner, tag)
    if get_origin(kind) in (Union, types.UnionType):
        return next((found for arg in get_args(kind) if (found := _tagged(arg, tag)) is not None), None)
    return None


def _below(kind: Any, step: Step) -> Any:
    """The type of what stands at ``step`` in a value of this type."""
    for member in _members(kind):
        if isinstance(step, str) and isinstance(member, type) and issubclass(member, BaseModel):
            for name, field in member.model_fields.items():
                if step == (field.alias or name):
                    return field.annotation
        elif get_origin(member) is dict:
            return get_args(member)[1]
        elif get_origin(member) in (tuple, list):
            return get_args(member)[0]
    return None


def _model(kind: Any) -> type[BaseModel] | None:
    for member in _members(kind):
        if isinstance(member, type) and issubclass(member, BaseModel):
            return member
    return None
