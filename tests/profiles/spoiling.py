"""Data of a file with something wrong in it, anywhere: for the tests of what is told of it."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

from hypothesis import strategies as st

SHIPPED: list[dict[str, Any]] = [
    tomllib.loads(file.read_text("utf-8"))
    for file in sorted((Path(__file__).parents[2] / "profiles" / "builtin").glob("*.toml"))
]

_NOT_THERE = None
_WRONG: list[Any] = [
    _NOT_THERE, 0, -1, 7.5, float("nan"), float("inf"), 10**400, True, "", "x", "A5",
    [], [1], {}, {"hex": 1}, [{"hex": "A5"}],
]  # fmt: skip

# What no person should ever read: the words and marks of the machinery behind the faults.
FOREIGN = (
    "Input should",
    "pydantic",
    "Field required",
    "Extra inputs",
    "http",
    "is:",
    "[key]",
    "constrained",
)


def all_paths(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """The paths of everything in the data."""
    entries: Any = ()
    if isinstance(value, dict):
        entries = value.items()
    elif isinstance(value, list):
        entries = enumerate(value)
    found = [path] if path else []
    for step, entry in entries:
        found += all_paths(entry, (*path, step))
    return found


@st.composite
def spoiled(draw: st.DrawFn, *originals: dict[str, Any]) -> dict[str, Any]:
    """One of the originals with one to four things in it changed, renamed or taken out."""
    data: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(originals)))
    for _ in range(draw(st.integers(1, 4))):
        places = all_paths(data)
        if not places:
            break
        *above, last = draw(st.sampled_from(places))
        place: Any = data
        for step in above:
            place = place[step]
        value = draw(st.sampled_from(_WRONG))
        if value is not _NOT_THERE:
            place[last] = copy.deepcopy(value)
            continue
        entry = place.pop(last)
        if isinstance(place, dict) and draw(st.booleans()):
            place["unheard-of"] = entry
    return data
