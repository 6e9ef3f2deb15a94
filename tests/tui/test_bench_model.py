"""Reading in a line by keys: bytes and edges, closer and wider, and what is measured between two places."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.recording import Recorder
from controller.records import Direction, Traffic
from profiles.bench.decoding import decode_capture
from profiles.checking import load_profile
from profiles.library import find
from tests.tui.bench_lines import BIT, POWER_ON, STANDBY, compared, read_logic
from tui.bench_model import CLOSEST, Reader, span_words
from tui.bench_reading import Reading, Slots


def reader(folder: Path, **how: float) -> Reader:
    return Reader(Slots(read_logic(folder / "line.csv", [POWER_ON, STANDBY], **how)))


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "0 s"),
        (2.5, "2.5 s"),
        (0.0125, "12.5 ms"),
        (208.33e-6, "208.3 µs"),
        (5e-8, "50 ns"),
        (-0.002, "-2 ms"),
    ],
)
def test_times_are_told_with_four_digits(seconds: float, words: str) -> None:
    assert span_words(seconds) == words


def test_on_by_bytes_and_not_beyond_the_ends(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.move(1)
    assert (r.byte, r.edge) == (1, None)
    r.move(-5)
    assert r.byte == 0
    r.go(99)
    assert r.byte == 7


def test_a_byte_is_opened_with_a_bit_of_line_on_either_side(tmp_path: Path) -> None:
    r = reader(tmp_path)
    begin, end = r.window
    assert begin == pytest.approx(r.shown.span(0)[0] - BIT, rel=1e-6)
    assert end - begin == pytest.approx(12 * BIT, rel=1e-3)


def test_wider_until_the_whole_burst_is_seen_and_no_further(tmp_path: Path) -> None:
    r = reader(tmp_path, inside=12.0)
    r.move(2)
    while r.wider():
        pass
    begin, end = r.window
    first, last = r.shown.span(0), r.shown.span(3)
    assert begin == pytest.approx(first[0] - BIT, rel=1e-3)
    assert end == pytest.approx(last[1] + BIT, rel=1e-3)
    assert not r.wider()


def test_closer_ends_at_a_single_edge(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.move(1)
    steps = 0
    while r.closer():
        steps += 1
    assert steps == CLOSEST
    begin, end = r.window
    assert end - begin == pytest.approx(12 * BIT / 2**CLOSEST, rel=1e-3)
    assert r.edge is not None
    assert begin < r.sight(r.edge).at < end


def test_closer_in_than_a_byte_the_arrows_go_by_edges(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.closer()
    first = r.sight(r.edge or 0)
    assert not first.rises
    r.move(1)
    second = r.sight(r.edge or 0)
    # A5 hex: the start bit is one bit long, then the first data bit is 1.
    assert second.rises
    assert second.at - first.at == pytest.approx(BIT, rel=1e-3)
    assert second.byte == 0
    assert second.off == pytest.approx(0.0, abs=0.01)


def test_edges_lead_into_the_next_byte(tmp_path: Path) -> None:
    r = reader(tmp_path)
    for _ in range(20):
        r.step(1)
    assert r.byte is not None
    assert r.byte > 0
    at = r.sight(r.edge or 0).at
    begin, end = r.shown.span(r.byte)
    assert begin - BIT / 2 <= at <= end
    for _ in range(100):
        r.step(-1)
    assert (r.edge, r.byte) == (0, 0)


def test_between_bytes_is_measured_from_start_to_start(tmp_path: Path) -> None:
    r = reader(tmp_path, inside=5.0)
    r.set_mark()
    r.move(2)
    measured = r.measured
    assert measured is not None
    # Two frames of ten bit times, and five of dead time after each.
    assert measured.bits == pytest.approx(30.0, abs=0.01)
    assert measured.seconds == pytest.approx(30 * BIT, rel=1e-4)
    assert measured.words == "byte 1 (A5) → byte 3 (01): 6.25 ms, 30.00 bit times; 20.00 between"
    r.go(0)
    assert r.spot == r.mark, "at the mark there is nothing to measure"


def test_backwards_is_measured_as_well(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.move(3)
    r.set_mark()
    r.move(-1)
    measured = r.measured
    assert measured is not None
    assert measured.bits == pytest.approx(-10.0, abs=0.01)
    assert measured.words.startswith("byte 3 (01) → byte 4 (02): 2.083 ms, 10.00 bit times; 0.00 between")


def test_between_edges_is_measured(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.step(1)
    r.set_mark()
    r.step(2)
    measured = r.measured
    assert measured is not None
    # From the start edge past the first rise to the fall after data bit 1: two cells.
    assert measured.bits == pytest.approx(2.0, abs=0.01)
    assert "falling edge" in measured.words
    assert "between" not in measured.words


def test_the_same_mark_again_ends_the_measuring(tmp_path: Path) -> None:
    r = reader(tmp_path)
    r.set_mark()
    r.set_mark()
    assert r.mark is None


def test_what_only_the_replay_says_is_looked_at_in_the_replay(tmp_path: Path) -> None:
    slots = compared(tmp_path, [POWER_ON[:2] + POWER_ON[3:]], [POWER_ON])
    r = Reader(slots)
    place = next(n for n in range(len(slots)) if slots[n].byte is None)
    r.go(place)
    assert r.shown is slots.other
    assert r.byte is not None
    assert r.shown.value(r.byte) == 1


def test_a_recording_has_bytes_and_no_edge_to_go_to(tmp_path: Path) -> None:
    profile = load_profile(find("pellgate-chain").text(), "pellgate-chain").profile
    path = tmp_path / "heard.jsonl"
    with Recorder(path, "sound", profile) as recorder:
        recorder.add(Traffic("sound", 100.0, Direction.SENT, POWER_ON))
    r = Reader(Slots(Reading(decode_capture(path).channels[0])))
    assert not r.closer()
    r.step(1)
    assert (r.edge, r.zoom) == (None, 0)
    r.move(1)
    assert r.byte == 1


def test_a_line_that_is_no_serial_line_can_still_be_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "once.csv"
    path.write_text("Time [s],CH1\n0.0,1\n0.4,0\n1.0,0\n")
    r = Reader(Slots(Reading(decode_capture(path).channels[0])))
    assert r.byte is None
    assert r.edge == 0
    begin, end = r.window
    assert begin < 0.4 < end
    assert r.sight(0).off is None
    r.move(1)
    r.go(3)
    assert r.edge == 0


def test_a_flat_line_has_nothing_to_stand_on(tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    path.write_text("Time [s],CH1\n0.0,1\n1.0,1\n")
    r = Reader(Slots(Reading(decode_capture(path).channels[0])))
    for act in (r.closer, r.wider, lambda: r.move(1), lambda: r.step(-1), r.set_mark):
        act()
    assert (r.byte, r.edge, r.spot, r.measured) == (None, None, None, None)
    begin, end = r.window
    assert end > begin
