"""Preferred values of resistors: the E series of IEC 60063:2015.

Up to E24 the values are tabled there, since some differ from the geometric row; from E48 on they are the
geometric row at three figures, with the one exception of 9.20 in E192.
"""

from __future__ import annotations

import bisect
import math
from functools import cache

from profiles.errors import BadValue

__all__ = ["SERIES", "SERIES_SOURCE", "nearest", "series_named", "tolerance_of", "values_between"]

SERIES_SOURCE = "IEC 60063:2015, preferred number series for resistors and capacitors"

_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_TOLERANCES = {"E3": 0.4, "E6": 0.2, "E12": 0.1, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}
SERIES = tuple(_TOLERANCES)
"""The names of all series."""
_LEAST_EXPONENT, _MOST_EXPONENT = 0, 6
"""Resistors that are sold by every dealer: 1 ohm up to 10 megohms."""


@cache
def _decade(name: str) -> tuple[int, ...]:
    """One decade of a series as whole numbers of three figures, 100 to 999."""
    count = int(name[1:])
    if count <= 24:
        return tuple(value * 10 for value in _E24[:: 24 // count])
    row = [round(100 * 10 ** (index / count)) for index in range(count)]
    return tuple(920 if count == 192 and value == 919 else value for value in row)


@cache
def _all(name: str) -> tuple[float, ...]:
    exponents = range(_LEAST_EXPONENT, _MOST_EXPONENT + 1)
    return tuple(value * 10.0 ** (exponent - 2) for exponent in exponents for value in _decade(name))


def series_named(text: str) -> str:
    """A series by its name, however it is written.

    Raises:
        BadValue: there is no such series.
    """
    name = text.strip().upper()
    if name not in _TOLERANCES:
        raise BadValue(f"{text!r} is no E series", todo=f"give one of {', '.join(SERIES)}")
    return name


def tolerance_of(name: str) -> float:
    """The tolerance that goes with a series, as a share: 0.05 for E24."""
    return _TOLERANCES[name]


def values_between(name: str, least: float, most: float) -> tuple[float, ...]:
    """Every value of a series from ``least`` to ``most`` ohms, both included, 1 ohm to 9.88 megohms at most.

    Raises:
        BadValue: there is no such series.
    """
    values = _all(series_named(name))
    # A limit that was computed may be off by a rounding error from the very value that it names.
    first = bisect.bisect_left(values, least * (1 - 1e-9))
    return values[first : bisect.bisect_right(values, most * (1 + 1e-9))]


def nearest(name: str, wanted: float) -> float:
    """The value of a series that is nearest to ``wanted`` ohms, by ratio.

    Raises:
        BadValue: there is no such series.
    """
    return min(_all(series_named(name)), key=lambda value: abs(math.log(value / wanted)))
