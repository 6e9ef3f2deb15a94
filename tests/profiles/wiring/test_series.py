"""Preferred values against the tables of IEC 60063."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.errors import BadValue
from profiles.wiring.series import SERIES, nearest, series_named, tolerance_of, values_between

# IEC 60063:2015: E3 to E24 and E48 to E192, as reprinted in public lists of the standard's values (E6 to E96
# read in a radio amateur's page on preferred values; E3 and the entries of E192 are from memory).
E3 = "10 22 47"
E6 = "10 15 22 33 47 68"
E12 = "10 12 15 18 22 27 33 39 47 56 68 82"
E24 = "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91"
E48 = (
    "100 105 110 115 121 127 133 140 147 154 162 169 178 187 196 205 215 226 237 249 261 274 287 301 316 332 "
    "348 365 383 402 422 442 464 487 511 536 562 590 619 649 681 715 750 787 825 866 909 953"
)
E96 = (
    "100 102 105 107 110 113 115 118 121 124 127 130 133 137 140 143 147 150 154 158 162 165 169 174 178 182 "
    "187 191 196 200 205 210 215 221 226 232 237 243 249 255 261 267 274 280 287 294 301 309 316 324 332 340 "
    "348 357 365 374 383 392 402 412 422 432 442 453 464 475 487 499 511 523 536 549 562 576 590 604 619 634 "
    "649 665 681 698 715 732 750 768 787 806 825 845 866 887 909 931 953 976"
)
E192_PARTS = "101 104 106 109 111 114 117 120 123 856 876 898 920 942 965 988"


def decade(name: str, top: int) -> list[int]:
    return [round(value * top) for value in values_between(name, 1.0, 9.99)]


@pytest.mark.parametrize(("name", "table"), [("E3", E3), ("E6", E6), ("E12", E12), ("E24", E24)])
def test_the_coarse_series_are_the_standards(name: str, table: str) -> None:
    assert decade(name, 10) == [int(word) for word in table.split()]


@pytest.mark.parametrize(("name", "table"), [("E48", E48), ("E96", E96)])
def test_the_fine_series_are_the_standards(name: str, table: str) -> None:
    assert decade(name, 100) == [int(word) for word in table.split()]


def test_e192_has_e96_in_it_and_its_one_exception() -> None:
    values = decade("E192", 100)
    assert len(values) == 192
    assert values[::2] == decade("E96", 100)
    # 10 to the 185/192 is 9.19 at three figures; the standard says 9.20.
    assert 919 not in values
    assert {int(word) for word in E192_PARTS.split()} <= set(values)


def test_tolerances_go_with_their_series() -> None:
    # IEC 60063 (from memory): E6 20 %, E12 10 %, E24 5 %, E48 2 %, E96 1 %, E192 0.5 %.
    assert [tolerance_of(name) for name in SERIES[1:]] == [0.2, 0.1, 0.05, 0.02, 0.01, 0.005]


@given(st.sampled_from(SERIES), st.floats(1.0, 4.7e6))
def test_the_nearest_value_is_never_farther_than_half_a_step(name: str, wanted: float) -> None:
    found = nearest(name, wanted)
    around = values_between(name, wanted / 2.5, wanted * 2.5)
    assert found in around
    assert all(max(found / wanted, wanted / found) <= max(v / wanted, wanted / v) * 1.000001 for v in around)


def test_a_value_at_the_limit_is_in_and_a_wrong_name_is_told() -> None:
    assert values_between("E12", 2200.0000001, 2200.0) == (2200.0,)
    assert values_between("E12", 2201, 2699) == ()
    assert series_named(" e96 ") == "E96"
    with pytest.raises(BadValue, match="E24"):
        series_named("E25")
