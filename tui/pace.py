"""How often what happens is painted: as often as a person can follow, and never all of the time. Pure."""

from __future__ import annotations

__all__ = ["pause_after"]

_LEAST, _MOST = 0.1, 1.0
"""Seconds."""
_TIMES = 9


def pause_after(took: float, least: float = _LEAST) -> float:
    """Seconds until what happens is looked at again: keys are answered meanwhile.

    With thousands of units one look takes long, and on a busy machine longer: no more than a tenth of the
    time goes into looks, as long as that keeps nobody waiting for more than a second.

    Args:
        took: seconds that the last look has taken.
        least: the shortest pause.
    """
    return max(least, min(_TIMES * took, _MOST))
