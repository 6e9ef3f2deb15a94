"""The simulated adapter's lateness and batches.

FTDI AN232B-04, "Small Amounts of Data and End of Buffer Conditions": received bytes are held until 62 user
bytes are there, a status line changes, or the latency timer ends, 16 ms by default.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.simulator.adapter import Adapter, AdapterFacts
from controller.simulator.line import SimulatedLine
from controller.simulator.medium import Arrival, Topology
from profiles.errors import BadValue
from tests.controller.simulator.benches import chain_profile, data_of, heard, line

STEP = 1e-3


def pieces(facts: AdapterFacts, runs: list[Arrival], until: float = 100.0) -> list[tuple[bytes, float]]:
    adapter = Adapter(facts)
    adapter.take(runs)
    return adapter.due(until)


def test_by_itself_each_byte_is_handed_on_at_once() -> None:
    runs = [Arrival(b"a", 1.0, STEP), Arrival(b"b", 2.0, STEP)]
    assert pieces(AdapterFacts(), runs) == [(b"a", 1.0), (b"b", 2.0)]


def test_bytes_are_held_for_16_ms_from_the_first_one() -> None:
    facts = AdapterFacts(latency_s=0.016)
    runs = [Arrival(b"a", 1.0, STEP), Arrival(b"b", 1.010, STEP), Arrival(b"c", 1.017, STEP)]
    [first, second] = pieces(facts, runs)
    assert [first[0], second[0]] == [b"ab", b"c"]
    assert [first[1], second[1]] == pytest.approx([1.016, 1.033])


def test_the_62nd_byte_sends_what_is_held() -> None:
    facts = AdapterFacts(latency_s=0.016)
    [first, second] = pieces(facts, [Arrival(bytes(100), 1.0, 1e-4)])
    assert [len(first[0]), len(second[0])] == [62, 38]
    assert [first[1], second[1]] == pytest.approx([1.0 + 61e-4, 1.0 + 62e-4 + 0.016])


def test_a_change_of_a_status_line_sends_what_is_held() -> None:
    adapter = Adapter(AdapterFacts(latency_s=0.016))
    adapter.take([Arrival(b"abc", 1.0, 1e-4)])
    adapter.set_control_line("cts", False, 1.0005)
    assert adapter.due(1.0005) == []
    adapter.set_control_line("cts", True, 1.001)
    assert adapter.due(1.001) == [(b"abc", 1.001)]
    assert adapter.control_lines == {"cts": True, "dsr": False, "dcd": False, "ri": False}


def test_a_timer_that_runs_on_sends_at_its_own_beat() -> None:
    facts = AdapterFacts(latency_s=0.016, free_running=True)
    runs = [Arrival(b"a", 0.001, STEP), Arrival(b"b", 0.0159, STEP), Arrival(b"c", 0.0161, STEP)]
    [first, second] = pieces(facts, runs)
    assert [first[0], second[0]] == [b"ab", b"c"]
    assert [first[1], second[1]] == pytest.approx([0.016, 0.032])


def test_jitter_is_the_timers_own_doing() -> None:
    waiting, running_on = AdapterFacts(0.016), AdapterFacts(0.016, free_running=True)
    assert (waiting.least_s, waiting.jitter_s) == (0.016, 0)
    assert (running_on.least_s, running_on.jitter_s) == (0, 0.016)


def _one_by_one(facts: AdapterFacts, times: list[float]) -> list[tuple[int, float]]:
    """The same by the data sheet's words, byte by byte: (how many bytes, when) for each piece."""
    out, held, until = [], 0, 0.0
    for at in times:
        if held and until < at:
            out.append((held, until))
            held = 0
        if not held:
            beat = (at // facts.latency_s + 1) * facts.latency_s
            until = beat if facts.free_running else at + facts.latency_s
        held += 1
        if held == facts.batch:
            out.append((held, at))
            held = 0
    return [*out, (held, until)] if held else out


@given(
    lengths=st.lists(st.integers(1, 150), min_size=1, max_size=6),
    gaps=st.lists(st.integers(2, 400), min_size=6, max_size=6),
    latency_ms=st.sampled_from([1, 5, 16]),
    free_running=st.booleans(),
    looks=st.lists(st.integers(0, 4000), max_size=6),
)
def test_runs_of_bytes_are_held_as_single_bytes_are(
    lengths: list[int], gaps: list[int], latency_ms: int, free_running: bool, looks: list[int]
) -> None:
    # Odd steps and offsets, so that none falls on the timer's end; no two frames closer than a frame is long.
    facts = AdapterFacts(latency_ms / 1000, free_running=free_running)
    runs, times, at = [], [], 0.0
    for length, gap in zip(lengths, gaps, strict=False):
        first = at + gap / 10_000 + 1 / 31_000
        runs.append(Arrival(bytes(length), first, 1 / 6971))
        times += [first + place / 6971 for place in range(length)]
        at = times[-1]
    adapter = Adapter(facts)
    adapter.take(runs)
    got: list[tuple[bytes, float]] = []
    for look in (*sorted(looks), 10**6):
        deadline = adapter.deadline(None, 1 / 6971)
        new = adapter.due(look / 10_000)
        if new:
            assert deadline is not None
            assert deadline <= new[0][1] + 1e-12
        got += new
    expected = _one_by_one(facts, times)
    assert [len(data) for data, _ in got] == [count for count, _ in expected]
    assert [at for _, at in got] == pytest.approx([at for _, at in expected])


@pytest.mark.parametrize("latency_ms", [0, 1, 16])
def test_an_echo_is_later_by_the_adapters_latency_and_nothing_else(latency_ms: int) -> None:
    simulated = line(facts=AdapterFacts(latency_ms / 1000), units=4)
    simulated.feed(b"\x55", 0.0)
    [(value, at)] = heard(simulated, 1.0)
    assert value == 0x55
    assert at == pytest.approx(5 * 10 / 9600 + latency_ms / 1000)


@pytest.mark.parametrize(("latency_s", "batch"), [(-1, 62), (float("nan"), 62), (11, 62), (0, 0)])
def test_what_no_adapter_is_like_is_refused(latency_s: float, batch: int) -> None:
    with pytest.raises(BadValue):
        AdapterFacts(latency_s, batch=batch)


def saturated(latency_ms: float, unit: int = 4, **layout: Any) -> SimulatedLine:
    simulated = line(chain_profile(115200.0), AdapterFacts(latency_ms / 1000), **layout)
    simulated.order(f"saturate {unit}", 0.0)
    return simulated


def test_a_full_line_carries_a_frame_every_frame_time_in_batches_of_5_ms() -> None:
    simulated = saturated(5)
    said = b"".join(simulated.console.saturating_messages(4))
    got = heard(simulated, 1.0)
    assert data_of(got) == (said * 999)[: len(got)]
    # 115200 baud at 8N1 is 11520 frames a second; those of the last batch are still held.
    assert 11520 - 120 <= len(got) <= 11520
    first = 10 / 115200 + 0.005
    assert sorted({at for _, at in got})[:2] == pytest.approx([first, first + 0.005 + 10 / 115200], abs=1e-4)


def test_on_a_full_ring_an_echo_waits_for_the_end_of_a_message_and_no_message_is_broken() -> None:
    simulated = saturated(0)
    simulated.feed(b"\xee", 0.1)
    got = data_of(heard(simulated, 0.2))
    place = got.index(0xEE)
    messages = simulated.console.saturating_messages(4)
    assert got[:place] + got[place + 1 :] == (b"".join(messages) * 99)[: len(got) - 1]
    ends = {0}
    for message in messages:
        ends.add(max(ends) + len(message))
    assert place % max(ends) in ends


def test_a_full_shared_wire_spoils_what_the_adapter_says() -> None:
    simulated = saturated(0, unit=1, topology=Topology.SHARED, units=2)
    heard(simulated, 0.1)
    simulated.feed(bytes.fromhex("A5 02 01 03"), 0.1)
    heard(simulated, 0.2)
    assert simulated.chain.states(0.2)[2]["power"] is False
    simulated.order("clear saturate", 0.2)
    simulated.feed(bytes.fromhex("A5 02 01 03"), 0.3)
    assert data_of(heard(simulated, 0.4)).endswith(bytes.fromhex("A5 02 01 03"))
    assert simulated.chain.states(0.4)[2]["power"] is True


@given(order=st.sampled_from(["drop 5 every", "noise 0.2", "double 7 every", "delay 9 1ms every"]))
def test_faults_harm_a_full_line_too(order: str) -> None:
    harmed, whole = saturated(5), saturated(5)
    harmed.order(order, 0.0)
    assert data_of(heard(harmed, 0.3)) != data_of(heard(whole, 0.3))
    harmed.order("cut 4", 0.3)
    heard(harmed, 0.4)
    assert heard(harmed, 0.6) == []
