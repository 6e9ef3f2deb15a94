"""The circuits with the values that were chosen, worked out by ngspice: it knows nothing of our formulas."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from profiles.wiring.divider import DividerNeeds, divider_section
from profiles.wiring.figures import Section
from profiles.wiring.pull_up import LineNeeds, PullUpNeeds, pull_up_section
from profiles.wiring.trigger import TriggerNeeds, trigger_section
from tests.profiles.bench.programs import need, run

pytestmark = pytest.mark.peer("ngspice")

# An infrared LED of 1.2 V at 5 mA, a small-signal silicon diode of 0.7 V at 10 mA (data sheets, from memory).
MODELS = ".model LED D(IS=1e-18 N=1.29)\n.model SIGNAL D(IS=4e-9 N=1.9)\n"


def solved(folder: Path, circuit: str, *commands: str) -> dict[str, float]:
    """What ngspice prints and measures, by name in lower case."""
    path = folder / "circuit.cir"
    path.write_text("\n".join(["a circuit", circuit, ".control", *commands, "quit", ".endc", ".end", ""]))
    said = run(need("ngspice", "ngspice"), "-b", path, folder=folder)
    return {name: float(value) for name, value in re.findall(r"^(\S+)\s+=\s+(\S+)", said, re.MULTILINE)}


def value(section: Section, part: str) -> float:
    found = section.part(part)
    assert found is not None
    assert found.value is not None
    return found.value


@pytest.mark.parametrize("span", [(5.0, 12.0), (5.0, 24.0), (6.0, 48.0)])
def test_the_led_lights_within_its_limits_and_reverse_polarity_does_no_harm(
    tmp_path: Path, span: tuple[float, float]
) -> None:
    needs = TriggerNeeds(volts=span)
    section = trigger_section(needs)
    assert section.works
    for tolerance in (-needs.tolerance, needs.tolerance):
        ohms = value(section, "R1") * (1 + tolerance)
        circuit = f"V1 in 0 DC 0\nR1 in a {ohms}\nV2 a led DC 0\nD1 led 0 LED\nD2 0 a SIGNAL\n{MODELS}"
        for volts in span:
            found = solved(tmp_path, circuit, f"alter V1 = {volts}", "op", "print i(V2)")
            assert needs.least <= found["i(v2)"] <= needs.most
        found = solved(tmp_path, circuit, f"alter V1 = {-span[1]}", "op", "print v(led) i(V1)")
        assert -1.0 <= found["v(led)"] < 0  # an LED bears about 5 V in reverse (from memory)
        watts = found["i(v1)"] ** 2 * ohms
        told = next(each for each in section.figures if each.name == "power in R1")
        assert watts <= told.value * 1.001


def test_a_divider_gives_the_levels_that_were_told(tmp_path: Path) -> None:
    section = divider_section(DividerNeeds(LineNeeds(9600), volts=(4.4, 5.25), tolerance=0.01))
    upper, lower = value(section, "R3"), value(section, "R4")
    levels = []
    for sign in (1, -1):
        circuit = (
            f"V1 in 0 DC 5.25\nR3 in out {upper * (1 + 0.01 * sign)}\nR4 out 0 {lower * (1 - 0.01 * sign)}"
        )
        found = (
            solved(tmp_path, circuit, f"alter V1 = {volts}", "op", "print v(out)") for volts in (4.4, 5.25)
        )
        levels += [each["v(out)"] for each in found]
    told = {each.name: each.value for each in section.figures}
    assert max(levels) == pytest.approx(told["input when the line is highest, at worst"], rel=1e-4)
    assert min(levels) == pytest.approx(told["input when the line is high at least, at worst"], rel=1e-4)


def test_a_pulled_up_line_rises_as_fast_as_was_told(tmp_path: Path) -> None:
    needs = PullUpNeeds(LineNeeds(38400), volts=(5.0, 5.0), capacitance=1e-9)
    section = pull_up_section(needs)
    ohms = value(section, "R5") * (1 + needs.tolerance)
    rise = next(each.value for each in section.figures if each.name == "rise time")
    circuit = f"V1 in 0 PULSE(0 5 0 1n 1n 1 2)\nR5 in out {ohms}\nC1 out 0 {needs.capacitance}"
    measure = "meas tran rise trig v(out) val=0.5 rise=1 targ v(out) val=4.5 rise=1"
    found = solved(tmp_path, circuit, f"tran {rise / 400} {rise * 5}", measure)
    assert found["rise"] == pytest.approx(rise, rel=0.005)
    assert found["rise"] <= 0.25 / 38400
