"""What a simulated unit obeys, answers and says of itself."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.chain import Chain
from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from controller.simulator.units import SimulatedUnit
from profiles.errors import BadValue, InputError, NotKnown
from profiles.frames import reverse_bits
from tests.controller.simulator.benches import POWER_ON, chain_profile, compiled, data_of, heard, line

SUM = {level: (2 + 3 + level) & 0xFF for level in range(64)}


def unit(number: int = 2) -> SimulatedUnit:
    return SimulatedUnit(number, number, chain_profile())


def set_volume(level: int) -> bytes:
    return bytes([0xA5, 2, 3, level, SUM[level]])


def test_it_begins_switched_off_at_the_least_and_first_values() -> None:
    assert unit().states == {"power": False, "volume": 0, "input": "phono", "muted": False}


@given(level=st.integers(0, 63))
def test_it_obeys_what_is_sent_to_it_whole_or_byte_by_byte(level: int) -> None:
    at_once, by_byte = unit(), unit()
    at_once.hear(set_volume(level), 0.0)
    for place, byte in enumerate(set_volume(level)):
        by_byte.hear(bytes((byte,)), place * 0.01)
    assert at_once.states["volume"] == by_byte.states["volume"] == level


@given(level=st.integers(1, 63), garbage=st.binary(max_size=12).filter(lambda data: 0xA5 not in data))
def test_it_finds_its_place_again_after_noise(level: int, garbage: bytes) -> None:
    one = unit()
    one.hear(garbage + set_volume(level), 0.0)
    assert one.states["volume"] == level


def test_it_leaves_what_is_meant_for_others_and_obeys_what_is_meant_for_all() -> None:
    one = unit()
    assert one.hear(POWER_ON[3], 0.0) == []
    assert one.states["power"] is False
    [heard_it] = one.hear(POWER_ON[0], 0.1)
    assert (heard_it.action, heard_it.obeyed, heard_it.answer) == ("power-on", True, None)
    assert one.states["power"] is True


def test_a_wrong_check_is_not_obeyed() -> None:
    one = unit()
    one.hear(bytes.fromhex("A5 02 01 04"), 0.0)
    assert one.states["power"] is False


def test_its_answer_tells_its_own_states() -> None:
    one = unit()
    one.hear(POWER_ON[2] + set_volume(41), 0.0)
    [asked] = one.hear(bytes.fromhex("A5 02 06"), 0.1)
    assert asked.answer == bytes([0xA7, 2, 1, 41])
    one.hear(bytes.fromhex("A5 02 02 04"), 0.2)
    [asked] = one.hear(bytes.fromhex("A5 02 06"), 0.3)
    assert asked.answer == bytes([0xA7, 2, 0, 41])


def test_bytes_that_toggle_turn_the_state_over_each_time() -> None:
    one = unit()
    for expected in (True, False, True):
        [heard_it] = one.hear(bytes.fromhex("A5 02 05"), 0.0)
        assert one.states["muted"] is expected
        assert heard_it.action == ("mute" if expected else "unmute")


TOGGLE = """
schema = 1
name = "pellgate-toggle"
[line]
baud = 9600
[confirm]
method = "none"
[states.power]
type = "boolean"
[actions.power-on]
send = [{ hex = "50" }]
only_if = { power = false }
sets = { power = true }
"""


def test_gear_that_knows_one_toggle_goes_off_when_it_is_told_to_go_on_again() -> None:
    one = SimulatedUnit(1, None, compiled(TOGGLE))
    seen = []
    for _ in range(4):
        one.hear(b"\x50", 0.0)
        seen.append(one.states["power"])
    assert seen == [True, False, True, False]


def test_gear_that_wants_a_message_twice_obeys_the_second() -> None:
    one = unit()
    once = bytes.fromhex("A5 02 07")
    one.hear(once, 0.0)
    assert one.states["volume"] == 0
    one.hear(POWER_ON[2] + once, 0.1)  # something came between: it begins anew
    assert one.states["volume"] == 0
    one.hear(once, 0.2)
    assert one.states["volume"] == 7


def test_a_refused_action_is_not_obeyed_and_the_refusal_has_its_reason() -> None:
    simulated = line()
    simulated.order("refuse 2 status code=9", 0.0)
    simulated.feed(bytes.fromhex("A5 02 06"), 0.0)
    assert data_of(heard(simulated, 1.0)) == bytes.fromhex("A5 02 06 AF 02 09")
    assert simulated.chain.happenings()[-1].what == "refuses status"


def test_a_refused_action_without_a_refusing_reply_is_met_with_silence() -> None:
    simulated = line()
    simulated.order("refuse 2", 0.0)
    simulated.feed(POWER_ON[2], 0.0)
    assert data_of(heard(simulated, 1.0)) == POWER_ON[2]
    assert simulated.chain.states(1.0)[2]["power"] is False


@pytest.mark.parametrize(
    ("order", "wrong"),
    [
        ("refuse 2 statu", NotKnown),
        ("refuse 2 status reason=1", NotKnown),
        ("refuse 2 status code=300", BadValue),
        ("refuse 2 status code=none", BadValue),
        ("refuse 2 status code=-1", BadValue),
    ],
)
def test_a_refusal_that_can_not_be_said_is_refused_when_it_is_ordered(order: str, wrong: type) -> None:
    simulated = line()
    with pytest.raises(wrong):
        simulated.order(order, 0.0)
    assert simulated.order("show", 0.0).startswith("no faults")


@pytest.mark.parametrize("frame", ["8N1", "7E1"])
def test_a_line_with_the_most_significant_bit_first_has_its_bytes_turned_round_on_the_port(
    frame: str,
) -> None:
    # A UART sends the least bit first; 41 sent the other way round reads 82 (8 bits) or 41 (7 bits).
    bits = int(frame[0])
    profile = chain_profile(9600, frame, "msb")
    simulated = line(profile)
    simulated.order("press 4 set-volume level=5", 0.0)
    assert data_of(heard(simulated, 0.5)) == reverse_bits(bytes([0xA6, 4, 0x56, 5]), bits)
    simulated.feed(reverse_bits(bytes.fromhex("A5 02 05"), bits), 1.0)
    heard(simulated, 2.0)
    # At seven bits A5 can't be told from 25, so that no action of this profile is ever heard.
    assert simulated.chain.states(2.0)[2]["muted"] is (bits == 8)


def test_a_key_that_changes_nothing_says_nothing() -> None:
    simulated = line()
    assert simulated.order("press 1 standby", 0.0) == "unit 1: nothing changes"
    assert heard(simulated, 1.0) == []


def test_a_key_is_told_by_the_observation_whose_constants_are_so() -> None:
    simulated = line(units=1)
    assert simulated.order("press 1 power-on", 0.0) == "unit 1: power = true; says A6 01 50 01"
    assert simulated.order("press 1 standby", 0.5) == "unit 1: power = false; says A6 01 50 00"
    assert data_of(heard(simulated, 1.0)) == bytes.fromhex("A6 01 50 01 A6 01 50 00")


def test_a_change_that_no_observation_tells_is_said_so() -> None:
    simulated = line(units=1)
    said = simulated.order("press 1 select source=stage", 0.0)
    assert said == "unit 1: input = stage; says nothing (no observation tells it)"
    assert simulated.chain.states(0.0)[1]["input"] == "stage"


@pytest.mark.parametrize(
    ("order", "word"),
    [
        ("press 9 power-on", "no unit 9"),
        ("press 1 power-om", "no action"),
        ("press 1 set-volume", "needs level"),
        ("press 1 set-volume level=64", "must be from 0 to 63"),
        ("press 1 set-volume level=loud", "must be a whole number"),
        ("press 1 set-volume levle=4", "no parameter"),
        ("press 1 select source=disc", "must be one of"),
        ("lead 1 power-on to 99", "no address"),
    ],
)
def test_a_wrong_key_is_refused_in_one_sentence(order: str, word: str) -> None:
    simulated = line()
    with pytest.raises(InputError, match=word):
        simulated.order(order, 0.0)
    assert heard(simulated, 1.0) == []


SERVANT = """
schema = 1
name = "pellgate-relay"
[line]
baud = 9600
[confirm]
method = "reply"
[address]
range = [1, 9]
[states.closed]
type = "boolean"
[actions.switch]
send = [{ address = 1 }, { field = "number" }, { field = "closed" },
        { check = "CRC-16/MODBUS", order = "little" }]
