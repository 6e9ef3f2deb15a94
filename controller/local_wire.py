"""What goes over the local socket: JSON documents, one a line.

::

    controller   {"linewarden": 1}                                 on connecting, once the token was right
    front end    {"token": "..."}                                  first, over a loopback port only
    front end    {"id": 7, "call": "submit", "arguments": {...}}
    controller   {"id": 7, "result": ...}                          or
                 {"id": 7, "error": {"kind", "what", "where", "todo"}}
    front end    {"id": 8, "call": "subscribe", "arguments": {"kinds": [...], "buses": null}}
    controller   {"id": 8, "record": {"kind": "Traffic", ...}}     any number of these, then
                 {"id": 8, "result": null}                         when it ends
    front end    {"id": 9, "call": "unsubscribe", "arguments": {"id": 8}}

Calls, their arguments and results are those of ``controller.api.ControllerApi``: its signatures are the
only list of them. An id is the front end's to choose, and stands for one call at a time.
"""

from __future__ import annotations

import contextlib
import inspect
import json
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from controller.api import ControllerApi
from controller.plain import from_plain, to_plain
from profiles import errors
from profiles.errors import ControllerError, Fault, FileFaults, InputError, LinewardenError, TemplateError

__all__ = [
    "LONGEST_ANSWER",
    "LONGEST_REQUEST",
    "VERSION",
    "Call",
    "calls",
    "decoded",
    "encoded",
    "error_from_plain",
    "error_to_plain",
]

VERSION = 1
"""Of this protocol; a front end of another one is told so."""
LONGEST_REQUEST = 1 << 20
"""Bytes in a line that a front end sends, its end included."""
LONGEST_ANSWER = 16 << 20
"""Bytes in a line that a controller sends: a front end trusts it, and a large site is one line."""


@dataclass(frozen=True, slots=True)
class Call:
    """One call of the Controller API, by its signature."""

    name: str
    arguments: Mapping[str, Any]
    """Type hints by name."""
    needed: frozenset[str]
    """Those without a default."""
    result: Any
    """Type hint."""

    def read_arguments(self, document: Any) -> dict[str, Any]:
        """The arguments out of plain JSON values.

        Raises:
            InputError: one is missing, unknown, or does not fit.
        """
        if not isinstance(document, dict):
            raise InputError("arguments are no object", where=self.name)
        missing = self.needed - document.keys()
        unknown = document.keys() - self.arguments.keys()
        if missing or unknown:
            words = [f"{name} is missing" for name in sorted(missing)]
            words += [f"there is no {name}" for name in sorted(unknown)]
            raise InputError("; ".join(words), where=self.name)
        try:
            return {name: from_plain(self.arguments[name], value) for name, value in document.items()}
        except InputError as error:
            raise InputError(error.what, where=self.name) from error


@cache
def calls() -> Mapping[str, Call]:
    """The calls of the Controller API by name; ``subscribe``, which gives a stream, among them."""
    found = {}
    for name, method in inspect.getmembers(ControllerApi, inspect.isfunction):
        if name.startswith("_"):
            continue
        hints = typing.get_type_hints(method)
        result = hints.pop("return")
        parameters = inspect.signature(method).parameters
        needed = {each for each in hints if parameters[each].default is inspect.Parameter.empty}
        found[name] = Call(name, hints, frozenset(needed), result)
    return found


def encoded(document: Mapping[str, Any], longest: int) -> bytes:
    """A document as a line.

    Raises:
        InputError: it is longer than a line may be.
    """
    line = json.dumps(document, separators=(",", ":")).encode("ascii") + b"\n"
    if len(line) > longest:
        raise InputError(
            f"is {len(line)} bytes long, and a line has at most {longest}", todo="ask for less at a time"
        )
    return line


def decoded(line: bytes) -> dict[str, Any]:
    """The document in a line.

    Raises:
        InputError: there is none.
    """
    try:
        document = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError("a line is no JSON document", todo="send one object a line") from error
    if not isinstance(document, dict):
        raise InputError("a line is no JSON object", todo="send one object a line")
    return document


def error_to_plain(error: LinewardenError) -> dict[str, Any]:
    """An error as plain JSON values; a file's faults come with it."""
    document = {
        "kind": type(error).__name__,
        "what": error.what,
        "where": error.where,
        "todo": error.todo,
    }
    if isinstance(error, FileFaults):
        document["faults"] = to_plain(error.faults)
    return document


def error_from_plain(document: Any) -> LinewardenError:
    """The error that ``error_to_plain`` told of; of an unknown kind, a ``ControllerError``."""
    told = document if isinstance(document, dict) else {}
    what, where, todo = (str(told.get(key, "")) for key in ("what", "where", "todo"))
    kind = getattr(errors, str(told.get("kind")), None)
    if kind is FileFaults and told.get("faults"):
        with contextlib.suppress(InputError):
            return FileFaults(from_plain(tuple[Fault, ...], told["faults"]))
    if kind is TemplateError:
        return TemplateError(what, todo=todo)
    if isinstance(kind, type) and issubclass(kind, LinewardenError) and kind is not FileFaults:
        return kind(what, where=where, todo=todo)
    return ControllerError(what or "an error without a word", where=where, todo=todo)
