"""A trigger input: a control voltage lights the LED of an opto-isolator, and nothing else of ours sees it.

The resistor has to let enough current through at the lowest voltage with the LED that needs most, and not too
much at the highest with the LED that needs least; its own tolerance counts against it at both ends.
"""

from __future__ import annotations

from dataclasses import dataclass

from profiles.errors import BadValue
from profiles.wiring.choosing import RATINGS, balanced, rating_for, resistor_text
from profiles.wiring.figures import Figure, Part, Section, at_least, at_most, plain_figure
from profiles.wiring.quantities import Span, quantity, volts_text
from profiles.wiring.series import SERIES_SOURCE

__all__ = ["MOST_VOLTS", "TriggerNeeds", "trigger_section"]

MOST_VOLTS = 60.0
"""The most that is worked with here: direct voltage up to 60 V counts as no shock hazard in IEC 62368-1 (ES1;
from memory). Mains is no trigger voltage."""
_LEAST_VOLTS = 1.0
_OHM = "I = (V - V_F) / R: Ohm's law; opto-isolator data sheets and kit manuals give the same"
_POWER = "P = V² / R; used to half of its rating at most: common practice, no source"
_DIODE_DROP = 0.6
_DIODE_MOST_DROP = 1.0
_DIODE_CURRENT = 0.15
_LED_REVERSE = 5.0
_DIODES = (
    "small-signal silicon diode: 0.6 to 1 V forward, 150 mA; LED: 5 V reverse (data sheets, from memory)"
)
_OUTPUT = 0.05
_OUTPUTS = "trigger outputs give 50 to 200 mA: common practice, no source"
_AGEING = 2.0
_HIGH = 0.7
_DARK = 10e-6
_HALF_TIME = 0.5


@dataclass(frozen=True, slots=True)
class TriggerNeeds:
    """What a trigger input has to bear and to do."""

    volts: Span = (5.0, 24.0)
    """The trigger's voltage when it is on, least and greatest."""
    series: str = "E24"
    tolerance: float = 0.05
    """Of the resistors, as a share."""
    forward: Span = (1.0, 1.5)
    """The LED's forward voltage over parts, currents and temperatures (ordinary parts; from memory)."""
    least: float = 1e-3
    """Amperes through the LED from which the output certainly switches."""
    most: float = 20e-3
    """Amperes through the LED, and out of the trigger line, that must not be passed."""
    supply: Span = (4.40, 5.25)
    """Volts on the output's side."""
    transfer: float = 0.5
    """The least current transfer ratio of the opto-isolator, as a share (ordinary parts; from memory)."""
    resistor: float | None = None
    """Ohms that are there already; None to choose them."""

    def __post_init__(self) -> None:
        """Refuse what can't be.

        Raises:
            BadValue: the voltage is no trigger's, or a range is upside down.
        """
        if self.volts[1] > MOST_VOLTS:
            raise BadValue(
                f"{self.volts[1]:g} V is no trigger voltage",
                todo=f"{MOST_VOLTS:g} V DC is the most; never join mains to this, and ask the gear's maker",
            )
        if self.volts[0] < _LEAST_VOLTS:
            raise BadValue(
                f"{self.volts[0]:g} V lights no LED", todo="give the voltages when it is on: 5..24"
            )
        if self.least >= self.most:
            raise BadValue(
                f"the least current, {quantity(self.least, 'A')}, is not below the most, "
                f"{quantity(self.most, 'A')}",
                todo="give a least that is lower",
            )
        if not 0 < self.tolerance < _HALF_TIME:
            raise BadValue(f"a tolerance of {100 * self.tolerance:g} % can't be", todo="give one such as 5")


