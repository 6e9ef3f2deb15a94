"""Times of day against clocks that jump: none is taken twice, none is made up, daylight saving included.

Daylight saving in London in 2026: from 29 March 01:00 UTC to 25 October 01:00 UTC (IANA time zone database,
europe, rules "EU": last Sundays of March and October at 01:00 UTC).
"""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.triggers_times import LONGEST_LOOK, Daily, TimeMachine

LONDON = ZoneInfo("Europe/London")
EVERY_DAY = frozenset(range(7))


def utc(text: str) -> float:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC).timestamp()


def daily(at: str, days: frozenset[int] = EVERY_DAY) -> Daily:
    return Daily(dt.time.fromisoformat(at), days, LONDON)


def taken(machine: TimeMachine, begin: float, seconds: float, step: float = 10.0) -> list[float]:
    """When it is due, looked at in steps."""
    return [begin + n * step for n in range(1, int(seconds / step) + 1) if machine.look(begin + n * step)[0]]


def test_it_is_due_once_a_day() -> None:
    begin = utc("2026-01-10T00:00:00")
    machine = TimeMachine(daily("19:30"), begin)
    assert taken(machine, begin, 2 * 86_400) == [utc("2026-01-10T19:30:00"), utc("2026-01-11T19:30:00")]


def test_it_is_due_on_its_days_only() -> None:
    begin = utc("2026-01-05T00:00:00")  # a Monday
    machine = TimeMachine(daily("19:30", frozenset((4, 5))), begin)
    assert taken(machine, begin, 7 * 86_400, 30) == [utc("2026-01-09T19:30:00"), utc("2026-01-10T19:30:00")]


def test_summer_and_winter_have_the_same_local_time() -> None:
    assert daily("19:30").following(utc("2026-03-28T00:00:00")) == utc("2026-03-28T19:30:00")
    assert daily("19:30").following(utc("2026-03-29T00:00:00")) == utc("2026-03-29T18:30:00")
    assert daily("19:30").following(utc("2026-10-25T00:00:00")) == utc("2026-10-25T19:30:00")


def test_a_local_time_that_is_left_out_is_due_once_and_one_that_comes_twice_as_well() -> None:
    # 01:30 does not exist on 29 March; on 25 October it is at 00:30 and at 01:30 UTC.
    begin = utc("2026-03-29T00:00:00")
    assert taken(TimeMachine(daily("01:30"), begin), begin, 86_400 / 2) == [utc("2026-03-29T01:30:00")]
    begin = utc("2026-10-25T00:00:00")
    assert taken(TimeMachine(daily("01:30"), begin), begin, 86_400 / 2) == [utc("2026-10-25T00:30:00")]


def test_what_was_due_before_the_start_is_over() -> None:
    begin = utc("2026-01-10T19:30:00")
    machine = TimeMachine(daily("19:30"), begin)
    assert taken(machine, begin, 3600) == []


def test_missed_times_are_counted_and_not_made_up() -> None:
    begin = utc("2026-01-10T19:00:00")
    machine = TimeMachine(daily("19:30"), begin)
    # Asleep for three hours, or the clock was set forward by them.
    assert machine.look(begin + 3 * 3600) == (False, 1)
    machine = TimeMachine(daily("19:30"), begin)
    assert machine.look(begin + 10 * 86_400) == (False, 10)
    assert machine.look(begin + 10 * 86_400 + 10) == (False, 0)
    # A clock that starts at the epoch and is then set right.
    machine = TimeMachine(daily("19:30"), 0.0)
    due, missed = machine.look(begin)
    assert not due
    assert missed in (30, 31, 32)


def test_a_clock_that_is_set_back_does_not_fire_twice() -> None:
    begin = utc("2026-01-10T19:29:00")
    machine = TimeMachine(daily("19:30"), begin)
    assert len(taken(machine, begin, 120)) == 1
    assert machine.look(begin - 3600) == (False, 0)
    assert taken(machine, begin - 3600, 7200) == []
    assert taken(machine, begin + 3600, 86_400) == [utc("2026-01-11T19:30:00")]


def test_a_clock_that_was_a_year_ahead_does_no_harm() -> None:
    begin = utc("2026-01-10T19:00:00")
    machine = TimeMachine(daily("19:30"), begin)
    assert machine.look(begin + 365 * 86_400)[0] is False
    assert machine.look(begin + 10) == (False, 0)
    assert taken(machine, begin + 10, 3600) == [utc("2026-01-10T19:30:00")]


def test_looks_are_never_far_apart_and_one_is_at_the_time_itself() -> None:
    machine = TimeMachine(daily("19:30"), utc("2026-01-10T19:00:00"))
    assert machine.next_look(utc("2026-01-10T19:00:00")) == LONGEST_LOOK
    assert machine.next_look(utc("2026-01-10T19:29:55")) == pytest.approx(5)


def test_without_a_zone_it_is_the_computers_own(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    if not hasattr(time, "tzset"):
        pytest.skip("the zone of this computer can't be set here")
    monkeypatch.setenv("TZ", "Europe/London")
    time.tzset()
    try:
        local = Daily(dt.time(1, 30), EVERY_DAY)
        for day in ("2026-01-10", "2026-03-29", "2026-07-01", "2026-10-25"):
            after = utc(f"{day}T00:00:00") - 7200
            assert local.following(after) == daily("01:30").following(after)
    finally:
        monkeypatch.undo()
        time.tzset()


@given(
    st.lists(st.floats(-20_000, 200_000) | st.floats(0, 30), min_size=1, max_size=60),
    st.sampled_from(("00:00", "01:30", "02:30", "19:30", "23:59")),
    st.sampled_from((utc("2026-03-27T00:00:00"), utc("2026-10-23T00:00:00"))),
)
def test_however_the_clock_jumps_an_instant_is_taken_at_most_once(
    jumps: list[float], at: str, begin: float
) -> None:
    machine = TimeMachine(daily(at), begin)
    now, done = begin, []
    for jump in jumps:
        before, now = now, now + jump
        due, missed = machine.look(now)
        if due:
            assert 0 < jump <= 60
            assert missed == 0
            found = list(daily(at).between(before, now))
            assert len(found) == 1
            done += found
    assert len(done) == len(set(done))
