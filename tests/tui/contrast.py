"""How well a screen can be read: the contrast of its letters with what they stand on.

Source: W3C, Web Content Accessibility Guidelines 2.2, "relative luminance" and "contrast ratio"; success
criterion 1.4.3 asks for 4.5 to 1.
"""

from __future__ import annotations

from rich.color import Color
from rich.style import Style
from textual.app import App
from textual.geometry import Size

__all__ = ["LEAST", "contrast", "hard_to_read"]

LEAST = 4.5

Rgb = tuple[int, int, int]


def contrast(one: Rgb, other: Rgb) -> float:
    """The contrast ratio of two sRGB colours, 1 to 21."""
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: Rgb) -> float:
    red, green, blue = (_linear(value / 255) for value in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(value: float) -> float:
    return float(value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4)


def hard_to_read(app: App[int]) -> list[str]:
    """Texts whose letters stand out too little: the contrast, the colours, the text.

    What lies under a sheet is left out: it is dimmed because nobody can work it (1.4.3, "incidental").
    """
    width, height = app.size
    screen = app.screen
    worked = screen.children[0].region if screen.is_modal else screen.region
    found = []
    for row, strip in enumerate(screen._compositor.render_strips(Size(width, height))):
        column = 0
        for segment in strip:
            column, at = column + segment.cell_length, column
            if not any(map(str.isalnum, segment.text)) or not worked.contains(at, row):
                continue
            ink, ground = _colours(segment.style)
            ratio = contrast(ink, ground)
            if ratio < LEAST:
                words = f"#{bytes(ink).hex()} on #{bytes(ground).hex()}"
                found.append(f"{ratio:.2f} to 1, {words}, row {row}: {segment.text.strip()!r}")
    return found


def _colours(style: Style | None) -> tuple[Rgb, Rgb]:
    assert style is not None
    assert not style.dim
    ink, ground = _rgb(style.color), _rgb(style.bgcolor)
    return (ground, ink) if style.reverse else (ink, ground)


def _rgb(colour: Color | None) -> Rgb:
    assert colour is not None
    red, green, blue = colour.get_truecolor()
    return red, green, blue
