"""The buses with their units, painted line by line: a large site costs no more than a small one."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from tui.looks import Looks
from tui.model import BusSight
from tui.painting import Line, Painted, fit, hall_lines
from tui.widgets.strips import strip_of

__all__ = ["HallView"]


class HallView(ScrollView, can_focus=True, inherit_bindings=False):
    """Shows ``BusSight``s; tells which unit was picked, and where its power was clicked."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("pageup", "page_up", "page up"),
        Binding("pagedown", "page_down", "page down"),
    ]
    """Arrows are left to the screen: they select, however much there is to scroll."""

    class Picked(Message):
        """A unit was picked with the mouse."""

        def __init__(self, number: int, *, on_power: bool) -> None:
            super().__init__()
            self.number = number
            self.on_power = on_power

    def __init__(self, *, id: str | None = None) -> None:  # noqa: A002 -- Textual's own name for it
        super().__init__(id=id)
        self._buses: list[BusSight] = []
        self._lines: list[Line] = []
        self._painted: Painted = {}
        self.selected: int | None = None
        self.nothing = ""
        """What is said where there is nothing; empty where that is what was looked for."""

    def show(self, buses: list[BusSight], selected: int | None) -> None:
        """Paint these buses."""
        self._buses, self.selected = buses, selected
        self._paint()

    def select(self, number: int | None) -> None:
        """Paint the same buses with another unit selected."""
        self.selected = number
        self._paint()

    @property
    def numbers(self) -> list[int]:
        """The units that are shown, from top to bottom."""
        return [unit.number for bus in self._buses for unit in bus.units]

    @property
    def words(self) -> str:
        """Everything that is painted, as text."""
        return "\n".join(line.text.plain for line in self._lines)

    def reveal(self) -> None:
        """Scroll so that the selected unit can be seen."""
        for place, line in enumerate(self._lines):
            if line.unit == self.selected and line.unit is not None:
                top, height = self.scroll_offset.y, self.size.height
                if not top <= place < top + height:
                    self.scroll_to(y=max(0, place - height // 2), animate=False)
                return

    def _paint(self) -> None:
        looks = Looks(dark=self.app.current_theme.dark)
        width = max(20, self.size.width)
        self._lines = hall_lines(self._buses, width, self.selected, looks, self._painted)
        if self.nothing and not self._buses:
            self._lines = [Line(Text(fit(f" {self.nothing}", width), looks.quiet))]
        self.virtual_size = Size(self.size.width, len(self._lines))
        self.refresh()

    def on_resize(self, _event: events.Resize) -> None:
        """The width decides how much of each line fits."""
        self._paint()

    def render_line(self, y: int) -> Strip:
        """One line of the screen."""
        place = y + self.scroll_offset.y
        width = self.size.width
        if place >= len(self._lines):
            return Strip.blank(width, self.rich_style)
        return strip_of(self._lines[place].text, width, self.rich_style, self.app.console)

    def on_click(self, event: events.Click) -> None:
        """Pick the unit under the pointer."""
        place = event.y + self.scroll_offset.y
        if place < len(self._lines) and (line := self._lines[place]).unit is not None:
            on_power = line.power_at is not None and line.power_at[0] <= event.x < line.power_at[1]
            self.post_message(self.Picked(line.unit, on_power=on_power))
