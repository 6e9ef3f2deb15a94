"""How often what happens is painted: never all of the time, and nobody waits long for it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from tui.pace import pause_after


@given(st.floats(0, 60), st.sampled_from([0.1, 0.25]))
def test_looks_take_a_tenth_of_the_time_unless_somebody_would_wait_for_that(
    took: float, least: float
) -> None:
    pause = pause_after(took, least)
    assert least <= pause <= 1.0
    assert took <= 0.1001 * (took + pause) or pause == 1.0


def test_a_look_of_a_small_site_is_over_before_it_counts() -> None:
    assert pause_after(0.002) == 0.1
    assert pause_after(0.02) == 0.18
    assert pause_after(3.0) == 1.0
