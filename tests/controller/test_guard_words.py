"""What the gate says of locks, times and conditions, and which units a toggle has to ask."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.guard import BusRules, Cleared, Refusal, UnitRules
from controller.records import Known, Origin, OriginKind, Reason
from tests.controller.gates import LAMP, OFF, ON, UNITS, Bench, command, reason
from tests.controller.halls import compiled

PAIR = (UnitRules("lamp", "light"), UnitRules("spot", "light"))
"""Two units that hear the same bytes: there is no address in them."""


def refused(found: Cleared | Refusal) -> tuple[Reason, str, str]:
    assert isinstance(found, Refusal)
    return found.reason, found.text, found.todo


def test_a_lock_is_told_with_the_beginning_of_its_id() -> None:
    bench = Bench()
    bench.lock("mixer")
    assert bench.locks[0].id == "lock-0-mixer"
    assert refused(bench.admit(ON)) == (
        Reason.LOCKED,
        "mixer is under a service lock of Kim: new fuse",
        "ask Kim; a lock is cleared on the spot with `linewarden unlock lock-0-m`",
    )


@pytest.mark.parametrize(
    ("later", "left"), [(0.0, "20.0"), (18.76, "1.2"), (19.83, "0.2"), (19.96, "0.1"), (19.999, "0.1")]
)
def test_what_is_left_of_a_minimum_time_is_never_told_as_nothing(later: float, left: str) -> None:
    bench = Bench()
    assert isinstance(bench.through(OFF), Cleared)
    bench.now += later
    assert refused(bench.turn(bench.admit(ON))) == (
        Reason.TOO_FAST,
        f"mixer has to stay off for another {left} s",
        "wait, or see `minimum_off_s` in the site file",
    )


def test_a_command_that_is_stale_is_told_where_to_look() -> None:
    bench = Bench()
    assert refused(bench.admit(replace(ON, deadline=bench.utc - 1.0))) == (
        Reason.STALE,
        "its time was over before it could be sent",
        "look at the sender's clock, and at what kept the bus busy",
    )


def test_conditions_are_told_in_a_persons_words() -> None:
    bench = Bench()
    text = LAMP.replace("only_if = { power = false }", "only_if = { power = false, lid = true }")
    bench.gate.set_profile("light", compiled(text))
    waiting = bench.admit(command("lamp", "on"))
    assert refused(bench.turn(waiting)) == (
        Reason.CONDITION,
        "on needs to know that power is false, lid is true, and of lamp that is not known",
        "look at the unit, then set its state right by hand",
    )
    bench.states.put("lamp", {"power": True, "lid": True}, Known.PRESUMED, 1.0)
    assert refused(bench.turn(waiting)) == (
        Reason.CONDITION,
        "on is only for when power is false, lid is true, and lamp is not so",
        "the unit itself; if it is so after all, set its state right by hand",
    )
    bench.states.put("lamp", {"power": False}, Known.PRESUMED, 1.0)
    assert isinstance(bench.turn(waiting), Cleared)


def test_a_condition_that_is_a_number_or_a_word_is_told_as_it_is_written() -> None:
    states = '[states.power]\ntype = "boolean"\n[states.level]\ntype = "integer"\nrange = [0, 9]\n'
    text = LAMP.replace('[states.power]\ntype = "boolean"\n', states)
    text = text.replace("only_if = { power = false }", "only_if = { level = 1 }")
    bench = Bench()
    bench.gate.set_profile("light", compiled(text))
    _, words, _ = refused(bench.turn(bench.admit(command("lamp", "on"))))
    assert words == "on needs to know that level is 1, and of lamp that is not known"


def test_a_condition_has_to_hold_for_every_unit_that_hears_it() -> None:
    bench = Bench(units=PAIR)
    bench.states.put("lamp", {"power": False}, Known.OBSERVED, 1.0)
    _, words, _ = refused(bench.turn(bench.admit(command("lamp", "on"))))
    assert words.endswith("and of spot that is not known")
    bench.states.put("spot", {"power": True}, Known.OBSERVED, 1.0)
    _, words, _ = refused(bench.turn(bench.admit(command("light", "on"))))
    assert words.endswith("and spot is not so")
    bench.states.put("spot", {"power": False}, Known.OBSERVED, 1.0)
    assert isinstance(bench.turn(bench.admit(command("light", "on"))), Cleared)


def test_a_toggle_passes_a_lock_only_where_every_unit_that_hears_it_said_so() -> None:
    bench = Bench(units=PAIR)
    bench.lock("lamp")
    bench.states.put("lamp", {"power": True}, Known.OBSERVED, 1.0)
    assert reason(bench.admit(command("lamp", "off"))) is Reason.LOCKED
    bench.states.put("spot", {"power": True}, Known.OBSERVED, 1.0)
    assert isinstance(bench.admit(command("lamp", "off")), Cleared)


def test_a_toggle_that_asks_for_no_state_passes_no_lock() -> None:
    """Its name says off; whether it does that, nobody has said."""
    text = LAMP.replace("only_if = { power = true }\n", "").replace("only_if = { power = false }\n", "")
    bench = Bench()
    bench.gate.set_profile("light", compiled(text))
    bench.states.put("lamp", {"power": True}, Known.OBSERVED, 1.0)
    assert isinstance(bench.turn(bench.admit(command("lamp", "off"))), Cleared)
    bench.lock("lamp")
    assert reason(bench.admit(command("lamp", "off"))) is Reason.LOCKED
    assert isinstance(bench.admit(command("lamp", "out")), Cleared)


def test_raw_bytes_wait_for_no_condition_and_hold_to_minimum_times() -> None:
    bench = Bench()
    raw = command("sound", "", raw=b"\xa5")
    assert isinstance(bench.turn(bench.admit(raw)), Cleared)
    assert isinstance(bench.through(OFF), Cleared)
    assert reason(bench.turn(bench.admit(raw))) is Reason.TOO_FAST


def test_what_was_refused_is_judged_anew() -> None:
    bench = Bench()
    for _ in range(2):
        assert (
            reason(bench.admit(command("hall-amp", "power-on", Origin(OriginKind.MQTT))))
            is Reason.NOT_ALLOWED
        )


def test_a_tap_and_what_is_not_allowed_are_told_with_the_key_to_look_at() -> None:
    bench = Bench()
    assert refused(bench.admit(command("lift", "stop"))) == (
        Reason.LISTEN_ONLY,
        "bus ears is a tap: nothing is ever written to it",
        "see `topology` in the site file",
    )
    assert refused(bench.admit(command("light", "", raw=b"\x01"))) == (
        Reason.NOT_ALLOWED,
        "bus light takes no raw bytes",
        "set `allow_raw = true` for it in the site file",
    )
    bench.gate.take_rules([BusRules("light", compiled(LAMP), allow_raw=True)], UNITS[3:4])
    assert isinstance(bench.admit(command("light", "", raw=b"\x01")), Cleared)
