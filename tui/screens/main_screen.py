"""What all main screens share: the app as what it is, the looks, and the line at the top."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from rich.text import Text
from textual.screen import Screen

from tui.looks import Looks
from tui.painting import top_line

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["MainScreen", "key_text"]


class MainScreen(Screen[None]):
    """A screen that the function keys lead to."""

    EXPLANATION = ""
    """What the screen shows and what its keys do, for the help."""

    @property
    def dashboard(self) -> DashboardApp:
        """The app."""
        return cast("DashboardApp", self.app)

    @property
    def looks(self) -> Looks:
        """The styles for the theme that is on."""
        return Looks(dark=self.app.current_theme.dark)

    @property
    def width(self) -> int:
        """Cells across, and never so few that nothing can be painted."""
        return max(20, self.size.width)

    def look_again(self) -> None:
        """Paint what is known now."""
        raise NotImplementedError

    def top(self, title: str = "") -> Text:
        """The line at the top."""
        app = self.dashboard
        note = "controller out of reach" if app.gone else ""
        return top_line(app.model, app.utc(), self.width, self.looks, note, title)


def key_text(words: Sequence[tuple[str, str]], width: int, looks: Looks) -> Text:
    """Keys and what they do, as many as fit."""
    text = Text(" ")
    for key, word in words:
        if text.cell_len + len(key) + len(word) + 4 > width:
            break
        text.append(key, looks.strong).append(f" {word}   ", looks.quiet)
    return text
