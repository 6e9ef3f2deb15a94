"""Rates in common use, and how a measured rate stands to them."""

from __future__ import annotations

import math

__all__ = ["USUAL_RATES", "difference_from_usual", "nearest_usual_rate", "rate_prior"]

USUAL_RATES = (
    *(
        50,
        75,
        110,
        134.5,
        150,
        200,
        300,
        600,
        1200,
        1800,
        2400,
        4800,
        9600,
        14400,
        19200,
        28800,
        31250,
        38400,
    ),
    *(57600, 76800, 100000, 115200, 125000, 128000, 230400, 250000, 256000, 460800, 500000, 576000, 921600),
    *(1000000, 1152000, 1500000, 2000000, 2500000, 3000000, 3500000, 4000000),
)
"""Bits a second. Source: POSIX and Linux's termios constants, the ATmega data sheets' tables of divisor
errors, MIDI 1.0 (31250), DMX512-A (250000); 100000, 125000, 128000 and 256000: common practice, no
source."""

_CLOCK = 0.01
"""Relative error up to which a clock is taken for one of a usual rate: a ceramic resonator's with room to
spare (common practice, no source). Further off, the measured rate is named as it is."""


def difference_from_usual(baud: float) -> tuple[float, float]:
    """The nearest usual rate, and the relative difference of ``baud`` from it."""
    usual = min(USUAL_RATES, key=lambda rate: abs(math.log(baud / rate)))
    return float(usual), baud / usual - 1


def nearest_usual_rate(baud: float, error: float) -> float:
    """The rate to name: a usual one where the difference is a clock's, else the measured one, rounded.

    Args:
        baud: the measured rate.
        error: its standard error in baud; digits below it are not named.
    """
    usual, difference = difference_from_usual(baud)
    uncertain = error / baud if math.isfinite(error) else 0.03
    if abs(difference) <= _CLOCK + min(2 * uncertain, 0.02):
        return usual
    digits = 4 if uncertain <= 0 else max(2, min(5, round(-math.log10(uncertain))))
    return float(f"{baud:.{digits}g}")


def rate_prior(baud: float) -> float:
    """The logarithm of how much more a usual rate is to be expected than any other near it."""
    _, difference = difference_from_usual(baud)
    return math.log(1 + 12 * math.exp(-0.5 * (difference / 0.008) ** 2))
