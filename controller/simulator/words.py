"""Reading one line of an order word by word, with a clear error for each that is wrong."""

from __future__ import annotations

import re
from collections.abc import Iterable

from profiles.errors import BadValue, InputError

__all__ = ["Words", "time_text"]

_TIME = re.compile(r"(\d+(?:\.\d+)?)(us|ms|s)")
_MICROSECONDS = {"us": 1, "ms": 1_000, "s": 1_000_000}


def time_text(microseconds: int) -> str:
    """A time as it is written in an order: ``8ms``, ``250us``, ``2s``."""
    for unit, size in (("s", 1_000_000), ("ms", 1_000)):
        if microseconds % size == 0 and microseconds:
            return f"{microseconds // size}{unit}"
    return f"{microseconds}us"


class Words:
    """The words of an order that are still to be read.

    Args:
        text: the whole order.
        usage: how it is written, for the error messages.
    """

    def __init__(self, text: str, usage: str = "") -> None:
        self._words = text.split()
        self.usage = usage

    def error(self, what: str) -> InputError:
        """An error about this order that says how it is written."""
        return InputError(what, todo=f"write `{self.usage}`" if self.usage else "`help` lists all orders")

    def next(self, what: str) -> str:
        """The next word.

        Raises:
            InputError: there is none; ``what`` says what is missing.
        """
        if not self._words:
            raise self.error(f"{what} is missing")
        return self._words.pop(0)

    def peek(self) -> str | None:
        """The next word, left where it is."""
        return self._words[0] if self._words else None

    def rest(self) -> str:
        """All that is left, as one text."""
        words, self._words = self._words, []
        return " ".join(words)

    def number(self, what: str, *, least: int = 0) -> int:
        """The next word as a whole number."""
        word = self.next(what)
        if not word.isascii() or not word.isdigit() or int(word[:9]) < least or len(word) > 9:
            raise self.error(f"{what} must be a whole number from {least} up, not {word!r}")
        return int(word)

    def probability(self, what: str) -> float:
        """The next word as a number from 0 to 1."""
        word = self.next(what)
        try:
            value = float(word)
        except ValueError:
            value = -1.0
        if not 0 <= value <= 1:
            raise self.error(f"{what} must be a number from 0 to 1, not {word!r}")
        return value

    def microseconds(self, what: str) -> int:
        """The next word as a time of at most an hour, in microseconds."""
        word = self.next(what)
        found = _TIME.fullmatch(word)
        if not found:
            raise self.error(f"{what} must be a time such as 8ms, 250us or 2s, not {word!r}")
        value = round(float(found[1]) * _MICROSECONDS[found[2]])
        if value > 3_600_000_000:
            raise self.error(f"{what} must be an hour at most, not {word!r}")
        return value

    def hex_bytes(self, what: str) -> bytes:
        """The next word as bytes in hexadecimal, such as A501."""
        word = self.next(what)
        try:
            data = bytes.fromhex(word)
        except ValueError:
            data = b""
        if not data:
            raise self.error(f"{what} must be hexadecimal digit pairs, not {word!r}")
        return data

    def flag(self, word: str) -> bool:
        """Whether ``word`` comes next; it is then read."""
        if self.peek() == word:
            self._words.pop(0)
            return True
        return False

    def choice(self, what: str, choices: Iterable[str]) -> str:
        """The next word, which must be one of ``choices``."""
        word = self.next(what)
        known = list(choices)
        if word not in known:
            raise self.error(f"{what} must be {' or '.join(known)}, not {word!r}")
        return word

    def values(self) -> tuple[tuple[str, str], ...]:
        """All that is left, as ``name=value`` pairs."""
        pairs: dict[str, str] = {}
        while self._words:
            word = self._words.pop(0)
            name, equals, value = word.partition("=")
            if not (name and equals and value):
                raise self.error(f"a parameter is written name=value, not {word!r}")
            if name in pairs:
                raise BadValue(f"{name} is given twice", todo="give it once")
            pairs[name] = value
        return tuple(pairs.items())

    def end(self) -> None:
        """Nothing may be left.

        Raises:
            InputError: something is.
        """
        if self._words:
            raise self.error(f"{self._words[0]!r} is too much")
