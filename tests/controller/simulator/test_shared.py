"""A shared wire in virtual time: own echoes, answers, and two talkers at once.

A wire that everybody can pull down carries the AND of all that is sent (common practice, no source).
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.line import SimulatedLine
from controller.simulator.medium import Topology
from profiles.frames import FrameFormat
from tests.controller.simulator.benches import POWER_ON, chain_profile, data_of, heard, line

T = 10 / 9600
BIT = 1 / 9600


def wire(**more: Any) -> SimulatedLine:
    return line(topology=Topology.SHARED, **{"units": 3, **more})


@given(data=st.binary(min_size=1, max_size=30))
def test_the_adapter_hears_itself_at_once(data: bytes) -> None:
    simulated = wire()
    simulated.feed(data, 0.0)
    listened = heard(simulated, 0.0 + (len(data) + 1) * T)[: len(data)]
    assert data_of(listened) == data
    assert [at for _, at in listened] == pytest.approx([(place + 1) * T for place in range(len(data))])


def test_an_adapter_that_does_not_hear_itself_hears_the_answer_alone() -> None:
    simulated = wire(hears_itself=False)
    simulated.feed(bytes.fromhex("A5 02 06"), 0.0)
    assert data_of(heard(simulated, 1.0)) == bytes.fromhex("A7 02 00 00")


def test_the_unit_that_is_asked_answers_after_a_silence_of_3_5_frames() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: messages are at least 3.5 character times apart.
    simulated = wire()
    simulated.feed(bytes.fromhex("A5 02 06"), 0.0)
    listened = heard(simulated, 1.0)
    assert data_of(listened) == bytes.fromhex("A5 02 06 A7 02 00 00")
    assert listened[3][1] - listened[2][1] == pytest.approx(3.5 * T + T)


def test_nobody_answers_what_is_meant_for_all() -> None:
    simulated = wire()
    simulated.feed(bytes.fromhex("A5 00 06"), 0.0)
    assert data_of(heard(simulated, 1.0)) == bytes.fromhex("A5 00 06")


@given(mine=st.integers(0, 255), theirs=st.integers(0, 255))
def test_two_frames_at_the_same_instant_give_their_and(mine: int, theirs: int) -> None:
    simulated = wire()
    simulated.order(f"talker 2 {theirs:02X}", 0.0)
    simulated.feed(bytes((mine,)), 1.0)
    [(value, at)] = heard(simulated, 2.0)
    assert value == mine & theirs
    assert at == pytest.approx(1.0 + T)


@pytest.mark.parametrize(
    ("mine", "theirs", "late_bits", "received"),
    [
        # Drawn by hand, cell by cell. FF is low for its start bit alone; 00 is low for nine bit times.
        (0x00, 0xFF, 3, [0x00]),  # the other's start bit falls into our zeros: nothing of it is left
        (0xFF, 0x00, 5, [0x0F]),  # four ones, then the other's zeros; no further falling edge
        (0xFF, 0xFF, 4, [0xF7]),  # the other's start bit is our bit 3
        (0x00, 0x00, 9.8, [0x00, 0x00]),  # the second begins inside the first's stop bit, past its middle
    ],
)
def test_frames_that_overlap_are_received_bit_by_bit(
    mine: int, theirs: int, late_bits: float, received: list[int]
) -> None:
    simulated = wire()
    simulated.order(f"talker 1 {theirs:02X} late {round(late_bits * BIT * 1e6)}us", 0.0)
    simulated.feed(bytes((mine,)), 1.0)
    assert [value for value, _ in heard(simulated, 2.0)] == received


def _decoded(frames: list[tuple[float, int]]) -> list[int]:
    """An independent receiver: the ANDed line in hundredths of a bit, looked at one by one."""
    steps = int((max(start for start, _ in frames) + 30) * 100)
    level = [1] * steps
    for start, value in frames:
        at = start
        for cell, length in FrameFormat().cells(value):
            for step in range(round(at * 100), round((at + length) * 100)):
                level[step] &= cell
            at += length
    out, place = [], 1
    while place < steps - 950:
        if level[place - 1] and not level[place]:
            out.append(sum(level[place + 150 + 100 * bit] << bit for bit in range(8)))
            place += 950
        place += 1
    return out


@given(
    mine=st.integers(0, 255),
    theirs=st.integers(0, 255),
    # A fifth of a bit away from any edge, so that rounding can't decide what is sampled.
    late_bits=st.integers(0, 9).flatmap(
        lambda whole: st.sampled_from([whole + 0.2, whole + 0.3, whole + 0.8])
    ),
)
def test_overlapping_frames_agree_with_a_receiver_that_looks_at_every_hundredth_of_a_bit(
    mine: int, theirs: int, late_bits: float
) -> None:
    # 10 baud makes a bit 100 ms, so that the microseconds of an order are exact.
    simulated = line(chain_profile(10.0), topology=Topology.SHARED, units=1)
    simulated.order(f"talker 1 {theirs:02X} late {round(late_bits * 100_000)}us", 0.0)
    simulated.feed(bytes((mine,)), 0.0)
    # A drawn line begins at rest, one bit before the first frame.
    assert [value for value, _ in heard(simulated, 20.0)] == _decoded(
        [(1.0, mine), (1.0 + late_bits, theirs)]
    )


def test_a_cut_takes_away_the_units_behind_it() -> None:
    simulated = wire()
    simulated.order("cut 1", 0.0)
    simulated.feed(POWER_ON[0], 0.0)
    assert data_of(heard(simulated, 1.0)) == POWER_ON[0]
    assert [states["power"] for states in simulated.chain.states(1.0).values()] == [True, False, False]


def test_a_unit_without_mains_is_silent_and_the_others_go_on() -> None:
    simulated = wire()
    simulated.order("no-mains 2", 0.0)
    simulated.feed(bytes.fromhex("A5 02 06"), 0.0)
    simulated.feed(bytes.fromhex("A5 03 06"), 0.5)
    assert data_of(heard(simulated, 1.0)) == bytes.fromhex("A5 02 06 A5 03 06 A7 03 00 00")


def test_a_lead_unit_on_a_shared_wire_hears_itself_and_goes_on() -> None:
    simulated = wire()
    simulated.order("lead 2 power-on to 3", 0.0)
    listened = heard(simulated, 1.0)
    assert data_of(listened) == POWER_ON[3]
    assert [at for _, at in listened] == pytest.approx([T, 2 * T, 3 * T, 4 * T])
    assert simulated.chain.states(1.0)[3]["power"] is True


def test_a_unit_does_not_obey_what_it_says_itself() -> None:
    simulated = wire()
    simulated.order("lead 2 power-on to 3", 0.0)
    heard(simulated, 1.0)
    assert simulated.chain.states(1.0)[2]["power"] is False


def test_a_lead_unit_stops_when_another_spoils_its_frame() -> None:
    simulated = wire()
    simulated.order("lead 2 power-on to 3", 0.0)
    simulated.feed(b"\x00", 0.0)
    assert data_of(heard(simulated, 1.0)) == b"\x00"
    assert simulated.chain.happenings()[-1].what == "stops power-on: 00 came back for A5"


def test_what_the_computer_takes_back_is_never_heard() -> None:
    simulated = wire()
    simulated.feed(bytes(range(10)), 0.0)
    simulated.chain.withdraw(2.5 * T)
    simulated.feed(b"\xff", 2.6 * T)
    assert data_of(heard(simulated, 1.0)) == b"\x00\x01\x02\xff"
