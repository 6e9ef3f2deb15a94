"""What all main screens share: the app as what it is, the looks, and the line at the top."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

from rich.text import Text
from textual.screen import Screen
from textual.widgets import Static

from tui.looks import Looks
from tui.painting import top_line

if TYPE_CHECKING:
    from tui.app import DashboardApp

__all__ = ["MainScreen", "key_text", "place_text"]


class MainScreen(Screen[None]):
    """A screen that the function keys lead to."""

    EXPLANATION = ""
    """What the screen shows and what its keys do, for the help."""

    def __init__(self, name: str) -> None:
        super().__init__(name=name)
        self._shown: dict[str, tuple[Static, Text]] = {}

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

    def keys(self, words: Sequence[tuple[str, str]]) -> Text:
        """The keys of this screen, and, where there is room, those that lead to the others."""
        if self.size.height < 20:
            return key_text(words, self.width, self.looks)
        own = key_text(words, self.width, self.looks, rows=2)
        return own.append("\n").append_text(
            place_text(self.dashboard.places, self.name or "", self.width, self.looks)
        )

    def put(self, part: str, text: Text) -> None:
        """Put a text into one of the screen's parts; one that says so already costs nothing.

        Args:
            part: a selector of a ``Static``.
            text: lines that fit the width.
        """
        widget = self.query_one(part, Static)
        shown = self._shown.get(part)
        if shown is not None and shown[0] is widget and shown[1] == text:
            return
        rows = -1 if shown is None or shown[0] is not widget else shown[1].plain.count("\n")
        self._shown[part] = (widget, text)
        # Everything is laid out anew only where the number of rows is another one.
        widget.update(text, layout=rows != text.plain.count("\n"))

    def look_again(self) -> None:
        """Paint what is known now."""
        raise NotImplementedError

    def top(self, title: str = "") -> Text:
        """The line at the top."""
        app = self.dashboard
        return top_line(app.model, app.utc(), self.width, self.looks, app.note, title)


def key_text(words: Sequence[tuple[str, str]], width: int, looks: Looks, rows: int = 1) -> Text:
    """Keys and what they do, as many as fit into so many rows."""
    text = Text(" ")
    used = 1
    for key, word in words:
        size = len(key) + len(word) + 4
        if used + size > width:
            if rows == 1:
                break
            rows, used = rows - 1, 1
            text.append("\n ")
        text.append(key, looks.strong).append(f" {word}   ", looks.quiet)
        used += size
    return text


def place_text(places: Sequence[tuple[str, str]], here: str, width: int, looks: Looks) -> Text:
    """The screens that there are, by their keys; the one that is shown stands in brackets."""
    text = Text(" ")
    for key, word in places:
        shown = f"[{key} {word}]" if word == here else f"{key} {word}"
        if text.cell_len + len(shown) > width:
            break
        if word == here:
            text.append(f"{shown} ", looks.line)
        else:
            text.append(key, looks.strong).append(f" {word} ", looks.quiet)
    text.rstrip()
    return text