def trigger_section(needs: TriggerNeeds) -> Section:
    """Work a trigger input out.

    Args:
        needs: what it has to bear and to do.

    Returns:
        The circuit with R1 (in series with the LED), D1 (against reverse polarity), U1 and R2 (the output's
        pull-up); with ``problem`` where no value works.
    """
    low, high = needs.volts
    given = (
        ("trigger voltage when on", f"{low:g} to {high:g} V"),
        ("LED forward voltage", f"{needs.forward[0]:g} to {needs.forward[1]:g} V"),
        ("LED current", f"{quantity(needs.least, 'A')} to {quantity(needs.most, 'A')}"),
        ("current transfer ratio", f"{100 * needs.transfer:g} % at least, half of it left when aged"),
        ("supply of the output", f"{needs.supply[0]:g} to {needs.supply[1]:g} V"),
        ("resistors", f"{needs.series} of {SERIES_SOURCE.split(',')[0]}, {100 * needs.tolerance:g} %"),
    )
    title = f"Trigger input, {low:g} to {high:g} V"
    chosen, problem = _series_resistor(needs)
    if chosen is None:
        return Section("trigger", title, given, (), (), problem)
    figures, watts = _input_figures(needs, chosen)
    output, more, unfit = _output(needs, chosen)
    rating = rating_for(watts)
    if rating is None:
        unfit = unfit or (
            f"R1 turns {quantity(watts, 'W')} into heat, and no common resistor bears twice that; "
            "take several in series, or a narrower range"
        )
    parts = [
        Part("R1", "sets the LED current", chosen, resistor_text(chosen, needs.tolerance, rating)),
        Part("D1", "keeps reverse polarity from the LED", None, "small-signal silicon diode, 150 mA, 75 V"),
        Part(
            "U1",
            "isolates the trigger line",
            None,
            f"opto-isolator with transistor output, transfer ratio {100 * needs.transfer:g} % or more",
        ),
    ]
    if output is not None:
        parts.append(
            Part("R2", "pulls the output up", output, resistor_text(output, needs.tolerance, RATINGS[0]))
        )
    return Section(
        "trigger",
        title,
        given,
        tuple(parts),
        (*figures, *more),
        unfit,
        (
            "The output is low while the trigger is on.",
            "D1 lies across the LED the other way round: a line wired in reverse does nothing, and no harm.",
            "Below 0.8 V an infrared LED carries microamperes at most: surely off (from memory).",
            (
                "Trigger lines of 5 to 12 V switch the same box, and a few milliamperes suffice: common "
                "practice, no source."
            ),
        ),
        {"in": f"{low:g} to {high:g} V", "supply": volts_text(needs.supply)},
        _DARK,
    )


def _series_resistor(needs: TriggerNeeds) -> tuple[float | None, str]:
    """R1, or why there is none."""
    if needs.resistor is not None:
        return needs.resistor, ""
    low, high = needs.volts
    if low <= needs.forward[1]:
        return None, (
            f"at {low:g} V no current is left for an LED that needs {needs.forward[1]:g} V by itself; "
            "raise the lowest voltage, or use an input with a comparator"
        )
    least = (high - needs.forward[0]) / (needs.most * (1 - needs.tolerance))
    most = (low - needs.forward[1]) / (needs.least * (1 + needs.tolerance))
    chosen = balanced(needs.series, least, most)
    if chosen is not None:
        return chosen, ""
    if least > most:
        return None, (
            f"no resistor keeps the LED between {quantity(needs.least, 'A')} and {quantity(needs.most, 'A')} "
            f"from {low:g} to {high:g} V: at {high:g} V it must be above {quantity(least, 'Ω')}, at "
            f"{low:g} V below {quantity(most, 'Ω')}; narrow the range, allow more current, or use a current "
            "source"
        )
    return None, (
        f"{needs.series} has no value between {quantity(least, 'Ω')} and {quantity(most, 'Ω')}; "
        "take a finer series such as E96"
    )


