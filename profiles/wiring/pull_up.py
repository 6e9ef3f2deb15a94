"""A pull-up against the capacitance of its cable: quick enough for the bits, weak enough for the outputs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles.errors import BadValue
from profiles.wiring.choosing import balanced, rating_for, resistor_text
from profiles.wiring.figures import Figure, Part, Section, at_most, plain_figure
from profiles.wiring.quantities import Span, quantity

__all__ = [
    "PER_METRE",
    "RISE",
    "RISE_SOURCE",
    "LineNeeds",
    "PullUpNeeds",
    "pull_up_section",
    "rise_factor",
    "rise_figure",
]


def rise_factor(low: float, high: float) -> float:
    """How many RC a rise takes from one share of its height to another: ln((1 - low) / (1 - high))."""
    return math.log((1 - low) / (1 - high))


RISE = rise_factor(0.1, 0.9)
"""From 10 to 90 %: ln 9, which handbooks round to 2.2."""
RISE_SOURCE = "t = ln 9 x R x C for 10 to 90 % (handbooks round it to 2.2 RC)"
_SHARE = 0.25
_SHARE_SOURCE = (
    "a quarter of a bit time leaves the middle half of each bit, as on a poor link (Maxim tutorial 2141)"
)
_LOW = 0.4
_MOST_VOLTS = 30.0
PER_METRE = 100e-12
"""Farads a metre of cable: 50 to 150 pF for audio and data cables; common practice, no source."""


@dataclass(frozen=True, slots=True)
class LineNeeds:
    """What matters of a bus's line settings."""

    baud: float = 9600.0
    idle_high: bool = True
    source: str = "taken for granted"
    """Where they are from: a profile's name, or that they were given."""

    def __post_init__(self) -> None:
        """Refuse a rate that no line has.

        Raises:
            BadValue: the rate is not positive.
        """
        if not 0 < self.baud <= 50e6:
            raise BadValue(f"{self.baud:g} baud can't be", todo="give a rate such as 9600")

    @property
    def bit(self) -> float:
        """Seconds in a bit time."""
        return 1 / self.baud

    @property
    def rise_limit(self) -> float:
        """Seconds that a rise may take."""
        return _SHARE * self.bit

    @property
    def words(self) -> str:
        """In words."""
        return f"{self.baud:g} baud, idle {'high' if self.idle_high else 'low'} ({self.source})"


@dataclass(frozen=True, slots=True)
class PullUpNeeds:
    """What a pull-up has to do."""

    line: LineNeeds
    volts: Span = (4.40, 5.25)
    volts_source: str = "as given"
    capacitance: float = 5 * PER_METRE
    """Farads of the whole line."""
    capacitance_source: str = "5 m of cable at 100 pF a metre"
    sink: float = 3e-3
    """Amperes that the weakest output on the line can sink while it holds the line low."""
    series: str = "E24"
    tolerance: float = 0.05
    resistor: float | None = None

    def __post_init__(self) -> None:
        """Refuse what can't be.

        Raises:
            BadValue: a voltage is no logic level, or a tolerance can't be.
        """
        if not _LOW < self.volts[0] <= self.volts[1] <= _MOST_VOLTS:
            raise BadValue(
                f"{self.volts[1]:g} V is no logic level", todo=f"give up to {_MOST_VOLTS:g} V, such as 5"
            )
        if not 0 < self.tolerance < 2 * _SHARE:
            raise BadValue(f"a tolerance of {100 * self.tolerance:g} % can't be", todo="give one such as 5")


def rise_figure(name: str, ohms: float, farads: float, line: LineNeeds, what: str) -> Figure:
    """The rise time of a resistance and a capacitance, against the bit time."""
    rise = RISE * ohms * farads
    return at_most(
        name,
        rise,
        "s",
        line.rise_limit,
        f"a quarter of the bit time of {quantity(line.bit, 's')}",
        working=f"2.197 x {quantity(ohms, 'Ω')} ({what}, at worst) x {quantity(farads, 'F')}; "
        f"{100 * rise / line.bit:.3g} % of a bit",
        source=f"{RISE_SOURCE}; {_SHARE_SOURCE}",
    )


def pull_up_section(needs: PullUpNeeds) -> Section:
    """Work a pull-up out.

    Returns:
        The circuit with R5; with ``problem`` where no value works.
    """
    low, high = needs.volts
    volts = f"{low:g} V" if low == high else f"{low:g} to {high:g} V"
    given = (
        ("pulled up to", f"{volts} ({needs.volts_source})"),
        ("capacitance of the line", f"{quantity(needs.capacitance, 'F')} ({needs.capacitance_source})"),
        ("sunk by the weakest output", quantity(needs.sink, "A")),
        ("line settings", needs.line.words),
        ("resistors", f"{needs.series}, {100 * needs.tolerance:g} %"),
    )
    title = f"Pull-up to {volts}"
    least = (high - _LOW) / (needs.sink * (1 - needs.tolerance))
    most = needs.line.rise_limit / (RISE * needs.capacitance * (1 + needs.tolerance))
    chosen = needs.resistor or balanced(needs.series, least, most)
    if chosen is None:
        return Section("pull-up", title, given, (), (), _why_none(needs, least, most))
    current = (high - _LOW) / (chosen * (1 - needs.tolerance))
    watts = high**2 / (chosen * (1 - needs.tolerance))
    rating = rating_for(watts)
    idle = 0.0 if needs.line.idle_high else current
    per, share = quantity(chosen, "Ω"), f"{100 * needs.tolerance:g} %"
    return Section(
        "pull-up",
        title,
        given,
        (
            Part("R5", "pulls the line up", chosen, resistor_text(chosen, needs.tolerance, rating)),
            Part("C", "is the cable's own", needs.capacitance, quantity(needs.capacitance, "F")),
        ),
        (
            at_most(
                "current while the line is held low",
                current,
                "A",
                needs.sink,
                "what the weakest output sinks",
                working=f"({high:g} V - {_LOW:g} V) / ({per} - {share})",
                source="R = (V - V_OL) / I_OL, UM10204 section 7.1, equation 2",
            ),
            rise_figure("rise time", chosen * (1 + needs.tolerance), needs.capacitance, needs.line, "R5"),
            plain_figure(
                "power in R5 while the line is held low",
                watts,
                "W",
                working=f"({high:g} V)² / ({per} - {share})",
                source="P = V² / R",
            ),
            plain_figure(
                "idle current of the pull-up",
                idle,
                "A",
                working="as above: the line rests low" if idle else "0: the line rests high",
                source=f"I = V / R: Ohm's law; idle level: {needs.line.source}",
            ),
        ),
        "" if rating is not None else f"R5 would turn {quantity(watts, 'W')} into heat",
        (
            (
                "The falling edge is the output's own, and quicker: they shift edges in one direction only, "
                "so a bit time is measured between like edges."
            ),
        ),
        {"supply": volts},
        idle,
    )


def _why_none(needs: PullUpNeeds, least: float, most: float) -> str:
    if least <= most:
        return f"{needs.series} has no value between {quantity(least, 'Ω')} and {quantity(most, 'Ω')}"
    return (
        f"no pull-up is quick enough for {needs.line.baud:g} baud and weak enough for an output of "
        f"{quantity(needs.sink, 'A')}: {quantity(needs.capacitance, 'F')} ask for less than "
        f"{quantity(most, 'Ω')}, the output for more than {quantity(least, 'Ω')}; use a shorter cable, a "
        "driver that pushes both ways, or a lower rate"
    )
