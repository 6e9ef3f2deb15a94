"""The explanation of the screen one is on."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from tui.screens.cautions import CAUTIONS

__all__ = ["HelpScreen"]


class HelpScreen(ModalScreen[None]):
    """A screen's own explanation, and the cautions."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(key, "dismiss", "back") for key in ("escape", "enter", "f1", "question_mark")
    ]

    def __init__(self, explanation: str) -> None:
        super().__init__(classes="sheet")
        self._explanation = explanation

    def compose(self) -> ComposeResult:
        """The explanation, then the cautions."""
        with Vertical():
            yield Static("What you see, and what the keys do", classes="head", markup=False)
            with VerticalScroll():
                yield Static(self._explanation, markup=False)
                yield Static("\n" + CAUTIONS, classes="quiet", markup=False)
            yield Static("\nesc: back", classes="quiet", markup=False)
