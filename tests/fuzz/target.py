"""What a thing to be fuzzed is: where inputs go in, what they are made from, and what may come of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path

__all__ = ["FIELD", "MESSAGE", "Target", "Trial", "fields", "messages"]

MESSAGE, FIELD = b"\x1e", b"\x1f"
"""What parts messages, and a message's fields, where an input is several (ASCII's separators)."""

Trial = Callable[[bytes], None]
"""Tries one input. What it raises is a finding: a trial itself takes what bad input is refused with."""


@dataclass(frozen=True, slots=True)
class Target:
    """One way in."""

    name: str
    prepare: Callable[[Path], AbstractContextManager[Trial]]
    """Makes everything that all trials share, in a folder of its own, and takes it away again."""
    seeds: Callable[[Path], Iterable[bytes]]
    """Good inputs, from the repository's own examples; the folder is for files made on the way."""
    words: str = ""
    """What inputs of this kind are written with, parted by blanks."""
    longest: int = 1 << 16
    """Bytes of the largest input."""


def messages(data: bytes) -> list[bytes]:
    """The messages of an input."""
    return data.split(MESSAGE)


def fields(message: bytes, count: int) -> list[bytes]:
    """So many fields of a message; those that are missing are empty."""
    found = message.split(FIELD, count - 1)
    return found + [b""] * (count - len(found))
