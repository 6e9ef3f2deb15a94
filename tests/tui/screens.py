"""What a screen looks like, as text that can be kept in a file and read in a diff."""

from __future__ import annotations

import difflib
import os
from pathlib import Path

from rich.style import Style
from textual.app import App
from textual.geometry import Size
from textual.widgets import Input, TextArea

__all__ = ["FOLDER", "difference_to_kept", "picture_of"]

FOLDER = Path(__file__).parents[1] / "data" / "screens"
_NAMES = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"


def picture_of(app: App[int]) -> str:
    """The screen's cells as they are painted: each row, and under all of them which style each cell has.

    A style is named by a letter in the order in which styles come, and told at the end.
    """
    for widget in (*app.screen.query(Input), *app.screen.query(TextArea)):
        widget.cursor_blink = False
    width, height = app.size
    names: dict[str, str] = {}
    rows: list[str] = []
    styles: list[str] = []
    for strip in app.screen._compositor.render_strips(Size(width, height)):
        rows.append("".join(segment.text for segment in strip).rstrip())
        runs: list[tuple[str, int]] = []
        for segment in strip:
            told = _told(segment.style)
            name = names.setdefault(told, _NAMES[len(names) % len(_NAMES)])
            before = runs.pop() if runs and runs[-1][0] == name else (name, 0)
            runs.append((name, before[1] + segment.cell_length))
        styles.append(" ".join(f"{name}{cells}" for name, cells in runs))
    legend = [f"{name} {told}" for told, name in names.items()]
    return "\n".join([*rows, "-" * width, *styles, "-" * width, *legend, ""])


def _told(style: Style | None) -> str:
    if style is None:
        return "plain"
    ground = f"{_colour(style.color)} on {_colour(style.bgcolor)}"
    how = [
        word for word in ("bold", "dim", "italic", "underline", "reverse", "blink") if getattr(style, word)
    ]
    return " ".join([ground, *how])


def _colour(colour: object) -> str:
    triplet = getattr(colour, "triplet", None)
    return triplet.hex if triplet is not None else getattr(colour, "name", "none")


def difference_to_kept(name: str, picture: str) -> str:
    """How a picture differs from the kept one; empty where it does not.

    With LINEWARDEN_KEEP_SCREENS set it is kept instead.
    """
    path = FOLDER / f"{name}.txt"
    if os.environ.get("LINEWARDEN_KEEP_SCREENS"):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(picture, encoding="utf-8", newline="\n")
        return ""
    kept = path.read_text(encoding="utf-8") if path.exists() else ""
    lines = difflib.unified_diff(
        kept.splitlines(), picture.splitlines(), f"kept {name}", "painted now", lineterm="", n=1
    )
    return "\n".join(lines)
