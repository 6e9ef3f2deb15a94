"""Hypothesis strategies made from a dataclass's type hints, as its JSON converter is."""

from __future__ import annotations

import dataclasses
import enum
import types
import typing
from typing import Any

from hypothesis import strategies as st

_SCALARS: dict[Any, st.SearchStrategy[Any]] = {
    bool: st.booleans(),
    int: st.integers(),
    # Not a number equals nothing, itself included: a round trip can't be checked with it.
    float: st.floats(allow_nan=False),
    str: st.text(max_size=20),
    bytes: st.binary(max_size=20),
    type(None): st.none(),
}


def values_of(hint: Any) -> st.SearchStrategy[Any]:
    """Any value that fits the hint."""
    if hint in _SCALARS:
        return _SCALARS[hint]
    origin, options = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return st.one_of(*map(values_of, options))
    if origin is tuple and options[-1] is not Ellipsis:
        return st.tuples(*map(values_of, options))
    if origin in (tuple, list):
        return st.lists(values_of(options[0]), max_size=4).map(origin)
    if origin is frozenset:
        return st.frozensets(values_of(options[0]), max_size=4)
    if origin is dict:
        return st.dictionaries(values_of(options[0]), values_of(options[1]), max_size=4)
    if issubclass(hint, enum.Enum):
        return st.sampled_from(hint)
    hints = typing.get_type_hints(hint)
    fields = {field.name: values_of(hints[field.name]) for field in dataclasses.fields(hint)}
    return st.builds(hint, **fields)
