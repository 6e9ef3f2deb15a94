"""Quantities as they are typed and shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.errors import BadValue
from profiles.wiring.quantities import quantity, read_quantity, read_span, read_supply


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("2k2", "Ω", 2200), ("2.2 kΩ", "Ω", 2200), ("4R7", "Ω", 4.7), ("470", "Ω", 470), ("1M", "Ω", 1e6),
        ("20mA", "A", 0.02), ("0,5 mA", "A", 0.0005), ("500p", "F", 5e-10), ("1nF", "F", 1e-9),
        ("2.5m", "m", 2.5), ("10", "m", 10), ("12V", "V", 12), ("5 %", "%", 5), ("3.3", "V", 3.3),
        ("100 µF", "F", 1e-4),
    ],
)  # fmt: skip
def test_a_quantity_is_read_as_it_is_written(text: str, unit: str, value: float) -> None:
    assert read_quantity(text, unit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "unit"), [("", "V"), ("-5", "V"), ("0", "Ω"), ("5V", "A"), ("x", "F"), ("inf", "V")]
)
def test_what_is_none_is_refused_with_an_example(text: str, unit: str) -> None:
    with pytest.raises(BadValue, match="write it as"):
        read_quantity(text, unit)


@given(st.floats(1e-11, 9e9), st.sampled_from(["Ω", "A", "F"]))
def test_what_is_shown_can_be_read_again(value: float, unit: str) -> None:
    shown = quantity(value, unit, 6).replace("G", "000 M")
    if "G" not in quantity(value, unit, 6) and value < 1e9:
        assert read_quantity(shown, unit) == pytest.approx(value, rel=1e-4)


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (2200, "Ω", "2.2 kΩ"),
        (0.00491, "A", "4.91 mA"),
        (0.99996, "A", "1 A"),
        (5e-10, "F", "500 pF"),
        (0, "A", "0 A"),
    ],
)
def test_a_quantity_is_shown_in_its_prefix(value: float, unit: str, shown: str) -> None:
    assert quantity(value, unit) == shown


def test_ranges_and_supplies() -> None:
    assert read_span("5..24") == read_span("5 to 24 V".replace(" V", "V")) == read_span("5-24") == (5, 24)
    assert read_span("12") == (12, 12)
    # USB 2.0, table 7-7: 4.75 to 5.25 V at a high-power port, 4.40 to 5.25 V at a low-power one.
    assert read_supply("usb")[0] == (4.40, 5.25)
    assert read_supply("usb-high")[0] == (4.75, 5.25)
    assert "USB 2.0" in read_supply("USB")[1]
    for wrong in ("24..5", "1..2..3", ""):
        with pytest.raises(BadValue):
            read_span(wrong)
