"""The gate when the site changes under it; what it says of addresses and names; what it works out once."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from controller.guard import BusRules, Cleared, Gate, Refusal, UnitRules
from controller.records import Command, Known, Origin, OriginKind, Reason, StateChange, StateValue
from profiles.compiled import CompiledProfile
from profiles.errors import NotKnown
from profiles.model import Effect
from profiles.template import MOST_BYTES, Message
from tests.controller.gates import LAMP, OFF, ON, UNITS, Bench, command, reason
from tests.controller.halls import compiled, shipped

MQTT = Origin(OriginKind.MQTT)


def chain() -> CompiledProfile:
    return compiled(shipped("pellgate-chain"))


def rules(rate: float | None = None) -> BusRules:
    return BusRules("sound", chain(), rate, allow_raw=True)


# Other rules


def test_what_was_sent_stays_in_mind_when_the_site_changes() -> None:
    bench = Bench()
    assert isinstance(bench.through(OFF), Cleared)
    longer = replace(UNITS[0], minimum_off=50.0)
    bench.gate.take_rules([rules()], [longer])
    bench.now += 49.0
    assert reason(bench.turn(bench.admit(ON))) is Reason.TOO_FAST
    bench.now += 1.0
    assert isinstance(bench.turn(bench.admit(ON)), Cleared)


def test_units_and_buses_that_are_gone_are_not_known_and_new_ones_are() -> None:
    bench = Bench()
    added = UnitRules("stage-amp", "sound", 4, "stage", from_mqtt=frozenset(("standby",)))
    bench.gate.take_rules([rules()], [UNITS[0], added])
    assert bench.gate.units_of("sound") == ("mixer", "stage-amp")
    assert bench.gate.units_of("stage") == ("stage-amp",)
    for gone in ("lamp", "light", "foyer-amp"):
        with pytest.raises(NotKnown, match=gone):
            bench.gate.units_of(gone)
        assert reason(bench.admit(command(gone, "standby"))) is Reason.NOT_KNOWN
    found = bench.admit(command("stage-amp", "standby"))
    assert isinstance(found, Cleared)
    assert (found.units, found.address) == (("stage-amp",), 4)
    assert bench.gate.takes_from_mqtt("stage-amp", "standby")
    assert not bench.gate.takes_from_mqtt("stage-amp", "power-on")
    assert bench.gate.takes_from_mqtt("mixer", "power-on")


def quick(rate: float) -> Bench:
    """A bus whose rate is used up: for ten seconds nothing more passes, but to take energy away."""
    bench = Bench(rate)
    for _ in range(int(rate * 10)):
        assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)
    assert reason(bench.admit(command("mixer", "mute-on"))) is Reason.TOO_FAST
    return bench


def test_a_rate_that_stays_goes_on_counting() -> None:
    bench = quick(0.5)
    bench.gate.take_rules([rules(0.5)], UNITS[:1])
    refused = bench.admit(command("mixer", "mute-on"))
    assert isinstance(refused, Refusal)
    assert refused.reason is Reason.TOO_FAST
    assert refused.text == "more than 0.5 commands a second for bus sound"


@pytest.mark.parametrize(("rate", "passes"), [(0.2, 2), (1.0, 10)])
def test_another_rate_begins_to_count_anew(rate: float, passes: int) -> None:
    bench = quick(0.5)
    bench.gate.take_rules([rules(rate)], UNITS[:1])
    for _ in range(passes):
        assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)
    assert reason(bench.admit(command("mixer", "mute-on"))) is Reason.TOO_FAST


def test_a_bus_that_is_added_may_have_a_rate() -> None:
    bench = Bench()
    bench.gate.take_rules([rules(), replace(rules(0.1), id="stage")], [UnitRules("stage-amp", "stage", 4)])
    assert isinstance(bench.admit(command("stage-amp", "mute-on")), Cleared)
    assert reason(bench.admit(command("stage-amp", "mute-on"))) is Reason.TOO_FAST


def test_a_rate_can_be_lifted_and_set() -> None:
    bench = quick(0.5)
    bench.gate.take_rules([rules(None)], UNITS[:1])
    for _ in range(50):
        assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)
    bench.gate.take_rules([rules(0.1)], UNITS[:1])
    assert isinstance(bench.admit(command("mixer", "mute-on")), Cleared)
    assert reason(bench.admit(command("mixer", "mute-on"))) is Reason.TOO_FAST


# What is seen


def lamp_with_times(profile: str, how: str) -> Bench:
    """A lamp with a minimum time off, and a profile for it that came later, by either way."""
    units = [replace(unit, minimum_off=20.0) if unit.id == "lamp" else unit for unit in UNITS]
    bench = Bench(units=units)
    if how == "profile":
        bench.gate.set_profile("light", compiled(profile))
    else:
        bench.gate.take_rules([BusRules("light", compiled(profile))], [units[3]])
    return bench


DARK = """
[actions.dark]
effect = "de-energise"
send = [{ hex = "05" }]
sets = { lid = true }
"""
BRIGHT = LAMP.replace("[actions.blink]", f"{DARK}[actions.blink]")
"""Gear in which another state says that it is off."""
SHUT = BRIGHT.replace(
    "[actions.fan]", DARK.replace("dark", "shut").replace("de-energise", "neutral") + "[actions.fan]"
)
"""And something that switches nothing makes that state so as well."""


@pytest.mark.parametrize("how", ["profile", "site"])
def test_what_is_seen_is_told_by_the_profile_that_holds(how: str) -> None:
    seen = StateChange("lamp", "lid", StateValue(True, Known.OBSERVED, 1.0))
    for profile, stays_off in ((LAMP, False), (BRIGHT, True), (SHUT.replace('"05"', '"06"', 1), True)):
        bench = lamp_with_times(profile, how)
        bench.gate.noticed(seen, bench.now)
        found = bench.turn(bench.admit(command("lamp", "fan")))
        assert reason(found) is (Reason.TOO_FAST if stays_off else None)


@pytest.mark.parametrize(
    "seen",
    [
        StateChange("no-such", "power", StateValue(False, Known.OBSERVED, 1.0)),
        StateChange("mixer", "power", StateValue(None, Known.UNKNOWN, 1.0)),
        StateChange("mixer", "mute", StateValue(True, Known.OBSERVED, 1.0)),
    ],
)
def test_what_says_nothing_of_its_energy_starts_no_time(seen: StateChange) -> None:
    bench = Bench()
    bench.gate.noticed(seen, bench.now)
    assert isinstance(bench.turn(bench.admit(ON)), Cleared)


def test_what_went_on_again_need_not_stay_off_and_the_other_way_round() -> None:
    bench = Bench()
    for value in (False, True):
        bench.gate.noticed(StateChange("mixer", "power", StateValue(value, Known.OBSERVED, 1.0)), bench.now)
    assert isinstance(bench.turn(bench.admit(ON)), Cleared)
    bench.gate.noticed(StateChange("mixer", "power", StateValue(False, Known.OBSERVED, 1.0)), bench.now)
    off = bench.admit(replace(OFF, origin=MQTT))
    assert isinstance(off, Cleared)
    assert bench.gate.ready(off).at <= bench.now


@pytest.mark.parametrize(
    ("minimum_off", "minimum_on", "minds"), [(0.0, 0.0, False), (0.5, 0.0, True), (0.0, 0.5, True)]
)
def test_it_minds_units_with_a_minimum_time(minimum_off: float, minimum_on: float, minds: bool) -> None:
    unit = replace(UNITS[2], minimum_off=minimum_off, minimum_on=minimum_on)
    bench = Bench(units=[unit])
    assert bench.gate.minds("foyer-amp") is minds
    # The longest hold-off of the three profiles is half a second, and more than nothing.
    assert bench.gate.memory == 0.5


def test_only_what_switches_a_unit_starts_its_times() -> None:
    bench = Bench()
    assert isinstance(bench.through(command("sound", "", raw=b"\xa5")), Cleared)
    off = bench.through(replace(OFF, origin=MQTT))
    assert isinstance(off, Cleared)
    assert bench.gate.ready(off).at <= bench.now
    bench.now += 10.0
    assert isinstance(bench.through(command("mixer", "mute-on")), Cleared)
    assert reason(bench.turn(bench.admit(ON))) is Reason.TOO_FAST
    bench.now += 10.0
    assert isinstance(bench.through(ON), Cleared)


def test_automation_may_say_on_again_at_once() -> None:
    """A minimum time on is a wait before what takes energy away, and before nothing else."""
    bench = Bench()
    assert isinstance(bench.through(ON), Cleared)
    bench.now += 1.0
    again = bench.admit(replace(ON, origin=MQTT))
    assert isinstance(again, Cleared)
    assert bench.gate.ready(again).at <= bench.now
    assert bench.gate.ready(again).stays_on_until == float("-inf")


def test_a_unit_that_begins_to_ask_while_a_command_waits_is_asked_for() -> None:
    bench = Bench()
    waiting = bench.admit(ON)
    bench.gate.take_rules([rules()], [replace(UNITS[0], asks=True)])
    refused = bench.turn(waiting)
    assert isinstance(refused, Refusal)
    assert refused.reason is Reason.NOT_AGREED
    assert isinstance(bench.turn(bench.admit(replace(ON, agreed=True))), Cleared)


def test_what_the_site_file_leaves_out_asks_for_nothing() -> None:
    assert UnitRules("amp", "sound") == UnitRules("amp", "sound", None, "", None, 0.0, 0.0, asks=False)
    plain = BusRules("sound", chain())
    assert (plain.rate, plain.allow_raw, plain.writes) == (None, False, True)
    assert Refusal(Reason.STALE, "late").todo == ""
    bare = Cleared(ON, "sound", (), None)
    assert (bare.values, bare.address, bare.to_all, bare.toggles) == ({}, None, False, False)
    assert (bare.effect, bare.energises, bare.de_energises) == (Effect.UNKNOWN, True, False)


def test_a_gate_without_a_bus_has_nothing_to_remember() -> None:
    assert Gate([], []).memory == 0.0


# Targets


def test_a_bus_without_units_stands_for_none_and_no_name_for_nothing() -> None:
    bench = Bench(units=UNITS[:3])
    assert bench.gate.units_of("light") == ()
    nobody = bench.admit(command("light", "blink"))
    assert isinstance(nobody, Cleared)
    assert (nobody.units, bench.gate.ready(nobody).at) == ((), float("-inf"))
    with pytest.raises(NotKnown) as caught:
        bench.gate.units_of("mixr")
    assert caught.value.what == "no unit, group or bus is called 'mixr'"
    assert caught.value.todo == "did you mean mixer?"
    found = bench.admit(command("foyer-amp", "standby"))
    assert isinstance(found, Cleared)
    reached = {name: bench.gate.reaches(found, name) for name in ("foyer-amp", "sound", "mixer", "audio", "")}
    assert reached == {"foyer-amp": True, "sound": True, "mixer": False, "audio": False, "": False}


# Addresses


def test_a_unit_without_an_address_can_not_be_told_what_needs_one() -> None:
    bench = Bench(units=[*UNITS, UnitRules("old-amp", "sound")])
    refused = bench.admit(command("old-amp", "power-on"))
    assert isinstance(refused, Refusal)
    assert (refused.reason, refused.text) == (Reason.OUT_OF_RANGE, "old-amp has no address")
    assert refused.todo == "give it one in the site file"


@pytest.mark.parametrize("table", ["[address]\nrange = [1, 4]\n", ""])
def test_a_bus_whose_profile_has_no_address_for_all_is_not_named_whole(table: str) -> None:
    text = "send = [{ address = 1 }]" if table else 'send = [{ hex = "02" }]'
    profile = LAMP.replace("[confirm]", f"{table}[confirm]").replace('send = [{ hex = "02" }]', text)
    bench = Bench()
    bench.gate.set_profile("light", compiled(profile))
    found = bench.admit(command("light", "blink"))
    if table:
        assert isinstance(found, Refusal)
        assert (found.reason, found.text) == (
            Reason.OUT_OF_RANGE,
            "pellgate-lamp has no address for all units",
        )
        assert found.todo == "name one unit"
    else:
        assert isinstance(found, Cleared)
        assert (found.address, found.to_all) == (None, True)


def test_bytes_without_an_address_still_say_whom_they_were_meant_for() -> None:
    bench = Bench(units=[UnitRules("spot", "light", 7), UnitRules("lamp", "light")])
    addresses = []
    for target in ("spot", "lamp", "light"):
        found = bench.admit(command(target, "blink"))
        assert isinstance(found, Cleared)
        addresses.append(found.address)
    assert addresses == [7, None, None]
    addressed = Bench().admit(ON)
    assert isinstance(addressed, Cleared)
    assert (addressed.units, addressed.address, addressed.to_all) == (("mixer",), 1, False)


# Raw bytes


def test_raw_bytes_go_by_the_profile_of_the_bus_and_have_a_greatest_length() -> None:
    bench = Bench()
    longest = bench.admit(command("sound", "", raw=b"\xa5" * MOST_BYTES))
    assert isinstance(longest, Cleared)
    assert longest.profile is chain()
    assert (longest.units, longest.address, longest.toggles) == (
        ("mixer", "hall-amp", "foyer-amp"),
        None,
        False,
    )
    refused = bench.admit(command("sound", "", raw=b"\xa5" * (MOST_BYTES + 1)))
    assert isinstance(refused, Refusal)
    assert refused.text == "1025 bytes are more than the 1024 that one command may send"
    nothing = bench.admit(command("sound", "", raw=b""))
    assert isinstance(nothing, Refusal)
    assert nothing.text == "there are no bytes to send"
    assert nothing.todo == "give other bytes"


def test_each_raw_byte_fits_the_lines_frames() -> None:
    bench = Bench()
    bench.gate.take_rules([BusRules("light", compiled(LAMP), allow_raw=True)], UNITS[3:4])
    refused = bench.admit(command("light", "", raw=b"\x01\x80\x02"))
    assert isinstance(refused, Refusal)
    assert refused.text == "80 does not fit the 7 data bits of bus light"


# Names


def test_two_names_at_most_are_offered_for_one_that_is_not_known() -> None:
    bench = Bench(units=[UnitRules(f"amp-{number}", "sound", number) for number in (1, 2, 3)])
    todos = []
    for name in ("amp-4", "xyz"):
        refused = bench.admit(command(name, "standby"))
        assert isinstance(refused, Refusal)
        assert refused.text == f"no unit or bus is called {name!r}"
        todos.append(refused.todo)
    assert todos[0].removeprefix("did you mean ").removesuffix("?").split(" or ") == ["amp-3", "amp-2"]
    assert todos[1] == "known are amp-1, amp-2, amp-3"


# Working out


def test_a_command_that_was_found_good_is_not_worked_out_again_until_a_thousand_others_were() -> None:
    """Then all are forgotten, so that the memory has an end."""
    bench = Bench()

    def message(told: Command) -> Message | None:
        found = bench.admit(told)
        assert isinstance(found, Cleared)
        assert found.command is told
        return found.message

    first = message(ON)
    others = (
        command(unit, "set-volume", Origin(kind), parameters={"level": level})
        for unit in ("mixer", "foyer-amp", "hall-amp")
        for kind in OriginKind
        for level in range(64)
        if (unit, kind) != ("hall-amp", OriginKind.MQTT)
    )
    for other in itertools.islice(others, 999):
        assert message(other) is not first
    assert message(replace(ON, id="again")) is first
    assert message(next(others)) is not None
    assert message(replace(ON, id="anew")) is not first


def test_a_message_with_a_counter_is_built_at_its_turn_alone() -> None:
    counted = LAMP.replace(
        'send = [{ hex = "02" }]', 'send = [{ hex = "02" }, { counter = "n", size = 1, wrap = 100 }]'
    )
    bench = Bench()
    for profile, built in ((LAMP, Message(b"\x02")), (counted, None)):
        bench.gate.set_profile("light", compiled(profile))
        found = bench.admit(command("lamp", "blink"))
        assert isinstance(found, Cleared)
        assert found.message == built
