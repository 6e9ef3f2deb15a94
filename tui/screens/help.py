"""The explanation of the screen one is on."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.screens.cautions import CAUTIONS

__all__ = ["HelpScreen", "folded_help"]


class HelpScreen(ModalScreen[None]):
    """A screen's own explanation, and the cautions."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, "dismiss", "back") for key in ("escape", "enter", "f1", "question_mark")
    ]

    def __init__(self, explanation: str, notes: Sequence[str] = ()) -> None:
        super().__init__(classes="sheet")
        self._explanation = explanation
        self._notes = "\n".join(notes)

    def compose(self) -> ComposeResult:
        """The explanation, then the cautions."""
        with Vertical(classes="tall"):
            yield Static("What you see, and what the keys do", classes="head", markup=False)
            with VerticalScroll():
                yield Static("", id="explanation", markup=False)
                if self._notes:
                    yield Static(f"\n{self._notes}", markup=False)
                yield Static("\n" + CAUTIONS, classes="quiet", markup=False)
            yield Static("\narrows read on    esc: back", classes="quiet", markup=False)

    def on_resize(self, _event: events.Resize) -> None:
        """What a key does is folded beside it, not under it."""
        width = max(16, min(120, int(self.size.width * 0.96)) - 8)
        self.query_one("#explanation", Static).update(folded_help(self._explanation, width))


_KEY = re.compile(r"  \S.*?  +(?=\S)")


def folded_help(text: str, width: int) -> str:
    """A screen's explanation at a width: paragraphs, and keys with what they do beside them."""
    lines: list[str] = []
    paragraph: list[str] = []
    for line in [*text.split("\n"), ""]:
        key = _KEY.match(line)
        if key is None and line.strip():
            paragraph.append(line.strip())
            continue
        if paragraph:
            lines += textwrap.wrap(" ".join(paragraph), width)
            paragraph = []
        if key is not None:
            lines += textwrap.wrap(
                line[key.end() :], width, initial_indent=key[0], subsequent_indent=" " * key.end()
            )
        elif not line:
            lines.append("")
    return "\n".join(lines).rstrip("\n")
