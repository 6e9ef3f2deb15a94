"""The gate: its order, and that nothing that may energise passes a lock, whatever road it comes by."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.guard import BusRules, Cleared, Gate, Refusal, UnitRules
from controller.records import Command, Known, Origin, OriginKind, Reason
from controller.states import StateBook
from profiles.errors import NotKnown
from tests.controller.gates import ADA, KINDS, LAMP, OFF, ON, UNITS, Bench, command, reason
from tests.controller.halls import compiled

# The order


def test_the_first_question_that_a_command_fails_is_the_reason() -> None:
    """Fresh, known, allowed, in range, within the rate, free of locks, past its times, condition met."""
    only_mqtt = Origin(OriginKind.MQTT)
    bench = Bench(rate=0.1)
    bench.lock("hall-amp")
    assert bench.admit(command("foyer-amp", "standby")) is not None  # the one of the ten seconds
    wrong_in_all = command(
        "hall-amp", "set-volume", only_mqtt, parameters={"level": 99}, deadline=bench.utc - 1
    )
    assert reason(bench.admit(wrong_in_all)) is Reason.STALE
    fresh = replace(wrong_in_all, deadline=None)
    assert reason(bench.admit(replace(fresh, action="no-such"))) is Reason.NOT_KNOWN
    assert reason(bench.admit(fresh)) is Reason.NOT_ALLOWED
    by_a_person = replace(fresh, origin=ADA)
    assert reason(bench.admit(by_a_person)) is Reason.OUT_OF_RANGE
    energising = command("hall-amp", "power-on")
    assert reason(bench.admit(energising)) is Reason.TOO_FAST
    bench.now += 10.0
    assert reason(bench.admit(energising)) is Reason.LOCKED
    bench.locks.clear()
    assert reason(bench.admit(energising)) is None


def test_locks_go_before_times_and_times_before_conditions() -> None:
    units = [replace(unit, minimum_off=20.0) if unit.id == "lamp" else unit for unit in UNITS]
    bench = Bench(units=units)
    assert isinstance(bench.through(command("lamp", "out")), Cleared)
    bench.states.put("lamp", {"power": True}, Known.OBSERVED, 1.0)
    admitted = bench.admit(command("lamp", "on"))
    lock = bench.lock("stage")
    assert reason(bench.turn(admitted)) is Reason.LOCKED
    bench.locks.remove(lock)
    assert reason(bench.turn(admitted)) is Reason.TOO_FAST
    bench.now += 20.0
    assert reason(bench.turn(admitted)) is Reason.CONDITION
    bench.states.put("lamp", {"power": False}, Known.OBSERVED, 1.0)
    assert reason(bench.turn(admitted)) is None


# One question each


@pytest.mark.parametrize(
    ("deadline", "stale"),
    [(None, False), (4999.0, True), (5000.0, False), (float("inf"), False), (float("nan"), True)],
)
def test_a_command_is_fresh_until_its_deadline(deadline: float | None, stale: bool) -> None:
    found = Bench().admit(replace(OFF, deadline=deadline))
    assert reason(found) is (Reason.STALE if stale else None)


def test_a_command_that_waits_can_become_stale() -> None:
    bench = Bench()
    admitted = bench.admit(replace(OFF, deadline=5010.0))
    assert isinstance(bench.turn(admitted), Cleared)
    bench.utc = 5010.5
    assert reason(bench.turn(admitted)) is Reason.STALE


@pytest.mark.parametrize(
    ("unit", "action", "said"),
    [
        ("mixr", "power-on", "did you mean mixer"),
        ("mixer", "power-off", "try power-on"),
        ("", "", "known are"),
    ],
)
def test_what_is_not_known_is_told_with_the_nearest_names(unit: str, action: str, said: str) -> None:
    found = Bench().admit(command(unit, action))
    assert isinstance(found, Refusal)
    assert found.reason is Reason.NOT_KNOWN
    assert said in found.todo


def test_a_tap_is_never_written_to() -> None:
    bench = Bench()
    for each in (command("lift", "stop"), command("ears", "", raw=b"\1")):
        assert reason(bench.admit(each)) is Reason.LISTEN_ONLY


def test_only_the_actions_that_a_unit_allows_come_from_mqtt() -> None:
    bench = Bench()
    mqtt = Origin(OriginKind.MQTT)
    assert isinstance(bench.admit(command("hall-amp", "standby", mqtt)), Cleared)
    assert reason(bench.admit(command("hall-amp", "power-on", mqtt))) is Reason.NOT_ALLOWED
    # To all units goes only what each of them allows.
    assert isinstance(bench.admit(command("sound", "standby", mqtt)), Cleared)
    assert reason(bench.admit(command("sound", "mute-on", mqtt))) is Reason.NOT_ALLOWED
    assert isinstance(bench.admit(command("sound", "mute-on")), Cleared)


@pytest.mark.parametrize(
    ("unit", "action", "parameters"),
    [
        ("mixer", "set-volume", {"level": 64}),
        ("mixer", "set-volume", {"level": -1}),
        ("mixer", "set-volume", {"level": 3.5}),
        ("mixer", "set-volume", {"level": True}),
        ("mixer", "set-volume", {"level": "loud"}),
        ("mixer", "set-volume", {"level": [3]}),
        ("mixer", "select-input", {"input": {"name": "cd"}}),
        ("mixer", "set-volume", {}),
        ("mixer", "set-volume", {"level": 3, "speed": 1}),
        ("mixer", "select-input", {"input": "phono"}),
        ("mixer", "power-on", {"level": 3}),
    ],
)
def test_a_parameter_that_can_not_be_is_out_of_range(unit: str, action: str, parameters: Any) -> None:
    assert reason(Bench().admit(command(unit, action, parameters=parameters))) is Reason.OUT_OF_RANGE


def test_a_bus_stands_for_all_of_its_units_where_the_profile_has_an_address_for_all() -> None:
    found = Bench().admit(command("sound", "standby"))
    assert isinstance(found, Cleared)
    assert (found.address, found.to_all, found.units) == (0, True, ("mixer", "hall-amp", "foyer-amp"))


def test_bytes_without_an_address_concern_every_unit_on_the_line() -> None:
    units = (*UNITS, UnitRules("spot", "light"))
    found = Bench(units=units).admit(command("lamp", "blink"))
    assert isinstance(found, Cleared)
    assert (found.to_all, found.units) == (True, ("lamp", "spot"))


# Raw bytes


@pytest.mark.parametrize("origin", KINDS)
def test_raw_bytes_come_from_people_on_the_spot_only(origin: Origin) -> None:
    found = Bench().admit(command("sound", "", origin, raw=b"\xa5"))
    local = origin.kind in (OriginKind.SCREEN, OriginKind.COMMAND_LINE)
    assert reason(found) is (None if local else Reason.NOT_ALLOWED)


def test_raw_bytes_need_a_bus_that_takes_them() -> None:
    assert reason(Bench().admit(command("light", "", raw=b"\1"))) is Reason.NOT_ALLOWED


@pytest.mark.parametrize("data", [b"", b"\xa5" * 1025])
def test_raw_bytes_have_a_length(data: bytes) -> None:
    assert reason(Bench().admit(command("sound", "", raw=data))) is Reason.OUT_OF_RANGE


def test_raw_bytes_fit_the_lines_frames() -> None:
    """7E1 has seven data bits (any UART data sheet): 80 has eight."""
    gate = Gate([BusRules("light", compiled(LAMP), allow_raw=True)], [])
    ask: Any = {"utc": 0.0, "now": 0.0, "locks": (), "states": StateBook({})}
    assert isinstance(gate.admit(command("light", "", raw=b"\x7f"), **ask), Cleared)
    assert reason(gate.admit(command("light", "", raw=b"\x80"), **ask)) is Reason.OUT_OF_RANGE


@pytest.mark.parametrize("target", ["sound", "audio", "mixer", "foyer-amp"])
def test_any_lock_on_the_bus_refuses_raw_bytes_even_named_by_another_unit(target: str) -> None:
    bench = Bench()
    bench.lock(target)
    for unit in ("sound", "hall-amp"):
        assert reason(bench.admit(command(unit, "", raw=b"\xa5"))) is Reason.LOCKED


# Locks


@pytest.mark.parametrize(
    ("target", "refused"),
    [
        ("mixer", {"mixer", "sound"}),
        ("foyer-amp", {"foyer-amp", "sound"}),
        ("audio", {"mixer", "hall-amp", "sound"}),
        ("sound", {"mixer", "hall-amp", "foyer-amp", "sound"}),
        ("light", set()),
    ],
)
def test_a_lock_holds_for_its_unit_group_or_bus_and_for_all_units_with_it(
    target: str, refused: set[str]
) -> None:
    bench = Bench()
    bench.lock(target)
    found = {
        unit: reason(bench.admit(command(unit, "power-on")))
        for unit in ("mixer", "hall-amp", "foyer-amp", "sound")
    }
    assert {unit for unit, why in found.items() if why is Reason.LOCKED} == refused
    assert {unit for unit, why in found.items() if why is None} == set(found) - refused


def test_locks_stack_and_say_who_can_clear_them() -> None:
    bench = Bench()
    first, second = bench.lock("mixer"), bench.lock("audio")
    found = bench.admit(ON)
    assert isinstance(found, Refusal)
    assert "Kim" in found.text
    assert "new fuse" in found.text
    bench.locks.remove(first)
    assert reason(bench.admit(ON)) is Reason.LOCKED
    bench.locks.remove(second)
    assert isinstance(bench.admit(ON), Cleared)


def test_a_lock_that_is_set_while_a_command_waits_holds_for_it() -> None:
    bench = Bench()
    admitted = bench.admit(ON)
    bench.lock("sound")
    assert reason(bench.turn(admitted)) is Reason.LOCKED


def test_de_energising_and_neutral_actions_pass_locks() -> None:
    bench = Bench()
    bench.lock("sound")
    assert isinstance(bench.through(OFF), Cleared)
    assert isinstance(bench.through(command("mixer", "mute-on")), Cleared)
    assert isinstance(bench.through(command("sound", "standby")), Cleared)


def test_an_action_of_which_nobody_says_what_it_does_counts_as_energising() -> None:
    bench = Bench()
    bench.lock("lamp")
    assert reason(bench.admit(command("lamp", "fan"))) is Reason.LOCKED


@pytest.mark.parametrize(
    ("known", "passes"),
    [(Known.OBSERVED, True), (Known.CONFIRMED, False), (Known.PRESUMED, False), (Known.UNKNOWN, False)],
)
def test_a_toggle_passes_a_lock_only_where_the_unit_itself_said_that_it_is_on(
    known: Known, passes: bool
) -> None:
    """Its `off` says the same byte as its `on`: believed wrongly, it would energise what is locked."""
    bench = Bench()
    bench.lock("lamp")
    if known is not Known.UNKNOWN:
        bench.states.put("lamp", {"power": True}, known, 1.0)
    found = bench.admit(command("lamp", "off"))
    assert reason(found) is (None if passes else Reason.LOCKED)
    # What can't turn it on passes as ever.
    assert isinstance(bench.admit(command("lamp", "out")), Cleared)


TARGETS = ["sound", "light", "audio", "stage", "mixer", "hall-amp", "foyer-amp", "lamp"]
ACTIONS = {
    "sound": ["power-on", "standby", "mute-on", "set-volume", "ask-power"],
    "light": ["on", "off", "blink", "fan", "out"],
}


@st.composite
def commands(draw: st.DrawFn) -> Command:
    unit = draw(st.sampled_from(["mixer", "hall-amp", "foyer-amp", "sound", "lamp", "light"]))
    bus = "light" if unit in ("lamp", "light") else "sound"
    raw = draw(st.one_of(st.none(), st.binary(max_size=4)))
    parameters: Any = draw(st.sampled_from([{}, {"level": 3}]))
    return Command(
        unit, draw(st.sampled_from(ACTIONS[bus])), parameters, draw(st.sampled_from(KINDS)), raw=raw
    )


@given(
    st.lists(st.tuples(commands(), st.floats(0, 5)), max_size=12),
    st.sets(st.sampled_from(TARGETS), max_size=3),
    st.sampled_from([None, 0.05, 1.0]),
    st.sampled_from([Known.OBSERVED, Known.PRESUMED]),
)
def test_nothing_that_may_energise_passes_a_lock_and_de_energising_is_never_held(
    sent: list[tuple[Command, float]], targets: set[str], rate: float | None, known: Known
) -> None:
    bench = Bench(rate)
    for target in sorted(targets):
        bench.lock(target)
    bench.states.put("lamp", {"power": True}, known, 1.0)
    for each, pause in sent:
        bench.now += pause
        found = bench.through(each)
        locked_units = {
            unit.id
            for unit in UNITS
            if targets & {unit.id, unit.bus, unit.group} and unit.bus in ("sound", "light")
        }
        if isinstance(found, Cleared):
            may_energise = found.energises or (found.toggles and known is not Known.OBSERVED)
            reached = set(found.units) | {found.bus}
            assert not (may_energise and reached & (locked_units | targets)), (each, targets)
        elif each.raw is None and each.action in ("standby", "out"):
            assert found.reason in (Reason.NOT_ALLOWED, Reason.OUT_OF_RANGE), found


# Conditions


def test_a_condition_that_is_not_known_refuses() -> None:
    bench = Bench()
    found = bench.turn(bench.admit(command("lamp", "on")))
    assert isinstance(found, Refusal)
    assert (found.reason, "not known" in found.text) == (Reason.CONDITION, True)
    assert "by hand" in found.todo
    bench.states.put("lamp", {"power": True}, Known.PRESUMED, 1.0)
    assert reason(bench.turn(bench.admit(command("lamp", "on")))) is Reason.CONDITION
    assert isinstance(bench.turn(bench.admit(command("lamp", "off"))), Cleared)


# A new profile


def test_what_waits_is_judged_anew_by_the_profile_that_holds_at_its_turn() -> None:
    bench = Bench()
    waiting = [bench.admit(command("lamp", name)) for name in ("blink", "fan", "out")]
    changed = LAMP.replace(
        'effect = "neutral"\nsend = [{ hex = "02" }]', 'effect = "energise"\nsend = [{ hex = "22" }]'
    )
    changed = changed.replace("[actions.fan]", "[actions.wind]")
    bench.gate.set_profile("light", compiled(changed))
    bench.lock("lamp")
    blink, fan, out = (bench.turn(each) for each in waiting)
    assert reason(blink) is Reason.LOCKED
    assert reason(fan) is Reason.NOT_KNOWN
    assert isinstance(out, Cleared)
    assert out.profile is compiled(changed)
    bench.locks.clear()
    blink = bench.turn(waiting[0])
    assert isinstance(blink, Cleared)
    assert blink.action is not None
    assert blink.action.message(blink.values).data == b"\x22"


def test_a_target_is_a_unit_a_group_or_a_bus() -> None:
    gate = Bench().gate
    assert gate.units_of("mixer") == ("mixer",)
    assert gate.units_of("audio") == ("mixer", "hall-amp")
    assert gate.units_of("sound") == ("mixer", "hall-amp", "foyer-amp")
    with pytest.raises(NotKnown, match="nowhere"):
        gate.units_of("nowhere")
    with pytest.raises(NotKnown):
        gate.units_of("")


def test_raw_bytes_are_never_taken_for_an_action_that_was_asked_before() -> None:
    bench = Bench()
    told = Command("foyer-amp", "mute-on", origin=ADA)
    assert isinstance(bench.admit(told), Cleared)
    raw = bench.admit(replace(told, id="raw", raw=b"\x55"))
    assert isinstance(raw, Cleared)
    assert (raw.action, raw.message, raw.to_all) == (None, None, True)
