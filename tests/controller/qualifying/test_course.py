"""The course of a qualification: lists of outcomes in, steps out."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.qualifying.course import Course, Done, Phase, Send
from controller.records import Outcome, Reason, Result
from tests.controller.qualifying.runs import a_plan, bad, good, walked


def sends(
    course: Course, outcomes: list[Outcome] | None = None, end_at: int | None = None
) -> list[tuple[str, bool]]:
    steps = walked(course, outcomes or [], end_at=end_at)
    return [(step.phase.value, step.on) for _, step in steps if isinstance(step, Send)]


CYCLE = [("on", True), ("off", False)]


def test_a_unit_that_is_off_goes_through_its_cycles_and_stays_off() -> None:
    course = Course(a_plan(3), False, 0.0)
    assert sends(course) == CYCLE * 3
    assert course.complete
    assert course.on is False
    assert course.ended_early == ""


def test_a_unit_of_which_nothing_is_known_is_told_to_be_off_first() -> None:
    assert sends(Course(a_plan(2), None, 0.0)) == [("before", False), *CYCLE * 2]


def test_a_unit_that_was_on_is_on_again_at_the_end() -> None:
    course = Course(a_plan(2), True, 0.0)
    assert sends(course) == [("before", False), *CYCLE * 2, ("restore", True)]
    assert course.on is True


@given(
    found=st.sampled_from([True, False, None]),
    cycles=st.integers(1, 6),
    on_for=st.floats(0, 20),
    off_for=st.floats(0, 20),
    failing=st.lists(st.booleans(), max_size=12),
)
def test_times_on_and_off_hold_whatever_fails(
    found: bool | None, cycles: int, on_for: float, off_for: float, failing: list[bool]
) -> None:
    outcomes = [bad() if fails else good() for fails in failing]
    course = Course(a_plan(cycles, on_for=on_for, off_for=off_for), found, 0.0)
    steps = [(at, step) for at, step in walked(course, outcomes) if isinstance(step, Send)]
    for (before, one), (after, two) in pairwise(steps):
        if course.ended_early and two.phase is Phase.RESTORE:
            continue  # taking energy away at the end waits for nothing
        assert after >= before + (on_for if one.on else off_for) - 1e-9
    if not course.ended_early:
        assert course.completed == cycles


@given(
    found=st.sampled_from([True, False, None]),
    cycles=st.integers(1, 5),
    end_at=st.integers(0, 12),
    failing=st.lists(st.booleans(), max_size=12),
)
def test_nothing_energises_after_an_early_end_and_what_was_switched_on_is_switched_off(
    found: bool | None, cycles: int, end_at: int, failing: list[bool]
) -> None:
    outcomes = [bad() if fails else good() for fails in failing]
    course = Course(a_plan(cycles), found, 0.0)
    steps = [step for _, step in walked(course, outcomes, end_at=end_at) if isinstance(step, Send)]
    if course.ended_early and course.ended_early != "it was stopped":
        return
    after = steps[end_at:] if len(steps) >= end_at and course.ended_early else []
    assert all(not step.on for step in after)
    before = steps[:end_at]
    left_as_found = found is True and course.on is True
    if course.ended_early and before and before[-1].phase is Phase.ON and not left_as_found:
        assert after, "it was left on"
        assert not after[-1].on


def test_stopped_before_anything_was_sent_it_sends_nothing() -> None:
    for found in (True, False, None):
        assert sends(Course(a_plan(), found, 0.0), end_at=0) == []


def test_a_unit_found_on_and_on_again_is_left_so_when_it_is_stopped() -> None:
    # Stopped within the on time of the first cycle: found on, is on, nothing is sent.
    course = Course(a_plan(3), True, 0.0)
    assert sends(course, end_at=2) == [("before", False), ("on", True)]
    # Stopped in the off time: it was found on and is off; nothing energises it any more.
    course = Course(a_plan(3), True, 0.0)
    assert sends(course, end_at=3) == [("before", False), *CYCLE]


@pytest.mark.parametrize("reason", [Reason.LOCKED, Reason.NOT_ALLOWED, Reason.CONDITION, Reason.JOURNAL])
def test_a_refusal_that_would_only_come_again_ends_it(reason: Reason) -> None:
    course = Course(a_plan(5), False, 0.0)
    assert sends(course, [good(), good(), bad(reason, Result.REFUSED)]) == [*CYCLE, ("on", True)]
    assert reason.value in course.ended_early
    assert course.completed == 1


def test_a_failed_action_does_not_end_it_and_a_taken_back_one_does() -> None:
    course = Course(a_plan(3), False, 0.0)
    assert sends(course, [bad(), bad(), good(), bad(Reason.TOO_FAST, Result.REFUSED)]) == CYCLE * 3
    assert course.complete
    course = Course(a_plan(3), False, 0.0)
    back = Outcome(
        "id", Result.CANCELLED, Reason.CANCELLED, "taken back, because Ada switched everything off"
    )
    assert sends(course, [back]) == [("on", True), ("restore", False)]
    assert "Ada" in course.ended_early


def test_a_unit_that_can_not_be_switched_off_is_not_switched_on() -> None:
    course = Course(a_plan(3), None, 0.0)
    assert sends(course, [bad()]) == [("before", False)]
    assert "before the first cycle" in course.ended_early


def test_the_steps_are_asked_for_one_at_a_time() -> None:
    course = Course(a_plan(), False, 0.0)
    assert isinstance(course.next(0.0), Send)
    with pytest.raises(RuntimeError):
        course.next(0.0)
    course.took(good(), 1.0)
    with pytest.raises(RuntimeError):
        course.took(good(), 1.0)
    course.end("first")
    course.end("second")
    assert course.ended_early == "first"
    assert isinstance(course.next(1.0), Send)
    course.took(good(), 1.1)
    assert isinstance(course.next(1.1), Done)
