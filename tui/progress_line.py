"""One line on standard error that says how far something is: written over, and gone at the end."""

from __future__ import annotations

import sys
from typing import Self

from tui.telling import plain

__all__ = ["ProgressLine"]

_WIDTH = 100
_CLEAR = "\r\x1b[K"


class ProgressLine:
    """Used as a context; says nothing where standard error is no terminal.

    Args:
        quiet: whether nothing is to be said in any case.
    """

    def __init__(self, *, quiet: bool = False) -> None:
        self.shown = not quiet and sys.stderr.isatty()
        """Whether anything is said."""
        self._said = False

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._said:
            print(_CLEAR, end="", file=sys.stderr, flush=True)

    def say(self, text: str) -> None:
        """Say it, in the place of what was said before."""
        if self.shown:
            print(f"{_CLEAR}{plain(text)[:_WIDTH]}", end="", file=sys.stderr, flush=True)
            self._said = True
