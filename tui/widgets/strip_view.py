"""The strip: decoded bytes as a text that scrolls; only the lines that can be seen are ever made."""

from __future__ import annotations

from rich.segment import Segment
from textual import events
from textual.geometry import Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tui.bench_model import Reader
from tui.bench_painting import StripPainter
from tui.bench_reading import Rows
from tui.looks import Looks

__all__ = ["StripView"]


class StripView(ScrollView, can_focus=True, inherit_bindings=False):
    """Shows what a ``Reader`` reads, and keeps its place in sight."""

    class Picked(Message):
        """A byte was picked with the mouse."""

        def __init__(self, place: int) -> None:
            super().__init__()
            self.place = place

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 -- Textual's own name for it
        super().__init__(id=id)
        self._reader: Reader | None = None
        self._painter: StripPainter | None = None
        self._rows: Rows | None = None

    def show(self, reader: Reader | None, *, letters: bool) -> None:
        """Show a strip, where its reader is."""
        self._reader = reader
        self._painter = self._rows = None
        if reader is not None and len(reader.slots):
            self._painter = StripPainter(reader.slots, letters=letters)
        self._lay_out()

    def on_resize(self, _event: events.Resize) -> None:
        """Rows are broken to the width."""
        self._lay_out()

    def _lay_out(self) -> None:
        height = 0
        if self._painter is not None and self.size.width:
            self._rows = self._painter.rows(self.size.width)
            height = len(self._rows) * self._painter.lines
        size = Size(self.size.width, height)
        if size != self.virtual_size:
            self.virtual_size = size
        self.follow()

    def follow(self) -> None:
        """Bring the place into sight, and paint it."""
        if self._rows is not None and self._painter is not None and self._reader is not None:
            top, height = self.scroll_offset.y, max(1, self.size.height)
            first = self._rows.of(self._reader.place)[0] * self._painter.lines
            last = first + self._painter.lines - 1
            if first < top:
                self.scroll_to(y=first, animate=False, immediate=True)
            elif last >= top + height:
                self.scroll_to(y=last - height + 1, animate=False, immediate=True)
        self.refresh()

    def move_rows(self, by: int) -> None:
        """Read so many rows further down."""
        if self._rows is not None and self._reader is not None and len(self._rows):
            self._reader.go(self._rows.moved(self._reader.place, by))

    @property
    def page(self) -> int:
        """Rows in sight."""
        return max(1, self.size.height // (self._painter.lines if self._painter is not None else 1))

    @property
    def words(self) -> str:
        """The lines in sight, as text."""
        return "\n".join(self.render_line(y).text.rstrip() for y in range(self.size.height))

    def render_line(self, y: int) -> Strip:
        """One line."""
        width = self.size.width
        line = y + self.scroll_offset.y
        rows, painter, reader = self._rows, self._painter, self._reader
        if rows is None or painter is None or reader is None or line >= len(rows) * painter.lines:
            return Strip.blank(width, self.rich_style)
        looks = Looks(dark=self.app.current_theme.dark)
        text = painter.line(rows, line // painter.lines, line % painter.lines, reader, width, looks)
        segments = [
            Segment(s.text, self.rich_style + s.style if s.style else self.rich_style)
            for s in text.render(self.app.console)
        ]
        return Strip(segments).adjust_cell_length(width, self.rich_style)

    def on_click(self, event: events.Click) -> None:
        """Read the byte under the pointer."""
        rows, painter = self._rows, self._painter
        line = event.y + self.scroll_offset.y
        if rows is None or painter is None or line >= len(rows) * painter.lines:
            return
        place = painter.place_at(rows, line // painter.lines, event.x, self.size.width)
        if place is not None:
            self.post_message(self.Picked(place))