def _input_figures(needs: TriggerNeeds, ohms: float) -> tuple[list[Figure], float]:
    """The figures of the line's side, and the watts in R1."""
    low, high = needs.volts
    few, much = needs.forward
    strong, weak = ohms * (1 - needs.tolerance), ohms * (1 + needs.tolerance)
    least = max(low - much, 0.0) / weak
    most = max(high - few, 0.0) / strong
    typical = (few + much) / 2
    reversed_ = (high - _DIODE_DROP) / strong
    drop = min(few, _DIODE_DROP)
    watts = (high - drop) ** 2 / strong
    on_from = much + needs.least * weak
    per = quantity(ohms, "Ω")
    share = f"{100 * needs.tolerance:g} %"
    rating = rating_for(watts)
    heat: Figure
    working = f"({high:g} V - {drop:g} V)² / ({per} - {share})"
    if rating is None:
        heat = plain_figure("power in R1", watts, "W", working=working, source=_POWER)
    else:
        words = f"the rating of {rating:g} W"
        heat = at_most("power in R1", watts, "W", rating, words, working=working, source=_POWER)
    return [
        at_least(
            f"LED current at {low:g} V, at worst",
            least,
            "A",
            needs.least,
            "what the output needs to switch",
            working=f"({low:g} V - {much:g} V) / ({per} + {share})",
            source=_OHM,
        ),
        at_most(
            f"LED current at {high:g} V, at worst",
            most,
            "A",
            needs.most,
            "what the LED and the line may carry",
            working=f"({high:g} V - {few:g} V) / ({per} - {share})",
            source=_OHM,
        ),
        plain_figure(
            f"drawn from the trigger line at {low:g} V, typical",
            max(low - typical, 0.0) / ohms,
            "A",
            working=f"({low:g} V - {typical:g} V) / {per}",
            source=_OHM,
        ),
        at_most(
            f"drawn from the trigger line at {high:g} V, at worst",
            most,
            "A",
            _OUTPUT,
            "the weakest common trigger output",
            working=f"({high:g} V - {few:g} V) / ({per} - {share})",
            source=_OUTPUTS,
        ),
        at_most(
            "certainly on from",
            on_from,
            "V",
            low,
            "the lowest trigger voltage",
            working=f"{much:g} V + {quantity(needs.least, 'A')} x ({per} + {share})",
            source=_OHM,
        ),
        heat,
        at_most(
            "LED voltage with the line reversed",
            _DIODE_MOST_DROP,
            "V",
            _LED_REVERSE,
            "what the LED bears in reverse",
            working="the forward voltage of D1, at most",
            source=_DIODES,
        ),
        at_most(
            "current in D1 with the line reversed",
            reversed_,
            "A",
            _DIODE_CURRENT,
            "what D1 carries",
            working=f"({high:g} V - {_DIODE_DROP:g} V) / ({per} - {share})",
            source=_DIODES,
        ),
    ], watts


_TRANSFER = "I_C = transfer ratio x I_F, halved for age: opto-isolator data sheets (from memory)"
_CMOS = "a CMOS input takes 0.7 of its supply for high: common practice, no source"


def _output(needs: TriggerNeeds, ohms: float) -> tuple[float | None, list[Figure], str]:
    """R2 with its figures, and why there is none."""
    low, high = needs.supply
    led = max(needs.volts[0] - needs.forward[1], 0.0) / (ohms * (1 + needs.tolerance))
    able = needs.transfer * led / _AGEING
    if able <= 0:
        return None, [], f"at {needs.volts[0]:g} V the LED is dark, so the output does not switch"
    least = high / (able * (1 - needs.tolerance))
    most = (1 - _HIGH) * low / (_DARK * (1 + needs.tolerance))
    chosen = balanced(needs.series, least, most)
    if chosen is None:
        unfit = (
            f"no R2 fits: the output can sink {quantity(able, 'A')} at worst, which asks for more than "
            f"{quantity(least, 'Ω')}, and its dark current for less than {quantity(most, 'Ω')}; "
            "take an opto-isolator with a higher transfer ratio, or more LED current"
        )
        return None, [], unfit
    per, share = quantity(chosen, "Ω"), f"{100 * needs.tolerance:g} %"
    return (
        chosen,
        [
            at_most(
                "current in R2 while the trigger is on",
                high / (chosen * (1 - needs.tolerance)),
                "A",
                able,
                "what the output sinks at worst",
                working=f"{high:g} V / ({per} - {share}), against {100 * needs.transfer:g} % x "
                f"{quantity(led, 'A')} / {_AGEING:g}",
                source=_TRANSFER,
            ),
            at_least(
                "output while the trigger is off",
                low - _DARK * chosen * (1 + needs.tolerance),
                "V",
                _HIGH * low,
                "0.7 of the supply",
                working=f"{low:g} V - {quantity(_DARK, 'A')} x ({per} + {share})",
                source=f"{_CMOS}; dark current {quantity(_DARK, 'A')} when warm (from memory)",
            ),
        ],
        "",
    )
