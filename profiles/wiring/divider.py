"""Level conversion by a divider: a line of a higher voltage into an input of a lower one."""

from __future__ import annotations

import math
from dataclasses import dataclass

from profiles.errors import BadValue
from profiles.wiring.choosing import RATINGS, resistor_text
from profiles.wiring.figures import Figure, Part, Section, at_least, at_most, plain_figure
from profiles.wiring.pull_up import RISE, LineNeeds, rise_figure
from profiles.wiring.quantities import Span, quantity, volts_text
from profiles.wiring.series import values_between

__all__ = ["DividerNeeds", "divider_section"]

_HIGH = 0.7
_RATIO = "V_out = V x R4 / (R3 + R4): voltage divider, any handbook"
_LEAST_OHMS, _MOST_OHMS = 330.0, 1e6
_ALIKE = 0.01
"""Voltage margins that differ by no more than this are equal: then current and rise time decide."""


@dataclass(frozen=True, slots=True)
class DividerNeeds:
    """What a divider has to do."""

    line: LineNeeds
    """The line that it follows."""
    volts: Span = (4.40, 5.25)
    """The line's high level, least and greatest."""
    volts_source: str = "as given"
    logic: Span = (3.3, 3.3)
    """The supply of the input: the most that the input may see is the least of it."""
    series: str = "E24"
    tolerance: float = 0.01
    most: float = 1e-3
    """Amperes that may be drawn from the line while it is high."""
    input_capacitance: float = 20e-12
    """Farads behind the divider: the input and its track."""
    resistors: tuple[float, float] | None = None
    """R3 and R4 that are there already; None to choose them."""

    def __post_init__(self) -> None:
        """Refuse what needs no divider.

        Raises:
            BadValue: the line is not above the input's supply, or a tolerance can't be.
        """
        if self.volts[1] <= self.logic[0]:
            raise BadValue(
                f"a line of {self.volts[1]:g} V needs no divider into {self.logic[0]:g} V",
                todo="join it through a resistor of some kilohms alone",
            )
        if self.volts[1] > _MOST_LINE:
            raise BadValue(
                f"{self.volts[1]:g} V is no logic level", todo="use the trigger input, or an isolator, for it"
            )
        if not 0 < self.tolerance < _HALF:
            raise BadValue(f"a tolerance of {100 * self.tolerance:g} % can't be", todo="give one such as 1")


_MOST_LINE = 30.0
_HALF = 0.5


@dataclass(frozen=True, slots=True)
class _Pair:
    upper: float
    lower: float
    needs: DividerNeeds

    @property
    def ratios(self) -> Span:
        """What is left of the voltage at least and at most, with both tolerances against it."""
        t = self.needs.tolerance
        low = self.lower * (1 - t) / (self.lower * (1 - t) + self.upper * (1 + t))
        high = self.lower * (1 + t) / (self.lower * (1 + t) + self.upper * (1 - t))
        return low, high

    @property
    def source_resistance(self) -> float:
        return self.upper * self.lower / (self.upper + self.lower)

    @property
    def current(self) -> float:
        return self.needs.volts[1] / ((self.upper + self.lower) * (1 - self.needs.tolerance))

    def margins(self) -> tuple[float, float, float, float]:
        """Over its limits: too high, too low, current, rise time."""
        needs, (low, high) = self.needs, self.ratios
        rise = RISE * self.source_resistance * (1 + needs.tolerance) * needs.input_capacitance
        return (
            needs.logic[0] / (needs.volts[1] * high),
            needs.volts[0] * low / (_HIGH * needs.logic[1]),
            needs.most / self.current,
            needs.line.rise_limit / rise,
        )

    def rank(self) -> tuple[float, float]:
        high, low, current, rise = self.margins()
        return (round(min(high, low) / _ALIKE), min(current, rise))


