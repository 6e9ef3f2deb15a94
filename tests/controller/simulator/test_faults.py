"""Each fault does what it says, and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from controller.simulator.faults import Fault
from controller.simulator.medium import Topology
from controller.simulator.orders import parse_order
from profiles.errors import InputError, NotKnown
from tests.controller.simulator.benches import POWER_ON, data_of, heard, line

T = 10 / 9600
DATA = st.binary(min_size=1, max_size=24)


def echoes(order: str, data: bytes, units: int = 3) -> list[tuple[int, float]]:
    simulated = line(units=units)
    simulated.order(order, 0.0)
    simulated.feed(data, 0.0)
    return heard(simulated, 60.0)


def plain(data: bytes, units: int = 3) -> list[tuple[int, float]]:
    return [(byte, (place + units + 1) * T) for place, byte in enumerate(data)]


def check_same(got: list[tuple[int, float]], expected: list[tuple[int, float]]) -> None:
    assert data_of(got) == data_of(expected)
    assert [at for _, at in got] == pytest.approx([at for _, at in expected])


@given(data=DATA, nth=st.integers(1, 30), mask=st.integers(1, 255))
def test_corrupt_changes_one_frame(data: bytes, nth: int, mask: int) -> None:
    expected = plain(data)
    if nth <= len(data):
        expected[nth - 1] = (data[nth - 1] ^ mask, expected[nth - 1][1])
    check_same(echoes(f"corrupt {nth} xor {mask:02X}", data), expected)


@given(data=DATA, nth=st.integers(1, 30))
def test_drop_loses_one_frame_and_the_others_keep_their_times(data: bytes, nth: int) -> None:
    expected = [pair for place, pair in enumerate(plain(data), 1) if place != nth]
    check_same(echoes(f"drop {nth}", data), expected)


@given(data=DATA, nth=st.integers(1, 6))
def test_every_harms_each_nth_frame(data: bytes, nth: int) -> None:
    expected = [pair for place, pair in enumerate(plain(data), 1) if place % nth]
    check_same(echoes(f"drop {nth} every", data), expected)


@given(data=DATA, nth=st.integers(1, 24))
def test_double_sends_one_frame_twice_and_what_follows_comes_a_frame_later(data: bytes, nth: int) -> None:
    expected = plain(data)
    if nth <= len(data):
        again = expected[nth - 1]
        later = [(byte, at + T) for byte, at in [again, *expected[nth:]]]
        expected = [*expected[:nth], *later]
    check_same(echoes(f"double {nth}", data), expected)


@given(data=DATA, nth=st.integers(1, 24), milliseconds=st.integers(1, 500))
def test_delay_holds_one_frame_and_all_behind_it(data: bytes, nth: int, milliseconds: int) -> None:
    late = milliseconds / 1000
    expected = [
        (byte, at + (late if place >= nth else 0.0)) for place, (byte, at) in enumerate(plain(data), 1)
    ]
    check_same(echoes(f"delay {nth} {milliseconds}ms", data), expected)


@given(data=DATA, unit=st.integers(1, 3), milliseconds=st.integers(1, 50))
def test_a_slow_unit_makes_every_echo_later_by_as_much(data: bytes, unit: int, milliseconds: int) -> None:
    expected = [(byte, at + milliseconds / 1000) for byte, at in plain(data)]
    check_same(echoes(f"slow {unit} {milliseconds}ms", data), expected)


@given(cut=st.integers(0, 4))
def test_a_cut_lets_nothing_through_and_the_units_before_it_obey(cut: int) -> None:
    simulated = line(units=4)
    simulated.order(f"cut {cut}", 0.0)
    simulated.feed(POWER_ON[0], 0.0)
    assert heard(simulated, 1.0) == []
    on = [states["power"] for states in simulated.chain.states(1.0).values()]
    assert on == [True] * cut + [False] * (4 - cut)


def test_a_cut_in_the_middle_of_a_message_lets_through_what_was_past_it() -> None:
    simulated = line(units=4)
    simulated.feed(POWER_ON[0], 0.0)
    # After 3.5 frame times frame 1 is on its way from unit 3 to unit 4; frame 2 from unit 2 to unit 3.
    heard(simulated, 3.5 * T)
    simulated.order("cut 2", 3.5 * T)
    assert data_of(heard(simulated, 1.0)) == POWER_ON[0][:1]


@given(dead=st.integers(1, 4))
def test_a_unit_without_mains_cuts_the_ring_and_begins_anew_when_it_is_back(dead: int) -> None:
    simulated = line(units=4)
    simulated.feed(POWER_ON[0], 0.0)
    assert data_of(heard(simulated, 0.5)) == POWER_ON[0]
    simulated.order(f"no-mains {dead}", 0.5)
    simulated.feed(bytes.fromhex("A5 00 02 02"), 0.5)
    assert heard(simulated, 1.0) == []
    assert "no mains" in simulated.order("show", 1.0)
    simulated.order(f"clear no-mains {dead}", 1.0)
    on = [states["power"] for states in simulated.chain.states(1.0).values()]
    # Those before it heard "standby for all", it lost its mains, those behind it heard nothing of it.
    assert on == [False] * dead + [True] * (4 - dead)
    simulated.feed(POWER_ON[0], 1.0)
    assert data_of(heard(simulated, 1.5)) == POWER_ON[0]


def test_a_unit_without_mains_has_no_front_panel() -> None:
    simulated = line()
    simulated.order("no-mains 2", 0.0)
    with pytest.raises(InputError, match="no mains"):
        simulated.order("press 2 power-on", 0.0)


@given(data=st.binary(min_size=8, max_size=60), seed=st.integers(0, 1000))
def test_noise_turns_over_one_bit_of_a_frame_and_comes_again_the_same(data: bytes, seed: int) -> None:
    noisy = echoes(f"noise 1 seed {seed}", data)
    assert [(a ^ b).bit_count() for a, b in zip(data_of(noisy), data, strict=True)] == [1] * len(data)
    assert [at for _, at in noisy] == pytest.approx([at for _, at in plain(data)])
    assert noisy == echoes(f"noise 1 seed {seed}", data)
    check_same(echoes("noise 0", data), plain(data))


def test_noise_hits_about_as_often_as_it_says() -> None:
    data = bytes(4000)
    spoilt = sum(byte != 0 for byte in data_of(echoes("noise 0.1", data)))
    # Binomial: 400 expected, standard deviation 19; six of them either way.
    assert 286 <= spoilt <= 514


@given(data=DATA)
def test_an_unplugged_adapter_hears_and_sends_nothing_until_it_is_back(data: bytes) -> None:
    simulated = line()
    simulated.order("unplug", 0.0)
    simulated.feed(data, 0.0)
    simulated.order("press 1 power-on", 0.0)
    assert heard(simulated, 5.0) == []
    simulated.order("plug", 5.0)
    simulated.feed(data, 5.0)
    assert data_of(heard(simulated, 10.0)) == data


def test_a_talker_puts_a_frame_of_its_own_beside_each_of_the_adapters() -> None:
    simulated = line(units=2)
    simulated.order("talker 2 77", 0.0)
    simulated.feed(b"\x11\x22", 0.0)
    # Unit 2's own frames leave at once, ours come by two hops later.
    check_same(heard(simulated, 1.0), [(0x77, T), (0x77, 2 * T), (0x11, 3 * T), (0x22, 4 * T)])


def test_a_fault_can_stand_at_any_place_of_the_chain() -> None:
    simulated = line(units=3)
    simulated.order("corrupt 3 at 1", 0.0)
    simulated.feed(POWER_ON[0], 0.0)
    assert data_of(heard(simulated, 1.0)) == bytes([0xA5, 0, 0, 1])
    # Unit 1 heard the message as it was; what it sent on has no right check any more.
    assert [states["power"] for states in simulated.chain.states(1.0).values()] == [True, False, False]


def test_on_an_open_line_the_adapters_own_frames_are_harmed() -> None:
    simulated = line(units=2, topology=Topology.OPEN)
    simulated.order("drop 4", 0.0)
    simulated.feed(POWER_ON[1], 0.0)
    heard(simulated, 1.0)
    assert simulated.chain.states(1.0)[1]["power"] is False


def test_a_fault_that_is_over_stands_no_more() -> None:
    simulated = line()
    simulated.order("drop 2", 0.0)
    simulated.feed(b"\x01", 0.0)
    heard(simulated, 1.0)
    assert "fault: drop 2" in simulated.order("show", 1.0)
    simulated.feed(b"\x02", 1.0)
    assert heard(simulated, 2.0) == []
    assert simulated.order("show", 2.0).startswith("no faults")


def test_faults_are_cleared_one_by_one_by_kind_or_all() -> None:
    simulated = line()
    for order in ("cut 1", "cut 2", "slow 1 8ms", "drop 3 every"):
        simulated.order(order, 0.0)
    assert simulated.order("clear cut 2", 0.0) == "cleared: cut 2"
    with pytest.raises(NotKnown, match="no fault `cut 2` stands"):
        simulated.order("clear cut 2", 0.0)
    assert simulated.order("clear cut", 0.0) == "cleared: cut 1"
    assert simulated.order("clear", 0.0) == "cleared: slow 1 8ms, drop 3 every"
    assert simulated.order("clear all", 0.0) == "there is nothing to clear"
    check = line()
    for lines in (simulated, check):
        lines.feed(b"\x01\x02\x03", 0.0)
    assert heard(simulated, 1.0) == heard(check, 1.0)


FAULTS = st.one_of(
    st.builds("cut {}".format, st.integers(0, 3)),
    st.builds("no-mains {}".format, st.integers(1, 3)),
    st.builds("{} {}{}{}".format, st.sampled_from(["corrupt", "drop", "double"]), st.integers(1, 9),
              st.sampled_from(["", " every"]), st.sampled_from(["", " at 0", " at 2"])),
    st.builds("delay {} {}us every".format, st.integers(1, 9), st.integers(1, 100_000)),
    st.builds("slow {} {}us".format, st.integers(1, 3), st.integers(1, 100_000)),
    st.builds("noise {} seed {}".format, st.floats(0, 1), st.integers(0, 9)),
    st.builds("talker {} {:02X} late {}us".format, st.integers(1, 3), st.integers(0, 255),
              st.integers(0, 5000)),
    st.builds("refuse {}".format, st.integers(1, 3)),
)  # fmt: skip


@given(orders=st.lists(FAULTS, max_size=5), data=DATA, topology=st.sampled_from(sorted(Topology)))
def test_whatever_faults_stand_together_the_line_comes_to_rest_and_is_whole_once_they_are_cleared(
    orders: list[str], data: bytes, topology: Topology
) -> None:
    simulated = line(units=3, topology=topology)
    for order in orders:
        simulated.order(order, 0.0)
    simulated.feed(data, 0.0)
    times = [at for _, at in heard(simulated, 120.0)]
    assert times == sorted(times)
    # A talker's late frame or a half heard message may still be due, but nothing goes round for ever.
    assert simulated.deadline is None
    simulated.order("clear", 120.0)
    assume(topology in (Topology.RING, Topology.SHARED))
    simulated.feed(b"\x31\x32\x33", 120.0)
    assert data_of(heard(simulated, 121.0)) == b"\x31\x32\x33"


@given(order=FAULTS)
def test_a_fault_reads_back_as_it_is_printed(order: str) -> None:
    fault = parse_order(order)
    assert isinstance(fault, Fault)
    assert parse_order(str(fault)) == fault


@pytest.mark.parametrize(
    "order", ["cut 5", "no-mains 5", "slow 5 1ms", "drop 1 at 5", "noise 0.1 at 5", "talker 5", "refuse 5"]
)
def test_a_fault_at_a_place_that_is_not_there_is_refused(order: str) -> None:
    simulated = line(units=4)
    with pytest.raises(NotKnown, match="no unit 5"):
        simulated.order(order, 0.0)
    assert simulated.order("show", 0.0).startswith("no faults")


@pytest.mark.parametrize("behind", range(5))
def test_joined_behind_one_unit_the_adapter_hears_what_came_so_far(behind: int) -> None:
    simulated = line(units=4)
    simulated.order(f"cut {behind}", 0.0)  # the lead that is taken off carries nothing that counts
    simulated.order(f"loop-back {behind}", 0.0)
    simulated.feed(b"\x41", 1.0)
    [(value, at)] = heard(simulated, 2.0)
    assert value == 0x41
    assert at - 1.0 == pytest.approx((behind + 1) * 10 / 9600)
    if behind:
        simulated.order(f"no-mains {behind}", 2.0)
        simulated.feed(b"\x42", 3.0)
        assert heard(simulated, 4.0) == []


def test_only_one_lead_is_joined_and_only_in_a_ring() -> None:
    simulated = line(units=4)
    simulated.order("loop-back 1", 0.0)
    simulated.order("loop-back 3", 0.0)
    assert "loop-back 1" not in simulated.order("show", 0.0)
    with pytest.raises(InputError, match="no unit 5"):
        simulated.order("loop-back 5", 0.0)
    shared = line(units=2, topology=Topology.SHARED)
    with pytest.raises(InputError, match="only in a ring"):
        shared.order("loop-back 1", 0.0)
