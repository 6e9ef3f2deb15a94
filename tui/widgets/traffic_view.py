"""Sayings, scrolling: only the rows that can be seen are ever made into text."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual import events
from textual.geometry import Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tui.looks import Looks
from tui.painting import fit
from tui.saying_text import saying_text
from tui.traffic_store import Saying, TrafficStore
from tui.widgets.strips import strip_of

__all__ = ["TrafficView"]

_MOST_PAINTED = 500
_LOOK_BACK = 64
"""Rows that are looked at for the idle line before one."""


class TrafficView(ScrollView, can_focus=True, inherit_bindings=False):
    """Shows rows of a ``TrafficStore``: all of them, or those that a filter found."""

    class Selected(Message):
        """Another row is selected."""

    def __init__(self, store: TrafficStore, *, id: str | None = None) -> None:  # noqa: A002 -- Textual's name
        super().__init__(id=id)
        self._store = store
        self._found: Sequence[int] | None = None
        """Rows that a filter found, oldest first; None for all."""
        self._count = 0
        self.follow = True
        """Whether the newest row stays in sight."""
        self.place: int | None = None
        """The selected place among the shown rows."""
        self.marked: int | None = None
        """Where a selection of several rows began; None while one alone is selected."""
        self.bus_width = 0
        self.nothing = ""
        """What stands there while no row is shown."""
        self._painted: dict[tuple[int, int, bool, bool, int], Strip] = {}
        """Rows that will not change any more, as they are painted."""
        self._painted_for: tuple[int, str] = (0, "")

    @property
    def shown(self) -> int:
        """How many rows are shown."""
        return self._count

    def row(self, place: int) -> int:
        """The store's row at a place."""
        return place if self._found is None else self._found[place]

    @property
    def selected(self) -> Saying | None:
        """The selected saying."""
        if self.place is None or not 0 <= self.place < self._count:
            return None
        return self._store[self.row(self.place)]

    @property
    def chosen(self) -> range:
        """The places that are selected, oldest first."""
        if self.place is None or not 0 <= self.place < self._count:
            return range(0)
        other = self.place if self.marked is None else min(self.marked, self._count - 1)
        return range(min(self.place, other), max(self.place, other) + 1)

    def show(self, found: Sequence[int] | None, count: int) -> None:
        """Show these rows, or the first ``count`` of all."""
        self._found = found
        self._count = count if found is None else len(found)
        self._reach(Size(self.size.width, self._count))
        if self.follow:
            self.place = self._count - 1 if self._count else None
            self._scroll(max(0, self._count - self.size.height))
        self.refresh()

    def _reach(self, size: Size) -> None:
        """Let the scroll bar reach over so many rows; all is laid out anew only where it comes or goes."""
        if size == self.virtual_size:
            return
        if self.show_vertical_scrollbar == (size.height > self.size.height > 0):
            self.set_reactive(ScrollView.virtual_size, size)
            self._scroll_update(size)
        else:
            self.virtual_size = size

    def _scroll(self, top: int) -> None:
        """Let this place be the first in sight, also where the scroll bar is not laid out yet."""
        self.scroll_to(y=top, animate=False, force=True, immediate=True)

    def move(self, by: int) -> None:
        """Select another row; at the last one, following begins again."""
        if not self._count:
            return
        place = self._count - 1 if self.place is None else self.place
        self.select(max(0, min(place + by, self._count - 1)))

    def stretch(self, by: int) -> None:
        """Move the end of a selection of several rows; it begins at the row that was selected alone."""
        if self.marked is None:
            self.marked = self.place
        self.move(by)

    def mark(self) -> None:
        """Begin a selection of several rows at this one; again: select one alone."""
        self.marked = self.place if self.marked is None else None
        self.follow = self.follow and self.marked is None
        self.refresh()
        self.post_message(self.Selected())

    def select(self, place: int) -> None:
        """Select a row and bring it into sight."""
        self.place = place
        self.follow = self.marked is None and place >= self._count - 1
        top, height = self.scroll_offset.y, max(1, self.size.height)
        if place < top:
            self._scroll(place)
        elif place >= top + height:
            self._scroll(place - height + 1)
        self.refresh()
        self.post_message(self.Selected())

    def after(self, row: int) -> float | None:
        """Seconds of idle line before a row on its bus, where that can be seen from the rows before it."""
        saying = self._store[row]
        for earlier in range(row - 1, max(-1, row - 1 - _LOOK_BACK), -1):
            other = self._store[earlier]
            if other.bus == saying.bus:
                return max(0.0, saying.began - other.at)
        return None

    def render_line(self, y: int) -> Strip:
        """One row."""
        place = y + self.scroll_offset.y
        width = self.size.width
        if not self._count and not y:
            quiet = Text(fit(f" {self.nothing}", width), Looks(dark=self.app.current_theme.dark).quiet)
            return strip_of(quiet, width, self.rich_style, self.app.console)
        if place >= self._count or self.row(place) >= len(self._store):
            return Strip.blank(width, self.rich_style)
        row, picked = self.row(place), place in self.chosen
        key = (row, width, picked, place == self.place, self.bus_width)
        if (self._store.dropped, self.app.current_theme.name) != self._painted_for:
            self._painted.clear()
            self._painted_for = (self._store.dropped, self.app.current_theme.name)
        found = self._painted.get(key)
        if found is None:
            found = self._row_strip(row, width, picked=picked, last=place == self.place)
            if row < self._store.sealed:
                if len(self._painted) >= _MOST_PAINTED:
                    self._painted.clear()
                self._painted[key] = found
        return found

    def _row_strip(self, row: int, width: int, *, picked: bool, last: bool) -> Strip:
        looks = Looks(dark=self.app.current_theme.dark)
        text = saying_text(
            self._store[row],
            width,
            looks,
            bus_width=self.bus_width,
            after=self.after(row) if width >= 110 else None,
            mark="▸" if last else "┃" if picked else " ",
        )
        if picked:
            # One even bar: colours under a bar would be hard to read.
            text = Text(text.plain.ljust(width), looks.selected)
        return strip_of(text, width, self.rich_style, self.app.console)

    def on_click(self, event: events.Click) -> None:
        """Select the row under the pointer."""
        place = event.y + self.scroll_offset.y
        if place < self._count:
            self.select(place)
