"""Choosing values of a series between two limits, so that both are kept with the same margin."""

from __future__ import annotations

from profiles.wiring.quantities import quantity
from profiles.wiring.series import values_between

__all__ = ["RATINGS", "balanced", "rating_for", "resistor_text"]

RATINGS = (0.125, 0.25, 0.5, 1.0, 2.0, 3.0)
"""Watts that resistors with leads are sold for; common practice, no source."""
_HALF = 2.0


def balanced(series: str, least: float, most: float) -> float | None:
    """The value between two limits in ohms that is farthest from both, by ratio.

    Returns:
        The value; None where the series has none between them.
    """
    found = values_between(series, least, most) if least <= most * (1 + 1e-9) else ()
    return max(found, key=lambda value: min(value / least if least else value, most / value), default=None)


def rating_for(watts: float) -> float | None:
    """The least rating that is used to half at most; None where no common resistor bears it.

    To run a resistor at half its rating is common practice, no source: in a closed box it stays cool.
    """
    return next((rating for rating in RATINGS if rating >= _HALF * watts), None)


def resistor_text(ohms: float, tolerance: float, watts: float | None = None) -> str:
    """A resistor as it is bought: ``2.2 kΩ, 5 %, 0.25 W``."""
    text = f"{quantity(ohms, 'Ω')}, {100 * tolerance:g} %"
    return text if watts is None else f"{text}, {watts:g} W"
