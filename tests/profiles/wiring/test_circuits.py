"""Trigger input, divider and pull-up against worked examples from outside."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.errors import BadValue
from profiles.wiring.design import wiring
from profiles.wiring.divider import DividerNeeds, divider_section
from profiles.wiring.figures import Figure, Section
from profiles.wiring.pull_up import LineNeeds, PullUpNeeds, pull_up_section, rise_factor, rise_figure
from profiles.wiring.series import SERIES
from profiles.wiring.trigger import TriggerNeeds, trigger_section


def figure(section: Section, start: str) -> Figure:
    return next(each for each in section.figures if each.name.startswith(start))


def value(section: Section, part: str) -> float:
    found = section.part(part)
    assert found is not None
    assert found.value is not None
    return found.value


# ---- Trigger input


# (V - V_F) / R with V_F = 1.2 V and 2.2 kΩ, worked with Ohm's law alone; the manual of an opto-isolator kit
# has 75 Ω for 50 mA out of 5 V at 1.25 V.
@pytest.mark.parametrize(
    ("volts", "ohms", "drop", "amperes"),
    [
        (5, 2200, 1.2, 1.73e-3), (9, 2200, 1.2, 3.55e-3), (12, 2200, 1.2, 4.91e-3), (15, 2200, 1.2, 6.27e-3),
        (30, 2200, 1.2, 13.1e-3), (12, 2160, 1.2, 5e-3), (12, 1080, 1.2, 10e-3), (5, 760, 1.2, 5e-3),
        (5, 75, 1.25, 50e-3),
    ],
)  # fmt: skip
def test_led_current_is_that_of_worked_examples(
    volts: float, ohms: float, drop: float, amperes: float
) -> None:
    needs = TriggerNeeds(volts=(volts, volts), forward=(drop, drop), resistor=ohms, most=0.1)
    typical = figure(trigger_section(needs), "drawn from the trigger line at")
    assert typical.value == pytest.approx(amperes, rel=0.005)


def test_a_resistor_that_is_too_weak_for_its_heat_is_not_proposed() -> None:
    # 30 V at 2.2 kΩ: 28.8² / 2200 = 377 mW, over a quarter watt; half of its rating and no more is common
    # practice, no source.
    section = trigger_section(TriggerNeeds(volts=(5, 30), resistor=2200, tolerance=1e-6))
    assert figure(section, "power in R1").value == pytest.approx((30 - 0.6) ** 2 / 2200, rel=1e-3)
    part = section.part("R1")
    assert part is not None
    assert part.text.endswith("1 W")


@given(
    low=st.floats(1.0, 60.0),
    span=st.floats(1.0, 12.0),
    series=st.sampled_from(SERIES[2:]),
    tolerance=st.sampled_from((0.005, 0.01, 0.05, 0.1)),
    forward=st.tuples(st.floats(0.9, 1.3), st.floats(0.0, 0.6)),
    least=st.floats(0.2e-3, 5e-3),
    room=st.floats(1.5, 60.0),
)
@settings(max_examples=300)
def test_the_current_keeps_its_limits_at_both_ends_or_it_is_said_that_none_does(
    low: float,
    span: float,
    series: str,
    tolerance: float,
    forward: tuple[float, float],
    least: float,
    room: float,
) -> None:
    high = min(low * span, 60.0)
    drop = (forward[0], forward[0] + forward[1])
    section = trigger_section(TriggerNeeds((low, high), series, tolerance, drop, least, least * room))
    r1 = section.part("R1")
    if r1 is None or r1.value is None:
        assert section.problem
        # Worked out anew here, by trying each value of the series with every worst case.
        from profiles.wiring.series import values_between

        for ohms in values_between(series, 1, 9.9e6):
            weakest = (low - drop[1]) / (ohms * (1 + tolerance))
            strongest = (high - drop[0]) / (ohms * (1 - tolerance))
            assert not (weakest >= least * (1 + 1e-6) and strongest <= least * room * (1 - 1e-6))
        return
    for ohms in (r1.value * (1 - tolerance), r1.value * (1 + tolerance)):
        for led in drop:
            for volts in (low, high):
                current = (volts - led) / ohms
                assert least * (1 - 1e-6) <= current <= least * room * (1 + 1e-6)


def test_a_trigger_of_5_to_12_volts_takes_a_few_milliamperes() -> None:
    # Common practice, no source: trigger lines of 5 to 12 V switch the same box, a few milliamperes suffice.
    section = trigger_section(TriggerNeeds(volts=(5, 12)))
    assert section.works
    assert figure(section, "LED current at 5 V").value >= 1e-3
    assert figure(section, "drawn from the trigger line at 12 V").value < 10e-3


def test_a_given_resistor_that_leaves_a_limit_is_warned_about() -> None:
    section = trigger_section(TriggerNeeds(volts=(5, 24), resistor=470))
    assert not section.works
    assert any("LED current at 24 V" in warning for warning in section.warnings)
    assert not wiring(TriggerNeeds(volts=(5, 24), resistor=470)).works
    dim = trigger_section(TriggerNeeds(volts=(5, 24), resistor=10_000))
    assert any("LED current at 5 V" in warning for warning in dim.warnings)


@pytest.mark.parametrize(
    ("needs", "part"),
    [
        (TriggerNeeds(volts=(1.2, 5)), "no current is left"),
        (TriggerNeeds(volts=(2, 60)), "no resistor keeps the LED between"),
        (TriggerNeeds(volts=(5, 24), series="E3", most=5.9e-3, least=0.75e-3), "E3 has no value"),
        (TriggerNeeds(volts=(5, 24), transfer=0.01), "no R2 fits"),
        (TriggerNeeds(volts=(50, 60), least=80e-3, most=0.4), "no common resistor"),
    ],
)
def test_it_is_said_why_no_value_works(needs: TriggerNeeds, part: str) -> None:
    section = trigger_section(needs)
    assert not section.works
    assert part in section.problem


def test_mains_is_no_trigger_voltage() -> None:
    with pytest.raises(BadValue, match="mains"):
        TriggerNeeds(volts=(12, 230))
    with pytest.raises(BadValue):
        TriggerNeeds(volts=(0.5, 5))
    with pytest.raises(BadValue):
        TriggerNeeds(least=0.03)


def test_reverse_polarity_reaches_the_led_as_a_diodes_drop() -> None:
    section = trigger_section(TriggerNeeds(volts=(5, 24)))
    # An opto-isolator's LED bears about 5 V in reverse (from memory).
    assert figure(section, "LED voltage with the line reversed").ok
    assert figure(section, "current in D1").value == pytest.approx((24 - 0.6) / (value(section, "R1") * 0.95))


# ---- Divider


# V x R2 / (R1 + R2), worked by hand; 15 V out of 33 k / 10 k is over 3.3 V.
@pytest.mark.parametrize(
    ("upper", "lower", "volts", "out"),
    [(33e3, 10e3, 12, 2.791), (33e3, 10e3, 15, 3.488), (10e3, 3.3e3, 12, 2.977), (22e3, 10e3, 12, 3.75)],
)
def test_a_divider_gives_the_worked_examples(upper: float, lower: float, volts: float, out: float) -> None:
    needs = DividerNeeds(LineNeeds(), volts=(volts, volts), resistors=(upper, lower), tolerance=1e-9)
    section = divider_section(needs)
    assert figure(section, "input when the line is highest").value == pytest.approx(out, abs=0.001)
    assert section.works == (2.31 <= out <= 3.3)


def test_five_volts_of_usb_fit_3_3_volt_logic_at_either_kind_of_port() -> None:
    # V_BUS 4.40 to 5.25 V (USB 2.0, table 7-7).
    section = divider_section(DividerNeeds(LineNeeds(), volts=(4.40, 5.25)))
    assert section.works
    ratio = value(section, "R4") / (value(section, "R3") + value(section, "R4"))
    assert 5.25 * ratio < 3.3
    assert 4.40 * ratio > 0.7 * 3.3


@given(
    low=st.floats(3.4, 18.0),
    spread=st.floats(1.0, 1.6),
    logic=st.sampled_from((1.8, 2.5, 3.3)),
    tolerance=st.sampled_from((0.001, 0.01, 0.05)),
    series=st.sampled_from(("E12", "E24", "E96")),
    baud=st.sampled_from((300.0, 9600.0, 115200.0, 1e6)),
)
@settings(max_examples=60, deadline=None)
def test_a_divider_keeps_every_worst_case_or_says_that_none_does(
    low: float, spread: float, logic: float, tolerance: float, series: str, baud: float
) -> None:
    needs = DividerNeeds(
        LineNeeds(baud), volts=(low, low * spread), logic=(logic, logic), tolerance=tolerance, series=series
    )
    section = divider_section(needs)
    if section.problem:
        assert not section.parts
        return
    for one in (1 - tolerance, 1 + tolerance):
        for other in (1 - tolerance, 1 + tolerance):
            upper, lower = value(section, "R3") * one, value(section, "R4") * other
            assert low * lower / (upper + lower) >= 0.7 * logic * (1 - 1e-9)
            assert low * spread * lower / (upper + lower) <= logic * (1 + 1e-9)
            assert math.log(9) * upper * lower / (upper + lower) * 20e-12 <= 0.25 / baud * (1 + 1e-9)


def test_where_a_divider_cannot_do_it_says_so() -> None:
    wide = divider_section(DividerNeeds(LineNeeds(), volts=(3.5, 5.5)))
    assert "buffer" in wide.problem
    fast = divider_section(DividerNeeds(LineNeeds(20e6), volts=(5, 5), most=1e-4))
    assert "level shifter" in fast.problem
    with pytest.raises(BadValue, match="no divider"):
        DividerNeeds(LineNeeds(), volts=(3, 3.3))
    with pytest.raises(BadValue, match="no logic level"):
        DividerNeeds(LineNeeds(), volts=(24, 48))


# ---- Pull-up and RC


def test_rise_times_are_those_of_worked_examples() -> None:
    # ln 9 x RC, worked by hand: 4.7 kΩ and 1 nF: 10.33 µs, 9.9 % of a bit at 9600 baud, 119 % at 115200;
    # 10 kΩ and 100 pF: 2.2 µs.
    slow, fast = (rise_figure("rise", 4700, 1e-9, LineNeeds(baud), "R") for baud in (9600, 115200))
    assert slow.value == pytest.approx(10.33e-6, abs=1e-8)
    assert "9.91 % of a bit" in slow.working
    assert "119 % of a bit" in fast.working
    assert slow.ok
    assert not fast.ok
    assert rise_figure("rise", 1e4, 1e-10, LineNeeds(), "R").value == pytest.approx(2.2e-6, rel=0.002)
    # UM10204 (I2C), section 7.1: from 0.3 to 0.7 of the supply a rise takes 0.8473 RC.
    assert rise_factor(0.3, 0.7) == pytest.approx(0.8473, abs=5e-5)
    # Half the height after 0.693 RC (any handbook).
    assert rise_factor(0.0, 0.5) == pytest.approx(0.693, abs=5e-4)


def test_the_least_pull_up_is_that_of_the_i2c_manual() -> None:
    # UM10204, section 7.1, equation 2: (3.3 V - 0.4 V) / 3 mA = 967 Ω.
    at, under = (
        pull_up_section(
            PullUpNeeds(LineNeeds(9600), volts=(3.3, 3.3), sink=3e-3, resistor=ohms, tolerance=1e-9)
        )
        for ohms in (967, 960)
    )
    assert at.works
    assert any("held low" in warning for warning in under.warnings)


@given(
    baud=st.floats(300, 2e6),
    farads=st.floats(1e-11, 1e-7),
    sink=st.floats(2e-4, 2e-2),
    idle_high=st.booleans(),
)
def test_a_pull_up_is_quick_and_weak_enough_or_it_is_said_that_none_is(
    baud: float, farads: float, sink: float, idle_high: bool
) -> None:
    needs = PullUpNeeds(LineNeeds(baud, idle_high), volts=(4.4, 5.25), capacitance=farads, sink=sink)
    section = pull_up_section(needs)
    if section.part("R5") is None:
        assert section.problem
        return
    ohms = value(section, "R5")
    assert math.log(9) * ohms * 1.05 * farads <= 0.25 / baud * (1 + 1e-9)
    assert (5.25 - 0.4) / (ohms * 0.95) <= sink * (1 + 1e-9)
    assert (section.idle > 0) == (not idle_high)


def test_idle_current_is_the_sum_of_what_flows_at_rest() -> None:
    line = LineNeeds(4800)
    both = wiring(None, DividerNeeds(line), PullUpNeeds(line))
    divider, pull_up = both.sections
    assert both.idle == pytest.approx(figure(divider, "idle current").value)
    assert figure(pull_up, "idle current").value == 0
    low = wiring(None, DividerNeeds(LineNeeds(4800, idle_high=False)))
    assert low.idle == 0
