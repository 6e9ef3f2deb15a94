"""Rings, open lines and taps in virtual time.

Common practice, no source: a store-and-forward unit starts to repeat a frame when it has received it whole,
so that it returns it a frame time (10 bit times at 8N1) later.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.adapter import AdapterFacts
from controller.simulator.medium import Topology
from tests.controller.simulator.benches import POWER_ON, chain_profile, data_of, heard, line

FORMATS = {"8N1": 10, "8E1": 11, "7E1": 10, "8N2": 11, "7N1": 9, "5N1.5": 7.5}
"""Bits in a frame: 1 start + data + parity + stop (Analog Devices/Maxim tutorial 2141, "UART Timing")."""


@pytest.mark.parametrize(("hops", "later_us"), [(1, 1041.7), (2, 2083.3), (3, 3125.0), (4, 4166.7)])
def test_an_echo_comes_a_frame_time_later_for_each_hop_at_9600_8n1(hops: int, later_us: float) -> None:
    # Arithmetic: hops x 10 bits / 9600 baud, start to start.
    simulated = line(units=hops)
    simulated.feed(b"\x41", 1.0)
    [(value, whole_at)] = heard(simulated, 2.0)
    frame_time = 10 / 9600
    assert value == 0x41
    assert (whole_at - frame_time - 1.0) * 1e6 == pytest.approx(later_us, abs=0.05)


@given(
    units=st.integers(1, 12),
    baud=st.sampled_from([300.0, 4800.0, 31250.0, 115200.0]) | st.floats(50, 1e6),
    frame=st.sampled_from(sorted(FORMATS)),
    data=st.binary(min_size=1, max_size=60),
)
def test_every_frame_comes_back_once_and_right_after_n_plus_1_frame_times(
    units: int, baud: float, frame: str, data: bytes
) -> None:
    simulated = line(chain_profile(baud, frame), units=units)
    frame_time = FORMATS[frame] / baud
    simulated.feed(data, 5.0)
    back = heard(simulated, 5.0 + (len(data) + units + 2) * frame_time)
    bits = int(frame[0])
    assert data_of(back) == bytes(byte & ((1 << bits) - 1) for byte in data)
    for place, (_, at) in enumerate(back):
        # The frames of one write follow each other without a gap, so each is a frame time after the last.
        assert at - 5.0 == pytest.approx((place + units + 1) * frame_time, rel=1e-9)


@given(data=st.binary(min_size=1, max_size=20), units=st.integers(1, 5))
def test_in_lockstep_each_echo_is_n_plus_1_frame_times_behind_its_own_write(data: bytes, units: int) -> None:
    simulated = line(units=units)
    now = 0.0
    for byte in data:
        simulated.feed(bytes((byte,)), now)
        [(value, at)] = heard(simulated, now + 1.0)
        assert value == byte
        assert at - now == pytest.approx((units + 1) * 10 / 9600, rel=1e-9)
        now = at


@given(
    pieces=st.lists(st.tuples(st.binary(min_size=1, max_size=5), st.floats(0, 0.01)), min_size=1, max_size=8)
)
def test_writes_queue_on_the_wire_and_keep_their_order(pieces: list[tuple[bytes, float]]) -> None:
    simulated = line(units=2)
    frame_time = 10 / 9600
    now, free_at, whole = 0.0, 0.0, []
    for data, pause in pieces:
        now += pause
        simulated.feed(data, now)
        for byte in data:
            free_at = max(now, free_at) + frame_time
            whole.append((byte, free_at + 2 * frame_time))
    back = heard(simulated, 10.0)
    assert data_of(back) == bytes(byte for byte, _ in whole)
    assert [at for _, at in back] == pytest.approx([at for _, at in whole])


@pytest.mark.parametrize("hop_bits", [9.5, 10.0, 10.4])
def test_a_hop_can_be_shorter_or_longer_than_a_frame(hop_bits: float) -> None:
    # contracts: a receiver may hand a byte on in the middle of its stop bit, so a real hop is 9.5 bits on.
    simulated = line(units=4, hop_bits=hop_bits)
    simulated.feed(b"\x00", 0.0)
    [(_, at)] = heard(simulated, 1.0)
    assert at == pytest.approx((10 + 4 * hop_bits) / 9600)


def test_a_deadline_is_never_later_than_what_it_announces_and_never_stands_still() -> None:
    simulated = line(units=4)
    simulated.feed(POWER_ON[2], 0.0)
    looks, now = 0, 0.0
    while (deadline := simulated.deadline) is not None and looks < 100:
        assert deadline > now
        now, looks = deadline, looks + 1
        assert all(at == pytest.approx(now) for _, at in simulated.due(now))
    assert looks <= 2 * len(POWER_ON[2])


def test_asking_seldom_gives_the_same_times_as_asking_often() -> None:
    often, seldom = line(units=3), line(units=3)
    for simulated in (often, seldom):
        simulated.feed(bytes(range(40)), 0.25)
    at_once = [pair for step in range(1000) for pair in heard(often, 0.25 + step / 10000)]
    assert heard(seldom, 1.0) == at_once + heard(often, 1.0)


def test_looking_at_the_units_in_between_neither_loses_nor_delays_an_echo() -> None:
    simulated = line(units=2, facts=AdapterFacts(0.001))
    simulated.feed(POWER_ON[1], 0.0)
    got: list[tuple[bytes, float]] = []
    for look in range(200):
        now = look * 0.0001
        simulated.chain.states(now)
        deadline = simulated.deadline
        simulated.feed(b"", now)
        if deadline is not None and deadline <= now:
            got += simulated.due(now)
    assert b"".join(data for data, _ in got) == POWER_ON[1]
    assert got[0][1] == pytest.approx(3 * 10 / 9600 + 0.001)


def test_nothing_returns_on_an_open_line_and_the_units_obey_all_the_same() -> None:
    simulated = line(units=3, topology=Topology.OPEN)
    simulated.feed(POWER_ON[3], 0.0)
    assert heard(simulated, 1.0) == []
    assert simulated.chain.states(1.0)[3]["power"] is True


def test_a_tap_listens_and_what_it_writes_goes_nowhere() -> None:
    simulated = line(units=3, topology=Topology.TAP)
    simulated.feed(POWER_ON[1], 0.0)
    assert heard(simulated, 1.0) == []
    assert simulated.chain.states(1.0)[1]["power"] is False


def test_a_lead_unit_in_a_ring_of_its_own_gets_every_frame_back_and_the_tap_hears_each_once() -> None:
    simulated = line(units=3, topology=Topology.TAP)
    simulated.order("lead 1 power-on to 3", 0.0)
    listened = heard(simulated, 1.0)
    assert data_of(listened) == POWER_ON[3]
    # Unit 1's frame reaches the tap behind unit 3 after three wires, and its next one starts as it is back.
    assert [at for _, at in listened] == pytest.approx([3 * 10 / 9600 * (place + 1) for place in range(4)])
    assert simulated.chain.states(1.0)[3]["power"] is True
    assert simulated.chain.happenings()[-1].what == "led power-on: all 4 frames came back"


def test_a_lead_unit_whose_frame_does_not_come_back_stops_after_the_first() -> None:
    # Common practice, no source. The computer in the ring drops what it did not send.
    simulated = line(units=3)
    simulated.order("lead 1 power-on to 3", 0.0)
    assert data_of(heard(simulated, 2.0)) == POWER_ON[3][:1]
    assert simulated.chain.happenings()[-1].what == "stops power-on after frame 1: nothing came back"
    assert simulated.chain.states(2.0)[3]["power"] is False


def test_with_pass_on_the_computer_closes_the_ring_for_a_lead_unit() -> None:
    simulated = line(units=3, pass_on=True)
    simulated.order("lead 2 power-on to 1", 0.0)
    passed = b""
    while (deadline := simulated.deadline) is not None and deadline < 2.0:
        for data, at in simulated.due(deadline):
            passed += data
            simulated.feed(data, at)
    assert passed == POWER_ON[1]
    assert simulated.chain.states(2.0)[1]["power"] is True
    assert simulated.chain.happenings()[-1].what == "led power-on: all 4 frames came back"


@given(units=st.integers(1, 6), unit=st.integers(1, 6), level=st.integers(1, 63))
def test_a_front_panel_speaks_without_waiting_and_is_heard_behind_the_units_after_it(
    units: int, unit: int, level: int
) -> None:
    unit = min(unit, units)
    simulated = line(units=units)
    simulated.order(f"press {unit} set-volume level={level}", 0.0)
    listened = heard(simulated, 1.0)
    assert data_of(listened) == bytes([0xA6, unit, 0x56, level])
    first = (units - unit + 1) * 10 / 9600
    assert [at for _, at in listened] == pytest.approx([first + place * 10 / 9600 for place in range(4)])
    assert simulated.chain.states(1.0)[unit]["volume"] == level


def test_what_the_computer_takes_back_never_leaves_the_adapter() -> None:
    simulated = line(units=1)
    simulated.feed(bytes(range(10)), 0.0)
    simulated.chain.withdraw(2.5 * 10 / 9600)
    simulated.feed(b"\xff", 2.6 * 10 / 9600)
    assert data_of(heard(simulated, 1.0)) == b"\x00\x01\x02\xff"
