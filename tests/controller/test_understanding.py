"""What bytes on a bus mean: observations, what others were told, answers; and what nothing explains."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.guard import BusRules, Cleared, Gate, UnitRules
from controller.records import Command, Known
from controller.states import StateBook
from controller.understanding import Understanding, Understood
from tests.controller.gates import LAMP
from tests.controller.halls import compiled, crc, shipped

CHAIN = shipped("pellgate-chain")
PAIR: dict[int | None, str] = {1: "mixer", 2: "amp"}


def understanding(text: str = CHAIN, units: Mapping[int | None, str] = PAIR) -> Understanding:
    return Understanding(compiled(text), units)


def said(found: list[tuple[int, Understood]]) -> list[Understood]:
    return [each for _, each in found]


def one(found: list[tuple[int, Understood]]) -> Understood:
    (understood,) = said(found)
    return understood


def summed(*values: int) -> bytes:
    """A message of the chain: A5 or A6, what follows, and the sum of what follows."""
    return bytes([*values, sum(values[1:]) & 0xFF])


def test_an_observation_says_how_the_unit_is() -> None:
    found = one(understanding().heard(summed(0xA6, 1, 0x56, 31), 0.0))
    assert found.text == "Volume told, mixer: level 31, volume 31"
    assert (found.unit, found.states) == ("mixer", (("mixer", {"volume": 31}, Known.OBSERVED),))


def test_an_action_that_somebody_else_sends_is_presumed_to_be_obeyed() -> None:
    found = one(understanding().heard(summed(0xA5, 2, 1), 0.0))
    assert found.text == "power-on → amp"
    assert found.states == (("amp", {"power": True}, Known.PRESUMED),)


def test_an_action_to_all_units_concerns_each() -> None:
    found = one(understanding().heard(summed(0xA5, 0, 2), 0.0))
    assert (found.text, found.unit) == ("standby → all units", None)
    assert found.states == tuple((unit, {"power": False}, Known.PRESUMED) for unit in ("mixer", "amp"))


def test_a_unit_that_the_site_does_not_name_is_told_by_its_address() -> None:
    found = one(understanding().heard(summed(0xA6, 7, 0x56, 31), 0.0))
    assert (found.text, found.states) == ("Volume told, address 7: level 31, volume 31", ())


def test_a_toggle_that_somebody_else_sends_leaves_doubt() -> None:
    found = one(understanding(LAMP, {None: "lamp"}).heard(b"\x01", 0.0))
    assert found.text == "on or off → lamp"
    assert (found.states, found.doubted) == ((), (("lamp", ("power",)),))


def test_without_addresses_nobody_can_say_which_of_two_was_meant() -> None:
    found = one(understanding(LAMP, {None: "lamp", 1: "spot"}).heard(b"\x04", 0.0))
    # The key None is a unit without an address: it is the one.
    assert found.unit == "lamp"
    found = one(understanding(LAMP, {1: "lamp", 2: "spot"}).heard(b"\x04", 0.0))
    assert (found.text, found.states) == ("out", ())


def test_what_nothing_explains_is_told_with_its_place() -> None:
    follows = understanding()
    (start, noise), (after, message) = follows.heard(b"\xff\xfe" + summed(0xA6, 1, 0x50, 1), 0.0)
    assert (start, noise.data, noise.text) == (0, b"\xff\xfe", None)
    assert (after, message.text) == (2, "Power told, mixer: on true, power true")
    assert follows.seen == 7


def test_the_same_message_twice_says_the_same_and_each_has_its_place() -> None:
    follows = understanding()
    message = summed(0xA6, 1, 0x56, 31)
    found = follows.heard(message * 3, 0.0)
    assert [start for start, _ in found] == [0, 5, 10]
    assert said(found)[0] == said(found)[2]


def test_a_half_message_waits_and_is_let_go_when_the_line_is_idle_for_long() -> None:
    follows = understanding()
    assert follows.heard(summed(0xA6, 1, 0x56, 31)[:3], 1.0) == []
    deadline = follows.deadline
    assert deadline is not None
    assert follows.tick(deadline - 1e-6) == []
    assert one(follows.tick(deadline)).text is None
    assert follows.deadline is None


# Our own


def cleared(text: str, unit: str, action: str) -> Cleared:
    gate = Gate(
        [BusRules("bus", compiled(text), allow_raw=True)],
        [UnitRules("relay", "bus", 2), UnitRules("other", "bus", 3)],
    )
    found = gate.admit(
        Command(unit, action, raw=None if action else b"\1"), utc=0.0, now=0.0, locks=(), states=StateBook({})
    )
    assert isinstance(found, Cleared)
    return found


@pytest.mark.parametrize(
    ("unit", "action", "words"),
    [
        ("relay", "standby", "standby → relay"),
        ("bus", "standby", "standby → all units"),
        ("bus", "", "raw bytes"),
    ],
)
def test_our_own_bytes_say_what_we_said(unit: str, action: str, words: str) -> None:
    follows = understanding()
    follows.sending("a", cleared(CHAIN, unit, action))
    assert follows.own("a") == words
    assert follows.own("b") is None
    assert follows.own(None) is None


def test_what_was_said_long_ago_is_forgotten() -> None:
    follows = understanding()
    for number in range(100):
        follows.sending(str(number), cleared(CHAIN, "relay", "standby"))
    assert follows.own("0") is None
    assert follows.own("99") is not None


# Answers: worked examples of MODBUS Application Protocol V1.1b3, 6.1 and 6.5, with other coils and slaves;
# the CRCs are CRC-16/MODBUS.

RELAY = shipped("modbus-relay")
BOXES: dict[int | None, str] = {2: "relay", 3: "other"}


def test_the_sum_that_these_messages_carry_is_the_published_one() -> None:
    """ "123456789" gives 4B37 (catalogue of parametrised CRC algorithms, CRC-16/MODBUS)."""
    assert crc(b"123456789")[-2:] == b"\x37\x4b"


def test_an_answer_to_our_own_command_is_told_as_one_and_its_states_are_the_outcomes() -> None:
    follows = understanding(RELAY, BOXES)
    follows.sending("a", cleared(RELAY, "relay", "relay-1-on"))
    # The answer to a written coil is the request over again.
    found = one(follows.heard(crc(bytes.fromhex("02 05 00 00 FF 00")), 0.0, "a"))
    assert (found.text, found.states) == ("answer of relay", ())


def test_the_same_bytes_from_another_box_or_at_another_time_are_no_answer_of_ours() -> None:
    follows = understanding(RELAY, BOXES)
    follows.sending("a", cleared(RELAY, "relay", "relay-1-on"))
    found = one(follows.heard(crc(bytes.fromhex("03 05 00 00 FF 00")), 0.0, "a"))
    assert (found.text, found.states) == (
        "relay-1-on → other",
        (("other", {"relay-1": True}, Known.PRESUMED),),
    )
    found = one(follows.heard(crc(bytes.fromhex("02 05 00 00 FF 00")), 1.0))
    assert found.states == (("relay", {"relay-1": True}, Known.PRESUMED),)


def test_an_answer_to_somebody_else_is_told_and_says_no_more_than_it_can() -> None:
    follows = understanding(RELAY, BOXES)
    # "Coil is on": which coil was asked for, the answer does not say.
    found = one(follows.heard(crc(bytes.fromhex("02 01 01 01")), 0.0))
    assert (found.text, found.states) == ("answer of relay: closed true", ())
    found = one(follows.heard(crc(bytes.fromhex("02 85 02")), 1.0))
    assert found.text == "refusal of relay: code no such coil"


def test_an_answer_that_can_mean_one_thing_only_says_how_the_unit_is() -> None:
    lift = understanding(shipped("pellgate-screen"), {1: "lift"})
    body = b"01P040"
    check = -sum(body) & 0xFF
    found = one(lift.heard(b"!" + body + b"%02X\r" % check, 0.0))
    assert found.text == "answer of lift: now 40"
    assert found.states == (("lift", {"position": 40}, Known.OBSERVED),)


# Whatever comes


@given(st.lists(st.binary(max_size=12), max_size=12))
def test_every_byte_is_told_once_in_order_whatever_comes(pieces: list[bytes]) -> None:
    follows = understanding()
    found = []
    for number, piece in enumerate(pieces):
        found += follows.heard(piece, number * 0.001)
    found += follows.tick(1000.0)
    stream = b"".join(pieces)
    assert b"".join(each.data for _, each in found) == stream
    assert [start for start, _ in found] == [
        sum(len(each.data) for _, each in found[:place]) for place in range(len(found))
    ]


@given(st.lists(st.integers(0, 63), min_size=1, max_size=300), st.integers(1, 40))
def test_what_is_kept_of_messages_changes_nothing(levels: list[int], size: int) -> None:
    """However the stream is cut, and however often a message came before."""
    stream = b"".join(summed(0xA6, 1 + level % 2, 0x56, level) for level in levels)
    follows = understanding()
    found = []
    for place in range(0, len(stream), size):
        found += follows.heard(stream[place : place + size], 0.0)
    assert [each.states for _, each in found] == [
        ((PAIR[1 + level % 2], {"volume": level}, Known.OBSERVED),) for level in levels
    ]
