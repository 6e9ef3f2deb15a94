"""What a dashboard behind a broker can't show: said on the screen where it would be, with the reason."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Static

from tui.screens.main_screen import MainScreen, key_text
from tui.telling import sentence

__all__ = ["LocalOnlyScreen"]


class LocalOnlyScreen(MainScreen):
    """The place of a screen that works only where the controller runs.

    Args:
        name: the screen's name.
        why: why it is not here, as a sentence without a full stop.
        todo: what to do instead.
    """

    EXPLANATION = """\
This dashboard reaches its controllers through a broker. What a broker carries is on the units screen and the
traffic screen; what stands here is done where the controller runs.

  X, F9      everything off
  F2, esc    back to the units"""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("X", "app.everything_off", "everything off"),
        Binding("question_mark", "app.explain", "help"),
        Binding("escape", "app.units", "units"),
    ]

    def __init__(self, name: str, why: str, todo: str) -> None:
        super().__init__(name=name)
        self._why = why
        self._todo = todo

    def compose(self) -> ComposeResult:
        """The reason, and what to do instead."""
        yield Static("", id="top", markup=False)
        yield Static("", id="said-why", markup=False)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Say it."""
        self.look_again()

    def on_resize(self, _event: events.Resize) -> None:
        """The keys are cut to the width."""
        self.look_again()

    def look_again(self) -> None:
        """Say it again."""
        if not self.is_mounted:
            return
        title = (self.name or "").capitalize()
        self.query_one("#top", Static).update(self.top(title))
        text = f"\n {title}: local only.\n\n {sentence(self._why)}\n {sentence(self._todo)}"
        self.query_one("#said-why", Static).update(text)
        words = [("F2", "units"), ("F3", "traffic"), ("X", "everything off"), ("?", "help")]
        self.query_one("#keys", Static).update(key_text(words, self.width, self.looks))
