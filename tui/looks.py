"""Colours, in one place.

They come from the palette of Okabe and Ito (2008), made so that people with any common colour blindness can
tell its colours apart; and no colour is ever the only sign of anything. Where one of them would stand out too
little as ink, it is lightened or darkened until it reads: 4.5 to 1 on every ground (WCAG 2.2, 1.4.3).
"""

from __future__ import annotations

from textual.theme import Theme

from controller.records import Known, Result

__all__ = ["DARK", "LIGHT", "Looks"]

_ORANGE = "#E69F00"
_SKY = "#56B4E9"
_GREEN = "#00A87B"
_VERMILLION = "#E56B10"
_PURPLE = "#CC79A7"

DARK = Theme(
    name="linewarden-dark",
    primary=_SKY,
    secondary=_PURPLE,
    accent=_ORANGE,
    warning=_ORANGE,
    error=_VERMILLION,
    success=_GREEN,
    foreground="#e6e6e1",
    background="#11140f",
    surface="#191d16",
    panel="#232820",
    dark=True,
)
LIGHT = Theme(
    name="linewarden-light",
    primary="#005f96",
    secondary="#8c3f6c",
    accent="#805800",
    warning="#805800",
    error="#a14400",
    success="#00694d",
    foreground="#1b1d18",
    background="#f6f5ee",
    surface="#ecebe1",
    panel="#dfded2",
    dark=False,
)


class Looks:
    """The styles that texts are painted with, for a dark or a light ground.

    Args:
        dark: whether the ground is dark.
    """

    def __init__(self, *, dark: bool) -> None:
        theme = DARK if dark else LIGHT
        self.dark = dark
        self.quiet = "#9aa093" if dark else "#5d6157"
        self.strong = "bold"
        self.line = f"{theme.primary}"
        self.well = f"{theme.success}"
        self.wrong = f"bold {theme.error}"
        self.care = f"{theme.accent}"
        self.selected = f"bold {theme.background} on {theme.primary}"
        self.strange = f"bold {theme.secondary}"

    def known(self, known: Known) -> str:
        """The style of a state by how it is known; its symbol and word say the same."""
        return {
            Known.OBSERVED: self.well,
            Known.CONFIRMED: self.well,
            Known.PRESUMED: self.care,
            Known.UNKNOWN: self.quiet,
        }[known]

    def result(self, result: Result) -> str:
        """The style of what became of a command."""
        if result.good:
            return self.care if result in (Result.SENT, Result.PRESUMED) else self.well
        return self.care if result in (Result.REFUSED, Result.CANCELLED) else self.wrong
