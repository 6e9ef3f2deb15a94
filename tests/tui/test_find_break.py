"""``linewarden probe --find-break``, as at the rack: a real chain, and leads that are moved."""

from __future__ import annotations

import os
import re

import pytest

from tests.controller.faults.chain_process import Chain
from tests.tui.conftest import Desk

pytestmark = pytest.mark.skipif(os.name != "posix", reason="there are no pseudo-terminals elsewhere")


@pytest.mark.parametrize(
    ("fault", "told"),
    [
        pytest.param(
            "cut 0",
            "good up to the adapter itself: the ring is cut between it and the output of unit 1",
            marks=pytest.mark.slow,
        ),
        ("cut 2", "good up to unit 2 (unit-2): the ring is cut between it and the output of unit 3"),
        pytest.param(
            "no-mains 2",
            "good up to unit 1 (unit-1): the ring is cut between it and the output of unit 2",
            marks=pytest.mark.slow,
        ),
        pytest.param("cut 4", "all 4 units are good: the ring is cut behind unit 4", marks=pytest.mark.slow),
    ],
)
def test_a_cut_chain_of_four_is_found_in_three_steps(fault: str, told: str, desk: Desk) -> None:
    chain = Chain(desk.chain(), desk.folder / "line", 4)
    chain.order(fault)
    search = desk.start("probe", "hall", "--find-break")
    places: list[int] = []
    found = ""
    while not found:
        line = search.line()
        if line.startswith("Found:"):
            found = line
        joined = re.match(r"Join the adapter's input to (its own output|the output of unit (\d+))", line)
        if joined:
            places.append(int(joined[2] or 0))
            assert chain.order(f"loop-back {places[-1]}").startswith("set:")
            search.type("")
    assert told in found
    assert 1 <= len(places) <= 3
    assert search.line().startswith("  look at   the lead from")
    search.until("probes the whole ring")
    # Mended, and the lead back in its place.
    chain.order("clear all")
    search.type("")
    assert "hall: " in search.line()
    assert search.end_of_itself() == 0


@pytest.mark.slow
def test_a_whole_ring_has_nothing_to_find(desk: Desk) -> None:
    desk.chain()
    said = desk.run("probe", "hall", "--find-break")
    assert said.code == 0
    assert len(said.out.splitlines()) == 1


@pytest.mark.slow
def test_it_can_be_given_up_and_scripted(desk: Desk) -> None:
    chain = Chain(desk.chain(), desk.folder / "line", 4)
    chain.order("cut 1")
    chain.order("loop-back 0")
    # The lead stays at the adapter: that no unit repeated it is seen, and it does not count.
    said = desk.run("probe", "hall", "--find-break", "--json", stdin="\nq\n")
    assert said.code == 1
    document = said.document
    assert (document["bus"], document["found"], document["whole"]) == ("hall", None, False)
    assert document["steps"] == [{"place": 2, "came_back": True, "units_answering": 0}]
    assert "no unit repeated it, and the lead should be behind unit 2" in said.err
    assert "Join the adapter's input to the output of unit 2" in said.err
    # Without the lead nothing comes back, however busy the machine is, and nobody answers what is asked then.
    chain.order("clear loop-back 0")
    assert desk.run("probe", "hall", "--find-break", stdin="").code == 1


@pytest.mark.slow
def test_what_is_no_ring_is_told(desk: Desk) -> None:
    desk.chain("pellgate-blind", 2)
    said = desk.run("probe", "hall", "--find-break")
    assert said.code == 2
    assert "is no ring" in said.err
    assert desk.run("probe", "nowhere", "--find-break").code == 2


@pytest.mark.slow
def test_a_probe_tells_each_echo_and_what_is_known_of_the_line(desk: Desk) -> None:
    desk.chain()
    said = desk.run("probe", "hall")
    assert re.search(r"^  each echo (\d+\.\d\d, ){3}\d+\.\d\d ms$", said.out, re.MULTILINE)
    assert re.search(r"^  counters  actions 1, ", said.out, re.MULTILINE)
    document = desk.run("probe", "hall", "--json").document
    assert len(document["lags_ms"]) == 4
    assert min(document["lags_ms"]) == pytest.approx(document["outcome"]["lag_ms"]["least"], abs=0.001)
