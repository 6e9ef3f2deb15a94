"""Between dataclasses and plain JSON values, by their type hints: once, for records and calls alike.

Going out, bytes become hexadecimal, enums their values, tuples and sets lists. Coming in, every value is held
against its type hint, so that what arrives from outside is either right or refused with the path of what is
wrong. Names that a dataclass does not have are passed over: a newer program may send more.
"""

from __future__ import annotations

import dataclasses
import enum
import types
import typing
from collections.abc import Callable
from functools import cache
from typing import Any

from profiles.errors import InputError

__all__ = ["from_plain", "to_plain"]

_Reader = Callable[[Any], Any]

_AS_IT_IS = frozenset((bool, int, float, str, type(None)))
_SCALARS: dict[Any, str] = {bool: "true or false", int: "a whole number", float: "a number", str: "text"}


class _UnfitError(ValueError):
    """A value does not fit its type hint."""


def to_plain(value: Any) -> Any:
    """``value`` as plain JSON values: None, bool, int, float, str, list, and dict with text for keys."""
    kind: Any = type(value)
    return _writer(kind)(value)


def from_plain(hint: Any, value: Any) -> Any:
    """What ``to_plain`` made ``value`` of, by its type hint.

    Args:
        hint: a dataclass, an enum, bytes, bool, int, float, str or None; a tuple of one type, a list, a
            frozenset or a dict with text for keys of these; or a union of them.
        value: plain JSON values.

    Raises:
        InputError: it does not fit the hint.
    """
    try:
        return _reader(hint)(value)
    except _UnfitError as error:
        name = hint.__name__ if isinstance(hint, type) else str(hint)
        raise InputError(f"is no {name}: {error}") from error


@cache
def _writer(kind: type) -> Callable[[Any], Any]:
    if issubclass(kind, enum.Enum):
        return lambda value: value.value
    if issubclass(kind, bytes):
        return kind.hex
    if dataclasses.is_dataclass(kind):
        names = [field.name for field in dataclasses.fields(kind)]

        def fields(value: Any) -> dict[str, Any]:
            found = {}
            for name in names:
                item = getattr(value, name)
                # Most fields are scalars, and every command is written once on its way to the line.
                found[name] = item if type(item) in _AS_IT_IS else to_plain(item)
            return found

        return fields
    if issubclass(kind, tuple | list):
        return lambda value: [to_plain(item) for item in value]
    if issubclass(kind, set | frozenset):
        return lambda value: sorted(to_plain(item) for item in value)
    if issubclass(kind, dict):
        return lambda value: {key: to_plain(item) for key, item in value.items()}
    return lambda value: value


@cache
def _reader(hint: Any) -> _Reader:
    origin = typing.get_origin(hint)
    options = typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return _union(options)
    if origin in (tuple, list, frozenset):
        return _sequence(origin, _reader(options[0]))
    if origin is dict:
        return _mapping(_reader(options[1]))
    if hint in _SCALARS or hint in (None, type(None)):
        return _scalar(hint)
    if isinstance(hint, type):
        if issubclass(hint, enum.Enum):
            return _member(hint)
        if issubclass(hint, bytes):
            return _hexadecimal
        if dataclasses.is_dataclass(hint):
            return _dataclass(hint)
    if hint is Any:
        return lambda value: value
    raise TypeError(f"no way to read {hint!r} is known")


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."


def _scalar(hint: Any) -> _Reader:
    if hint in (None, type(None)):

        def nothing(value: Any) -> None:
            if value is not None:
                raise _UnfitError(f"{_shown(value)} is not null")

        return nothing

    def scalar(value: Any) -> Any:
        if type(value) is hint:
            return value
        if hint is float and type(value) is int:
            try:
                return float(value)
            except OverflowError as error:
                raise _UnfitError("a number is too large") from error
        raise _UnfitError(f"{_shown(value)} is not {_SCALARS[hint]}")

    return scalar


def _union(options: tuple[Any, ...]) -> _Reader:
    exact = tuple(option for option in options if option in _SCALARS or option is type(None))
    readers = [_reader(option) for option in options]
    words = [_SCALARS[option] for option in exact if option is not type(None)]

    def union(value: Any) -> Any:
        if type(value) in exact:
            return value
        faults = []
        for option, reader in zip(options, readers, strict=True):
            try:
                return reader(value)
            except _UnfitError as error:
                if option not in exact:
                    faults.append(error)
        raise faults[0] if faults else _UnfitError(f"{_shown(value)} is not {' or '.join(words)}")

    return union


def _sequence(origin: type, read: _Reader) -> _Reader:
    def sequence(value: Any) -> Any:
        if not isinstance(value, list):
            raise _UnfitError(f"{_shown(value)} is not a list")
        return origin(_each(enumerate(value), read))

    return sequence


def _mapping(read: _Reader) -> _Reader:
    def mapping(value: Any) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise _UnfitError(f"{_shown(value)} is not an object")
        return dict(zip(value, _each(value.items(), read), strict=True))

    return mapping


def _each(items: typing.Iterable[tuple[Any, Any]], read: _Reader) -> list[Any]:
    found = []
    for key, item in items:
        try:
            found.append(read(item))
        except _UnfitError as error:
            raise _UnfitError(f"{key}: {error}") from error
    return found


def _member(kind: type[enum.Enum]) -> _Reader:
    members = {member.value: member for member in kind}

    def member(value: Any) -> enum.Enum:
        try:
            return members[value]
        except (KeyError, TypeError) as error:
            raise _UnfitError(f"{_shown(value)} is not one of {', '.join(map(str, members))}") from error

    return member


def _hexadecimal(value: Any) -> bytes:
    try:
        return bytes.fromhex(value)
    except (TypeError, ValueError) as error:
        raise _UnfitError(f"{_shown(value)} is not hexadecimal") from error


def _dataclass(kind: type) -> _Reader:
    hints = typing.get_type_hints(kind)
    fields = {field.name: _reader(hints[field.name]) for field in dataclasses.fields(kind)}
    needed = {
        field.name
        for field in dataclasses.fields(kind)
        if field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING
    }

    def read(value: Any) -> Any:
        if not isinstance(value, dict):
            raise _UnfitError(f"{_shown(value)} is not an object")
        missing = needed - value.keys()
        if missing:
            raise _UnfitError(f"{', '.join(sorted(missing))} is missing")
        given = [name for name in value if name in fields]
        found = []
        for name in given:
            try:
                found.append(fields[name](value[name]))
            except _UnfitError as error:
                raise _UnfitError(f"{name}: {error}") from error
        return kind(**dict(zip(given, found, strict=True)))

    return read