def divider_section(needs: DividerNeeds) -> Section:
    """Work a divider out.

    Returns:
        The circuit with R3 (from the line) and R4 (to ground); with ``problem`` where no pair works.
    """
    given = (
        ("line when high", f"{volts_text(needs.volts)} ({needs.volts_source})"),
        ("supply of the input", volts_text(needs.logic)),
        ("line settings", needs.line.words),
        ("capacitance at the input", quantity(needs.input_capacitance, "F")),
        ("resistors", f"{needs.series}, {100 * needs.tolerance:g} %"),
    )
    title = f"Level conversion, {volts_text(needs.volts)} to {volts_text(needs.logic)}"
    pair = _Pair(*needs.resistors, needs) if needs.resistors is not None else _best(needs)
    if pair is None:
        return Section("divider", title, given, (), (), _why_none(needs))
    idle = pair.current if needs.line.idle_high else 0.0
    text = quantity(needs.volts[1], "V")
    return Section(
        "divider",
        title,
        given,
        (
            Part("R3", "from the line", pair.upper, resistor_text(pair.upper, needs.tolerance, RATINGS[0])),
            Part("R4", "to ground", pair.lower, resistor_text(pair.lower, needs.tolerance, RATINGS[0])),
        ),
        tuple(_figures(pair, idle)),
        notes=(
            "A divider isolates nothing: both grounds are one. It converts one way only, line to input.",
            f"Where the line may be above {text}, or comes from another room, put an isolator there instead.",
        ),
        labels={"line": volts_text(needs.volts), "logic": volts_text(needs.logic)},
        idle=idle,
    )


def _best(needs: DividerNeeds) -> _Pair | None:
    """The pair with the best margins that keeps every limit."""
    values = values_between(needs.series, _LEAST_OHMS, _MOST_OHMS)
    # The ratio at which both voltage margins are alike; only the neighbours of its partner are looked at.
    ratio = math.sqrt(needs.logic[0] / needs.volts[1] * _HIGH * needs.logic[1] / needs.volts[0])
    if not 0 < ratio < 1:
        return None
    pairs = []
    for upper in values:
        wanted = upper * ratio / (1 - ratio)
        for lower in values_between(needs.series, wanted / 1.6, wanted * 1.6):
            pair = _Pair(upper, lower, needs)
            if min(pair.margins()) >= 1:
                pairs.append(pair)
    return max(pairs, key=_Pair.rank, default=None)


def _why_none(needs: DividerNeeds) -> str:
    spread = needs.volts[1] / needs.volts[0]
    room = needs.logic[0] / (_HIGH * needs.logic[1])
    if spread * (1 + needs.tolerance) ** 2 >= room:
        return (
            f"the line's high level varies by {spread:.2f} times and the resistors by "
            f"{100 * needs.tolerance:g} % each, and the input has room for {room:.2f} times; "
            "use a buffer or a level shifter instead of a divider"
        )
    return (
        f"no pair of {needs.series} keeps the levels, {quantity(needs.most, 'A')} and a rise within "
        f"{quantity(needs.line.rise_limit, 's')} at once; take a finer series, allow more current, or use "
        "a level shifter"
    )


def _figures(pair: _Pair, idle: float) -> list[Figure]:
    needs, (low, high) = pair.needs, pair.ratios
    upper, lower = quantity(pair.upper, "Ω"), quantity(pair.lower, "Ω")
    share = f"{100 * needs.tolerance:g} %"
    nominal = pair.lower / (pair.upper + pair.lower)
    middle = (needs.volts[0] + needs.volts[1]) / 2
    return [
        at_most(
            "input when the line is highest, at worst",
            needs.volts[1] * high,
            "V",
            needs.logic[0],
            "the input's supply",
            working=f"{needs.volts[1]:g} V x R4 / (R3 + R4), R3 {upper} - {share}, R4 {lower} + {share}",
            source=_RATIO,
        ),
        at_least(
            "input when the line is high at least, at worst",
            needs.volts[0] * low,
            "V",
            _HIGH * needs.logic[1],
            "0.7 of the input's supply",
            working=f"{needs.volts[0]:g} V x R4 / (R3 + R4), R3 {upper} + {share}, R4 {lower} - {share}",
            source=f"{_RATIO}; a CMOS input takes 0.7 of its supply for high: common practice, no source",
        ),
        plain_figure(
            "input at the middle, nominal",
            middle * nominal,
            "V",
            working=f"{middle:.4g} V x {lower} / ({upper} + {lower})",
            source=_RATIO,
        ),
        at_most(
            "drawn from the line while it is high",
            pair.current,
            "A",
            needs.most,
            "what the line may lose",
            working=f"{needs.volts[1]:g} V / ({upper} + {lower} - {share})",
            source="I = V / R: Ohm's law",
        ),
        rise_figure(
            "rise time at the input",
            pair.source_resistance * (1 + needs.tolerance),
            needs.input_capacitance,
            needs.line,
            "R3 || R4",
        ),
        plain_figure(
            "idle current of the divider",
            idle,
            "A",
            working="as above: the line rests high" if idle else "0: the line rests low",
            source=f"I = V / R: Ohm's law; idle level: {needs.line.source}",
        ),
    ]
