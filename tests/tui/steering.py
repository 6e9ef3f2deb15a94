"""Whether a text could steer the terminal that it is shown on."""

from __future__ import annotations

import unicodedata

__all__ = ["check_no_steering"]

_TURNING = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}


def check_no_steering(text: str, *, lines: bool = False) -> None:
    """No control character (ISO/IEC 6429), no mark of direction (UAX 9), no half of a character.

    Args:
        text: what is shown.
        lines: whether it may have several lines.
    """
    for sign in text:
        steers = unicodedata.category(sign) in ("Cc", "Cs") or unicodedata.bidirectional(sign) in _TURNING
        assert not steers or (lines and sign == "\n"), ascii(text)
