"""Bursts made into templates, and actions tried without sending."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles import builtin
from profiles.checking import check_text, load_profile
from profiles.compiled import CompiledProfile
from tui.burst_drafting import action_block, evidence_block, observation_block, propose
from tui.dry_run import dry_run, example_values, matched, only_action
from tui.profile_places import insert_block

FOLDER = Path(builtin.__file__).parent
DAY = dt.date(2026, 2, 3)


def text_of(name: str) -> str:
    return (FOLDER / f"{name}.toml").read_text("utf-8")


def shipped(name: str) -> CompiledProfile:
    return load_profile(text_of(name), name)


CHAIN = shipped("pellgate-chain")
EVERY = [shipped(path.stem) for path in sorted(FOLDER.glob("*.toml"))]


@pytest.mark.parametrize(
    ("profile", "burst", "items", "address"),
    [
        # The sum of the bytes from the second on: 02 + 77 = 79 hex.
        (
            "pellgate-chain",
            "A5 02 77 79",
            [{"hex": "A5"}, {"address": 1}, {"hex": "77"}, {"check": "sum-8", "from": 1}],
            2,
        ),
        ("pellgate-chain", "A5 02 77 78", [{"hex": "A5 02 77 78"}], None),  # a wrong sum
        ("pellgate-chain", "B5 02 77 79", [{"hex": "B5 02 77 79"}], None),  # another first byte
        ("pellgate-chain", "A5 7F 01 80", [{"hex": "A5 7F 01 80"}], None),  # no address of the profile
        # MIDI 1.0 Detailed Specification: control change on channel 1 is B0.
        ("midi-scene", "B0 01 20", [{"address": 1, "offset": 0xAF}, {"hex": "01 20"}], 1),
        ("midi-scene", "90 3C 40", [{"hex": "90 3C 40"}], None),
        # Modbus over Serial Line V1.02, 6.2.2, and its CRC: worked out by crccheck, an independent library.
        (
            "modbus-relay",
            "01 0F 00 13 " + "0A 02 CD 01 72 CB",
            [{"address": 1}, {"hex": "0F 00 13 0A 02 CD 01"}, {"check": "CRC-16/MODBUS", "order": "little"}],
            1,
        ),
    ],
)
def test_what_a_profile_knows_is_proposed_where_the_burst_bears_it_out(
    profile: str, burst: str, items: list[dict[str, object]], address: int | None
) -> None:
    if profile == "modbus-relay":
        from crccheck.crc import Crc16Modbus

        head = bytes.fromhex(burst)[:-2]
        burst = (head + Crc16Modbus.calc(head).to_bytes(2, "little")).hex(" ")
    found = propose(shipped(profile), bytes.fromhex(burst))
    assert list(found.items) == items
    assert found.address == address
    assert bool(found.like) == (address is not None)


def test_without_a_sound_profile_the_bytes_stand_as_they_are() -> None:
    found = propose(None, b"\xa5\x01")
    assert found.items == ({"hex": "A5 01"},)


def test_what_is_known_already_is_named() -> None:
    assert propose(CHAIN, bytes.fromhex("A5 01 01 02")).known == "power-on"
    assert propose(CHAIN, bytes.fromhex("A6 01 56 1F 76"), observed=True).known == "Volume told"
    assert propose(CHAIN, bytes.fromhex("A6 01 99 9A")).known == ""


@pytest.mark.parametrize("profile", EVERY, ids=lambda profile: profile.profile.name)
def test_an_action_seen_again_is_built_again(profile: CompiledProfile) -> None:
    """What is proposed for the bytes of each known action gives exactly these bytes, at its address."""
    for action in profile.actions.values():
        address = profile.profile.address.range[0] if profile.profile.address else None
        data = dry_run(action, address, "a unit").data
        found = propose(profile, data)
        assert found.known
        block = action_block("again", "", found)
        again = only_action(block + _address(profile), "again")
        assert again is not None
        assert again.actions["again"].send.build({}, address=found.address).data == data


def _address(profile: CompiledProfile) -> str:
    address = profile.profile.address
    if address is None:
        return ""
    known_all = f"all = {address.all}\n" if address.all is not None else ""
    return f"\n[address]\nrange = {list(address.range)}\n{known_all}"


@given(st.binary(min_size=1, max_size=40), st.sampled_from(EVERY), st.booleans())
def test_no_burst_is_changed_by_what_is_proposed(
    data: bytes, profile: CompiledProfile, observed: bool
) -> None:
    found = propose(profile, data, observed=observed)
    text = action_block("new", "", found) + _address(profile)
    made = only_action(text, "new")
    assert made is not None
    assert made.actions["new"].send.build({}, address=found.address).data == data


def test_the_new_action_and_its_evidence_are_sound_as_they_are_put_in() -> None:
    data = bytes.fromhex("A5 02 77 79")
    found = propose(CHAIN, data)
    text, _ = insert_block(
        text_of("pellgate-chain"), "evidence", evidence_block("hello", 2, data, DAY, "seen on sound")
    )
    text, _ = insert_block(text, "actions", action_block("hello", 'Say "hello"', found))
    checked = check_text(text, "x")
    assert checked.faults == ()
    assert checked.profile is not None
    hello = checked.profile.actions["hello"]
    assert hello.title == 'Say "hello"'
    assert hello.spec.effect.value == "unknown"
    assert hello.send.build({}, address=3).data == bytes.fromhex("A5 03 77 7A")
    evidence = checked.profile.profile.evidence[-1]
    assert (evidence.bytes, evidence.taken, evidence.address) == ("A5 02 77 79", DAY, 2)


def test_evidence_is_held_against_the_action() -> None:
    found = propose(CHAIN, bytes.fromhex("A5 02 77 79"))
    wrong = evidence_block("hello", 2, bytes.fromhex("A5 02 78 7A"), DAY, "")
    text, _ = insert_block(text_of("pellgate-chain"), "evidence", wrong)
    text, _ = insert_block(text, "actions", action_block("hello", "", found))
    assert any(fault.key.startswith("evidence[4]") for fault in check_text(text, "x").errors)


def test_the_new_observation_is_heard() -> None:
    data = bytes.fromhex("A6 01 58 07 60")
    found = propose(CHAIN, data, observed=True)
    block = observation_block("Lamp told", found, data, DAY, "seen on sound")
    text, _ = insert_block(text_of("pellgate-chain"), "observations", block)
    assert "# seen on sound, 2026-02-03: A6 01 58 07 60\n[[observations]]" in text
    checked = check_text(text, "x")
    assert [fault.warning for fault in checked.faults] == [True]  # it tells nothing yet
    assert checked.profile is not None
    assert checked.profile.observations[-1].match.read(bytes.fromhex("A6 03 58 07 62")) is not None
    told = matched(checked.profile, 4)
    assert told is not None
    assert told.words[0] == "A6 <address> 58 07 <sum-8>"
    assert matched(checked.profile, 5) is None


def test_a_long_burst_is_written_an_item_a_line() -> None:
    data = bytes.fromhex("A5 02") + bytes(40)
    data += bytes((sum(data[1:]) & 0xFF,))
    block = action_block("long", "", propose(CHAIN, data))
    assert '    { check = "sum-8", from = 1 },\n]' in block


# Dry runs


@pytest.mark.parametrize("profile", EVERY, ids=lambda profile: profile.profile.name)
def test_every_shipped_action_can_be_tried(profile: CompiledProfile) -> None:
    for action in profile.actions.values():
        address = profile.profile.address.range[0] if profile.profile.address else None
        told = dry_run(action, address, "a unit")
        assert told.data
        assert action.send.read(told.data) is not None
        # What is finer than the wire's step is taken for what goes out of it, and that is taken as it is.
        taken = action.parameters(example_values(action))
        assert taken.keys() == example_values(action).keys()
        assert action.parameters(taken) == taken


def test_a_dry_run_says_what_to_whom_and_what_it_sets() -> None:
    told = dry_run(CHAIN.actions["set-volume"], 1, "Stage mixer")
    assert told.head == "set-volume level=31 to Stage mixer (address 1)"
    assert told.data == bytes.fromhex("A5 01 20 1F 40")  # 01 + 20 + 1F = 40 hex
    assert told.words == ("sets volume 31", "effect neutral")


def test_a_dry_run_that_can_not_be_says_why() -> None:
    told = dry_run(CHAIN.actions["power-on"], None, "Stage mixer")
    assert told.data == b""
    assert "needs a unit's address" in told.words[0]


def test_pauses_repeats_and_defaults_are_told() -> None:
    text = """
[actions.wake]
repeat = 2
parameters.zone = { type = "integer", range = [1, 4], default = 3 }
send = [{ hex = "A5" }, { pause_ms = 20 }, { field = "zone" }]
"""
    made = only_action(text, "wake")
    assert made is not None
    told = dry_run(made.actions["wake"], None, "a unit")
    assert told.data == bytes.fromhex("A5 03 A5 03")
    assert told.words == (
        "effect unknown",
        "sent 2 times",
        "20 ms of quiet before byte 2",
        "20 ms of quiet before byte 4",
    )


@pytest.mark.parametrize(
    "text", ["", "[actions.x", "actions = 3", "[actions]\nx = 4", "[actions.x]\nsend = [1]"]
)
def test_an_action_with_faults_of_its_own_can_not_be_tried(text: str) -> None:
    assert only_action(text, "x") is None
