"""Quantities as people write them: 2.2 kΩ, 2k2, 4.7mA, 500p, 5..24."""

from __future__ import annotations

import math
import re

from profiles.errors import BadValue

__all__ = ["Span", "quantity", "read_quantity", "read_span", "read_supply", "volts_text"]

_PREFIXES = {
    "p": 1e-12, "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6,
}  # fmt: skip
_STEPS = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))
_UNITS = {"V": "V", "A": "A", "F": "F", "m": "m", "Ω": "(?:Ω|Ω|R|[Oo]hms?)", "W": "W", "%": "%"}
_FOUR_FIGURES = 4

Span = tuple[float, float]
"""Least and greatest value."""


def quantity(value: float, unit: str, figures: int = 3) -> str:
    """A value with its unit, in the prefix that suits it: ``2.2 kΩ``, ``4.91 mA``."""
    if value == 0 or not math.isfinite(value):
        return f"{value:g} {unit}"
    if unit in ("V", "%", "m", "baud"):
        return f"{_figures(value, figures)} {unit}"
    # Rounded first: 999.96 mA is 1 A.
    size = float(f"{abs(value):.{figures - 1}e}")
    factor, prefix = next((step for step in _STEPS if size >= step[0] * (1 - 1e-12)), _STEPS[-1])
    return f"{_figures(value / factor, figures)} {prefix}{unit}"


def _figures(value: float, figures: int) -> str:
    text = f"{value:.{figures}g}"
    return f"{float(text):.0f}" if "e" in text else text


def read_quantity(text: str, unit: str) -> float:
    """A quantity as it is typed: ``2k2``, ``2.2 kΩ``, ``20mA``, ``500p``; a bare number is in the unit.

    Args:
        text: what was typed.
        unit: V, A, F, Ω, m, W or %.

    Raises:
        BadValue: it is none, or not above zero.
    """
    plain = text.strip().replace(",", ".")
    prefix = "" if unit in ("m", "%") else "[pnuµμmkKM]?"
    found = re.fullmatch(rf"(\d+\.?\d*(?:e[+-]?\d+)?|\.\d+)\s*({prefix})\s*(?:{_UNITS[unit]})?", plain)
    if found is not None:
        value = float(found[1]) * _PREFIXES[found[2]]
    elif unit == "Ω" and (between := re.fullmatch(r"(\d+)([kKMR])(\d+)", plain)):
        value = float(f"{between[1]}.{between[3]}") * _PREFIXES.get(between[2], 1.0)
    else:
        raise BadValue(f"{text!r} is no value in {unit}", todo=f"write it as {_EXAMPLES[unit]}")
    if not 0 < value < 1e12:
        raise BadValue(f"{text!r} must be above zero", todo=f"write it as {_EXAMPLES[unit]}")
    return value


_EXAMPLES = {
    "V": "12 or 5V",
    "A": "5mA or 0.005",
    "F": "500p or 1nF",
    "Ω": "2k2, 2.2k or 2200",
    "m": "10 or 2.5m",
    "W": "0.25",
    "%": "5",
}


def volts_text(span: Span) -> str:
    """A voltage, or a range of voltages."""
    return f"{span[0]:g} V" if span[0] == span[1] else f"{span[0]:g} to {span[1]:g} V"


def read_span(text: str, unit: str = "V") -> Span:
    """Two values with ``..``, ``-`` or ``to`` between them, or one that is both ends.

    Raises:
        BadValue: it is none, or the first is above the second.
    """
    parts = [part for part in re.split(r"\s*(?:\.\.\.?|–|-|\bto\b)\s*", text.strip()) if part]
    if len(parts) not in (1, 2):
        raise BadValue(f"{text!r} is no range", todo="write it as 5..24")
    least, most = read_quantity(parts[0], unit), read_quantity(parts[-1], unit)
    if least > most:
        raise BadValue(f"{text!r} goes down", todo=f"write it as {parts[-1]}..{parts[0]}")
    return least, most


USB_SUPPLIES: dict[str, Span] = {"usb": (4.40, 5.25), "usb-low": (4.40, 5.25), "usb-high": (4.75, 5.25)}
"""V_BUS by USB 2.0, table 7-7: 4.75 to 5.25 V at a high-power port, 4.40 to 5.25 V at a low-power port (read
in a system-on-chip data sheet that repeats the table). Which kind of port it will be is seldom known: ``usb``
is both."""


def read_supply(text: str) -> tuple[Span, str]:
    """A supply or a line's high level: volts, a range of volts, or ``usb``, with its source in words.

    Raises:
        BadValue: it is none.
    """
    usb = USB_SUPPLIES.get(text.strip().lower())
    if usb is not None:
        return usb, "V_BUS by USB 2.0, table 7-7: 4.40 V at a low-power port up to 5.25 V"
    return read_span(text), "as given"