parameters = { number = { type = "integer", range = [0, 7] }, closed = { type = "boolean" } }
sets = { closed = "closed" }
reply = [{ expect = [{ address = 1 }, { field = "number" }, { field = "closed" }, { any = 1 },
                     { check = "CRC-16/MODBUS", order = "little" }] }]
"""


def test_what_an_answer_repeats_of_the_request_is_as_it_was_asked() -> None:
    one = SimulatedUnit(1, 4, compiled(SERVANT))
    profile = compiled(SERVANT)
    request = profile.action("switch").message({"number": 6, "closed": True}, address=4).data
    [asked] = one.hear(request, 0.0)
    answer = asked.answer or b""
    assert answer[:4] == bytes([4, 6, 1, 0])
    assert profile.action("switch").replies[0].expect.read(answer) is not None


def test_on_a_bus_without_addresses_one_unit_answers_for_all() -> None:
    text = TOGGLE + 'reply = [{ expect = [{ hex = "06" }] }]\n'
    simulated = SimulatedLine(compiled(text), Layout(units=3))
    simulated.feed(b"\x50", 0.0)
    assert data_of(heard(simulated, 1.0)) == b"\x50\x06"
    assert [states["power"] for states in simulated.chain.states(1.0).values()] == [True, True, True]


LONGER = """
schema = 1
name = "pellgate-longer"
[line]
baud = 9600
burst_gap_ms = 40.0
[confirm]
method = "none"
[states.power]
type = "boolean"
[actions.on]
send = [{ hex = "50" }]
sets = { power = true }
[actions.program]
send = [{ hex = "50 51 52" }]
"""


def test_a_short_action_that_could_begin_a_longer_one_is_obeyed_when_the_line_falls_idle() -> None:
    simulated = SimulatedLine(compiled(LONGER), Layout(units=1))
    simulated.feed(b"\x50", 0.0)
    assert simulated.chain.states(10 / 9600 + 0.039)[1]["power"] is False
    assert simulated.chain.states(10 / 9600 + 0.041)[1]["power"] is True


@pytest.mark.parametrize(
    ("layout", "word"),
    [
        (Layout(units=0), "0 units"),
        (Layout(units=16), "no address 16"),
        (Layout(units=2, addresses=(3, 3)), "addresses"),
        (Layout(units=2, addresses=(3,)), "addresses"),
        (Layout(units=1, addresses=(40,)), "no address 40"),
        (Layout(hop_bits=0.5), "a hop"),
    ],
)
def test_a_layout_that_does_not_go_with_the_profile_is_refused(layout: Layout, word: str) -> None:
    with pytest.raises(BadValue, match=word):
        Chain(chain_profile(), layout)


def test_units_have_the_addresses_that_they_are_given() -> None:
    simulated = line(units=2, addresses=(7, 4))
    simulated.feed(POWER_ON[4], 0.0)
    heard(simulated, 1.0)
    assert [states["power"] for states in simulated.chain.states(1.0).values()] == [False, True]
