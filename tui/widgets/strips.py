"""Text as a strip of cells, for widgets that paint line by line."""

from __future__ import annotations

from rich.console import Console
from rich.segment import Segment
from rich.style import Style
from rich.text import Text
from textual.strip import Strip

__all__ = ["strip_of"]


def strip_of(text: Text, width: int, ground: Style, console: Console) -> Strip:
    """One line, as wide as it is to be.

    Args:
        text: the line.
        width: cells.
        ground: what it is painted on.
        console: knows styles by name.
    """
    # A text without spans is rendered without its own style.
    own = ground + console.get_style(text.style)
    segments = [Segment(s.text, own + s.style if s.style else own) for s in text.render(console)]
    return Strip(segments).adjust_cell_length(width, ground)
