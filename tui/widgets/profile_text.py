"""The text of a profile, with the lines that have faults marked."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import BindingType
from textual.message import Message
from textual.widgets import TextArea

from tui.looks import Looks
from tui.profile_draft import change
from tui.telling import plain

__all__ = ["ProfileText"]

_HEAD = re.compile(r"\s*\[")
_COMMENT = re.compile(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'|(#.*)")
_GLOBAL = ("f6", "f7")
"""Keys of a ``TextArea`` that lead to screens here."""


def _bindings() -> list[BindingType]:
    return [each for each in TextArea.BINDINGS if getattr(each, "key", "") not in _GLOBAL]


class ProfileText(TextArea, inherit_bindings=False):
    """Edits a text; going back and forth is its owner's business."""

    BINDINGS: ClassVar[list[BindingType]] = _bindings()

    class Stepped(Message):
        """Somebody wants a step back, or forth again."""

        def __init__(self, *, back: bool) -> None:
            super().__init__()
            self.back = back

    def __init__(self, *, id: str) -> None:  # noqa: A002 -- Textual's name
        super().__init__(id=id, show_line_numbers=True, soft_wrap=True, max_checkpoints=1)
        self.cursor_blink = False
        self._faulty: Collection[int] = ()

    async def _on_key(self, event: events.Key) -> None:
        """Keys work in the order in which they come.

        A character is put in as soon as it is here, while a key that is bound waits until the whole app has
        looked at it: typed fast, or pasted, characters would overtake an End or a Backspace before them.
        """
        bound = self._bindings.key_to_bindings.get(event.key, [])
        if bound:
            event.stop()
            event.prevent_default()
            await self.app.run_action(bound[0].action, self)
            return
        await super()._on_key(event)

    def action_undo(self) -> None:
        """A step back."""
        self.post_message(self.Stepped(back=True))

    def action_redo(self) -> None:
        """A step forth."""
        self.post_message(self.Stepped(back=False))

    @property
    def index(self) -> int:
        """The cursor's place as an index in the text."""
        row, column = self.cursor_location
        return sum(len(self.document.get_line(n)) + 1 for n in range(row)) + column

    def show(self, text: str, cursor: int, *, centre: bool = False) -> None:
        """Show a text: only what differs is changed, so that the view stays where it is."""
        now = self.text
        made = change(now, text)
        if made is not None:
            self.replace(
                made.into,
                _location(now, made.at),
                _location(now, made.at + len(made.out)),
                maintain_selection_offset=False,
            )
        self.move_cursor(_location(text, cursor), center=centre)

    def mark(self, lines: Collection[int]) -> None:
        """Underline these lines, counted from 1."""
        if set(lines) != set(self._faulty):
            self._faulty = frozenset(lines)
            self.notify_style_update()
            self.refresh()

    def get_line(self, line_index: int) -> Text:
        """A line as it is painted: heads strong, comments quiet, and nothing that steers a terminal."""
        line = self.document.get_line(line_index)
        # A tab keeps its width; each other character is one of its own, so that places stay.
        text = Text("\t".join(plain(piece) for piece in line.split("\t")), end="", no_wrap=True)
        looks = Looks(dark=self.app.current_theme.dark)
        if _HEAD.match(line) and not line.lstrip().startswith(("[ ", "[{")):
            text.stylize(looks.line)
        for found in _COMMENT.finditer(line):
            if found[1]:
                text.stylize(looks.quiet, found.start(1))
        if line_index + 1 in self._faulty:
            text.stylize(f"underline {looks.wrong}")
        return text


def _location(text: str, index: int) -> tuple[int, int]:
    return text.count("\n", 0, index), index - (text.rfind("\n", 0, index) + 1)
