"""Rates, hold-offs and minimum times: what waits, what is refused, and what always passes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.guard import Cleared, Refusal
from controller.records import Known, Origin, OriginKind, Reason, StateChange, StateValue
from tests.controller.gates import KINDS, OFF, ON, Bench, command, reason

# Rates


@given(
    st.lists(st.integers(0, 12).map(lambda quarters: quarters / 4), max_size=60),
    st.sampled_from([0.05, 0.1, 0.5, 1.0, 7.0]),
)
def test_no_more_commands_pass_than_the_rate_allows(pauses: list[float], rate: float) -> None:
    bench = Bench(rate)
    window = max(10.0, 1 / rate)
    most = max(1, int(rate * window + 1e-9))
    passed: list[float] = []
    for pause in pauses:
        bench.now += pause
        found = bench.admit(command("mixer", "mute-on"))
        within = sum(at > bench.now - window for at in passed)
        assert reason(found) is (Reason.TOO_FAST if within >= most else None)
        if isinstance(found, Cleared):
            passed.append(bench.now)


def test_de_energising_counts_against_the_rate_and_is_never_refused_for_it() -> None:
    bench = Bench(rate=1.0)
    for _ in range(30):
        assert isinstance(bench.admit(OFF), Cleared)
    assert reason(bench.admit(command("mixer", "mute-on"))) is Reason.TOO_FAST
    bench.now += 10.0
    assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)


@pytest.mark.parametrize(
    ("rate", "passed", "full_at", "free_at"),
    [
        (0.2, (0.0, 5.0), 9.75, 10.0),
        (0.2, (0.0, 0.0), 9.75, 10.0),
        (0.1, (0.0,), 9.75, 10.0),
        (0.05, (0.0,), 19.75, 20.0),
        (0.25, (0.0, 1.0), 9.75, 10.0),
        # 1 / 0.013 times 0.013 is a little less than 1 to a computer.
        (0.013, (0.0,), 76.5, 77.0),
    ],
)
def test_a_rate_is_an_average_over_ten_seconds_or_over_the_time_of_one_command(
    rate: float, passed: tuple[float, ...], full_at: float, free_at: float
) -> None:
    bench, begin = Bench(rate), 1000.0
    for at in passed:
        bench.now = begin + at
        assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)
    for at, refused in ((passed[-1], True), (full_at, True), (free_at, False)):
        bench.now = begin + at
        found = bench.admit(command("foyer-amp", "mute-on"))
        assert reason(found) is (Reason.TOO_FAST if refused else None)


def test_what_is_refused_does_not_count_against_the_rate() -> None:
    bench = Bench(rate=0.1)
    bench.lock("mixer")
    for _ in range(5):
        assert reason(bench.admit(ON)) is Reason.LOCKED
    assert isinstance(bench.admit(command("foyer-amp", "power-on")), Cleared)


# Times


def test_hold_off_makes_the_next_command_to_the_unit_wait() -> None:
    bench = Bench()
    bench.through(ON)  # half a second, by its profile
    for each in (command("mixer", "mute-on"), OFF, command("sound", "mute-on")):
        cleared = bench.admit(each)
        assert isinstance(cleared, Cleared)
        assert bench.gate.ready(cleared).at == bench.now + 0.5
    other = bench.admit(command("hall-amp", "mute-on"))
    assert isinstance(other, Cleared)
    assert bench.gate.ready(other).at <= bench.now


def test_a_shorter_hold_off_does_not_end_a_longer_one() -> None:
    bench = Bench()
    bench.through(ON)
    until = bench.now + 0.5
    bench.now += 0.1
    bench.through(command("mixer", "mute-on"))  # it has none
    waits = bench.admit(OFF)
    assert isinstance(waits, Cleared)
    assert bench.gate.ready(waits).at == until


def test_minimum_off_refuses_to_energise_and_nothing_else() -> None:
    bench = Bench()
    bench.through(OFF)
    bench.now += 19.0
    found = bench.through(ON)
    assert isinstance(found, Refusal)
    assert found.reason is Reason.TOO_FAST
    assert "another 1.0 s" in found.text
    assert reason(bench.turn(bench.admit(command("sound", "power-on")))) is Reason.TOO_FAST
    assert isinstance(bench.through(command("mixer", "mute-on")), Cleared)
    assert isinstance(bench.through(OFF), Cleared)
    bench.now += 19.0  # it was told to go off once more
    assert reason(bench.turn(bench.admit(ON))) is Reason.TOO_FAST
    bench.now += 1.0
    assert isinstance(bench.through(ON), Cleared)


@pytest.mark.parametrize("origin", KINDS)
def test_minimum_on_makes_automation_wait_and_lets_people_pass(origin: Origin) -> None:
    bench = Bench()
    bench.through(ON)
    bench.now += 10.0
    off = bench.admit(replace(OFF, origin=origin))
    assert isinstance(off, Cleared)
    automatic = origin.kind in (OriginKind.MQTT, OriginKind.TRIGGER, OriginKind.SEQUENCE)
    assert bench.gate.ready(off).at == bench.now + (20.0 if automatic else -9.5)


def test_minimum_times_count_from_what_is_seen_at_a_front_panel_too() -> None:
    bench = Bench()
    bench.now += 100.0
    seen = StateValue(False, Known.OBSERVED, 1.0)
    bench.gate.noticed(StateChange("mixer", "power", seen), bench.now)
    bench.now += 5.0
    assert reason(bench.turn(bench.admit(ON))) is Reason.TOO_FAST
    bench.gate.noticed(StateChange("mixer", "power", replace(seen, value=True)), bench.now)
    off = bench.admit(replace(OFF, origin=Origin(OriginKind.TRIGGER)))
    assert isinstance(off, Cleared)
    assert bench.gate.ready(off).at == bench.now + 30.0
    assert bench.gate.minds("mixer")
    assert not bench.gate.minds("foyer-amp")


def test_an_earlier_run_is_remembered() -> None:
    bench = Bench()
    assert bench.gate.memory == 30.0
    bench.gate.remember(OFF, bench.now - 15.0)
    bench.gate.remember(command("mixer", "no-such"), bench.now)
    assert reason(bench.turn(bench.admit(ON))) is Reason.TOO_FAST
    bench.now += 5.0
    assert isinstance(bench.turn(bench.admit(ON)), Cleared)
