"""Where a key stands in a TOML text: the line numbers that faults carry.

The standard library reads TOML and forgets where everything stood, so this walks over the same text once
more, and only when a fault has to be told. It expects text that has been read without an error; of anything
else it gives as many places as it understood.
"""

from __future__ import annotations

import contextlib
import json
import re
import tomllib
from collections.abc import Sequence

__all__ = ["Lines", "key_text"]

Step = str | int

_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_KEY = re.compile(r'[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_STRING = re.compile(
    r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"{3,5}'
    r"|'''(?:[^']|'{1,2}(?!'))*'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}#\n]+")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def key_text(path: Sequence[Step]) -> str:
    """A key's path as it is shown: ``actions.power-on.send[1].check``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
            continue
        text += ("." if text else "") + (step if _BARE.fullmatch(step) else json.dumps(step))
    return text


class Lines:
    """Line numbers of a TOML text, by key path.

    Args:
        text: the text, as it was read without an error.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._places: dict[tuple[Step, ...], int] | None = None

    def line(self, path: Sequence[Step]) -> int | None:
        """The line, counted from 1, of the key, or of the nearest table that it would belong to.

        None where even that has no line of its own.
        """
        if self._places is None:
            scan = _Scan(self._text)
            with contextlib.suppress(_Lost, RecursionError, ValueError):
                scan.document()
            self._places = scan.places
        for length in range(len(path), 0, -1):
            place = self._places.get(tuple(path[:length]))
            if place is not None:
                return self._text.count("\n", 0, place) + 1
        return None


class _Lost(Exception):
    """The text is not what this understands."""


class _Scan:
    """One walk over a text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[tuple[Step, ...], int] = {}
        """Index in the text of each key's first character."""
        self.counts: dict[tuple[Step, ...], int] = {}
        """How many ``[[tables]]`` each list of tables has had so far."""

    def document(self) -> None:
        table: tuple[Step, ...] = ()
        while self.skip(_BLANK) < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)

    def skip(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self.text, self.at)
        if found:
            self.at = found.end()
        return self.at

    def take(self, literal: str) -> bool:
        if self.text.startswith(literal, self.at):
            self.at += len(literal)
            return True
        return False

    def need(self, literal: str) -> None:
        if not self.take(literal):
            raise _Lost

    def header(self) -> tuple[Step, ...]:
        start = self.at
        self.need("[")
        listed = self.take("[")
        keys = self.keys()
        self.need("]]" if listed else "]")
        path: tuple[Step, ...] = ()
        for index, key in enumerate(keys):
            path = (*path, key)
            if listed and index == len(keys) - 1:
                count = self.counts.get(path, 0)
                self.counts[path] = count + 1
                self.places.setdefault(path, start)
                path = (*path, count)
            elif path in self.counts:
                path = (*path, self.counts[path] - 1)
            self.places.setdefault(path, start)
        return path

    def keys(self) -> list[str]:
        found: list[str] = []
        while True:
            self.skip(_SPACE)
            match = _KEY.match(self.text, self.at)
            if not match:
                raise _Lost
            self.at = match.end()
            raw = match.group()
            found.append(next(iter(tomllib.loads(f"{raw} = 0"))) if raw[0] in "\"'" else raw)
            self.skip(_SPACE)
            if not self.take("."):
                return found

    def pair(self, table: tuple[Step, ...]) -> None:
        start = self.at
        path = table
        for key in self.keys():
            path = (*path, key)
            self.places.setdefault(path, start)
        self.need("=")
        self.skip(_SPACE)
        self.value(path)

    def value(self, path: tuple[Step, ...]) -> None:
        if self.take("{"):
            while self.skip(_BLANK) < len(self.text) and not self.take("}"):
                self.pair(path)
                self.skip(_BLANK)
                self.take(",")
        elif self.take("["):
            index = 0
            while self.skip(_BLANK) < len(self.text) and not self.take("]"):
                self.places[*path, index] = self.at
                self.value((*path, index))
                index += 1
                self.skip(_BLANK)
                self.take(",")
        else:
            before = self.at
            quoted = self.text.startswith(('"', "'"), before)
            if self.skip(_STRING if quoted else _PLAIN) == before:
                raise _Lost
