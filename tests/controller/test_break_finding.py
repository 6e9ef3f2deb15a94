"""The search for a break, by itself: every break of every ring is found, in as few steps as there can be."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.break_finding import BreakSearch


def follow(search: BreakSearch, first_bad: int, *, count: bool = True) -> int:
    """Search a ring whose nearest bad place is ``first_bad``; how many probes that took."""
    steps = 0
    while (place := search.place) is not None:
        assert 0 <= place <= search.units
        assert search.found is None
        assert search.steps_left >= 1
        came_back = place < first_bad
        assert search.took(came_back, place if came_back and count else None) is None
        steps += 1
    return steps


@given(st.integers(1, 60), st.data(), st.booleans())
def test_each_break_is_found_in_as_few_steps_as_halving_allows(
    units: int, data: st.DataObject, count: bool
) -> None:
    first_bad = data.draw(st.integers(0, units + 1))
    search = BreakSearch(units)
    assert follow(search, first_bad, count=count) <= math.ceil(math.log2(units + 2))
    found = search.found
    assert found is not None
    assert found.after == first_bad - 1


@pytest.mark.parametrize(
    ("first_bad", "text", "look_at"),
    [
        (0, "the adapter does not even hear itself", "the plug that joins its output to its input"),
        (1, "all is good up to the adapter itself", "the lead from the adapter itself to unit 1 (desk)"),
        (3, "all is good up to unit 2 (amp)", "the lead from unit 2 (amp) to unit 3 (lift)"),
        (5, "all 4 units are good", "the lead from unit 4 (sign) back to the adapter"),
    ],
)
def test_what_is_said_of_it(first_bad: int, text: str, look_at: str) -> None:
    search = BreakSearch(4, ["desk", "amp", "lift", "sign"])
    assert search.steps_left == 3
    assert follow(search, first_bad) <= 3
    found = search.found
    assert found is not None
    assert found.text.startswith(text)
    assert found.look_at.startswith(look_at)


def test_a_lead_at_another_unit_is_noticed_by_the_number_of_hops() -> None:
    search = BreakSearch(4)
    place = search.place
    assert place == 2
    odd = search.took(True, 1)
    assert odd is not None
    assert odd.startswith("1 unit repeated it, and the lead should be behind unit 2")
    assert search.place == 2  # it does not count
    for _ in range(3):
        assert "no unit" in str(search.took(True, 0))  # not all can be bypassed
    # Looked at, and told the same once more: a unit is bypassed, and its way is good all the same.
    assert search.took(True, 1) is None
    assert search.place == 3


def test_when_it_is_found_nothing_more_counts() -> None:
    search = BreakSearch(1)
    follow(search, 1)
    before = search.found
    assert search.took(True, 0) is None
    assert search.found == before
