"""A trigger's input as lists of levels and times: debounce, delays, hold, pulses, first words."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.triggers_timing import InputMachine, Timing


def turns(
    timing: Timing, *happens: tuple[float, bool | None], until: float = 100.0
) -> list[tuple[float, bool]]:
    """When it turns and which way, looked at whenever it says that it is due."""
    machine = InputMachine(timing)
    found: list[tuple[float, bool]] = []

    def run(to: float) -> None:
        while (due := machine.deadline) is not None and due <= to:
            found.extend((due, turn.on) for turn in machine.look(due))

    for at, level in happens:
        run(at)
        found.extend((at, turn.on) for turn in machine.input(level, at))
    run(until)
    assert machine.deadline is None
    return found


def test_how_an_input_stands_at_first_is_no_change() -> None:
    assert turns(Timing(), (0, True)) == []
    assert turns(Timing(), (0, True), (5, False)) == [(5, False)]
    assert turns(Timing(), (0, False), (5, True), (7, False)) == [(5, True), (7, False)]


def test_how_it_stands_is_followed_after_a_delay_where_the_site_says_so() -> None:
    follow = Timing(follow=True, start_delay=5)
    assert turns(follow, (0, True)) == [(5, True)]
    assert turns(follow, (0, False)) == [(5, False)]
    # It changes before the delay is over: the change is what counts.
    assert turns(follow, (0, False), (2, True)) == [(2, True)]
    assert turns(follow, (0, True), (2, False)) == [(2, False)]


def test_what_is_not_steady_counts_for_nothing() -> None:
    timing = Timing(debounce=0.05)
    bounces = [(1 + n * 0.01, n % 2 == 0) for n in range(11)]
    assert turns(timing, (0, False), *bounces) == [pytest.approx((1.15, True))]
    assert turns(timing, (0, False), (1, True), (1.04, False)) == []
    # At first as well.
    assert turns(timing, (0, True), (0.01, False), (2, True)) == [pytest.approx((2.05, True))]


def test_delays() -> None:
    timing = Timing(delay_on=2, delay_off=3)
    assert turns(timing, (0, False), (1, True), (10, False)) == [(3, True), (13, False)]
    assert turns(timing, (0, False), (1, True), (2.5, False)) == []
    # Off is not done where it is so again in time; nor is on done a second time.
    assert turns(timing, (0, False), (1, True), (10, False), (12, True)) == [(3, True)]


def test_on_is_held() -> None:
    timing = Timing(hold=10)
    assert turns(timing, (0, False), (1, True), (2, False)) == [(1, True), (11, False)]
    assert turns(timing, (0, False), (1, True), (2, False), (5, True), (6, False)) == [(1, True), (11, False)]
    assert turns(timing, (0, False), (1, True), (30, False)) == [(1, True), (30, False)]


def test_of_a_pulse_only_its_beginning_counts() -> None:
    pulse = Timing(pulse=True)
    assert turns(pulse, (0, False), (1, True), (2, False), (3, True)) == [(1, True), (3, True)]
    assert turns(pulse, (0, True), (1, False)) == []
    held = Timing(pulse=True, hold=10)
    # While it is held, a further pulse makes it longer.
    assert turns(held, (0, False), (1, True), (2, False), (5, True)) == [(1, True), (15, False)]


def test_what_has_no_level_counts_each_time() -> None:
    machine = InputMachine(Timing(pulse=True, hold=4))
    assert [turn.on for turn in machine.pulse(1.0)] == [True]
    assert machine.pulse(2.0) == []
    assert machine.deadline == 6.0
    assert [turn.on for turn in machine.look(6.0)] == [False]
    assert [turn.on for turn in machine.pulse(7.0)] == [True]


def test_an_input_that_is_not_known_any_more_begins_anew() -> None:
    timing = Timing(delay_on=2)
    # What was about to be done is not done; how it stands when it is known again is no change.
    assert turns(timing, (0, False), (1, True), (2, None), (5, True)) == []
    assert turns(timing, (0, False), (1, None), (5, True), (6, False), (7, True)) == [(6, False), (9, True)]


def test_however_long_nobody_looked_a_turn_is_taken_once() -> None:
    machine = InputMachine(Timing(delay_on=2, hold=1))
    machine.input(False, 0.0)
    machine.input(True, 1.0)
    assert [turn.on for turn in machine.look(10_000.0)] == [True]
    assert machine.look(20_000.0) == []


@given(
    st.builds(
        Timing,
        pulse=st.booleans(),
        debounce=st.sampled_from((0.0, 0.05, 1.0)),
        delay_on=st.sampled_from((0.0, 2.0)),
        delay_off=st.sampled_from((0.0, 3.0)),
        hold=st.sampled_from((0.0, 5.0)),
        follow=st.booleans(),
    ),
    st.lists(st.tuples(st.floats(0, 4), st.sampled_from((True, False, None))), max_size=30),
)
def test_whatever_comes_it_turns_no_oftener_than_the_input_changes(
    timing: Timing, happens: list[tuple[float, bool | None]]
) -> None:
    at, placed = 0.0, []
    for gap, level in happens:
        at += gap
        placed.append((at, level))
    found = turns(timing, *placed, until=at + 100)
    known = [level for _, level in placed if level is not None]
    rises = sum(level is True for level in known)
    assert sum(on for _, on in found) <= rises
    assert [when for when, _ in found] == sorted(when for when, _ in found)
    if not timing.pulse:
        # On and off take turns, as long as it is known throughout how the input stands.
        lost = any(level is None for _, level in placed)
        assert lost or all(one[1] != two[1] for one, two in itertools.pairwise(found))
    if not timing.follow and len(set(known)) < 2:
        assert found == []
