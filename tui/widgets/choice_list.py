"""Lists to choose from: the chosen line is one even bar with a mark, whatever colours it has besides."""

from __future__ import annotations

from rich.segment import Segment
from rich.style import Style as RichStyle
from textual.strip import Strip
from textual.style import Style
from textual.widgets import OptionList
from textual.widgets.option_list import Option

__all__ = ["ChoiceList"]

_MARK = "▸"


class ChoiceList(OptionList):
    """An ``OptionList`` whose chosen line can be read on the bar that it stands on."""

    def action_cursor_down(self) -> None:
        """The next line; the last one is the end: a key that is held must not come round to the first."""
        if self.highlighted is None or self.highlighted < self.option_count - 1:
            super().action_cursor_down()

    def action_cursor_up(self) -> None:
        """The line above; the first one is the end."""
        if self.highlighted is None or self.highlighted > 0:
            super().action_cursor_up()

    def _get_left_gutter_width(self) -> int:
        """A cell for the mark."""
        return 1

    def _get_option_render(self, option: Option, style: Style) -> list[Strip]:
        """An option's lines, each with its mark; one colour for all of the chosen one."""
        strips = super()._get_option_render(option, style)
        ink, chosen = style.rich_style, option is self.highlighted_option
        marked = []
        for place, strip in enumerate(strips):
            mark = _MARK if chosen and place == 0 else " "
            cells = [Segment(each.text, _plainly(ink, each) if chosen else each.style) for each in strip]
            marked.append(Strip([Segment(mark, _plainly(ink, cells[0]) if cells else ink), *cells]))
        return marked


def _plainly(ink: RichStyle, segment: Segment) -> RichStyle:
    """A style, with what a segment's own says of where a click leads."""
    return ink + RichStyle(meta=segment.style.meta) if segment.style is not None else ink
