"""Captures of a run against the line as the profile says it should be."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.qualifying.captures import CaptureGiven
from controller.qualifying.waveforms import Waveform, compare_captures
from controller.recording import Recorder
from controller.records import Direction, Traffic
from profiles.bench.comparison import Verdict
from profiles.errors import LinewardenError
from profiles.library import find
from tests.profiles.bench.captures import write_logic, write_voltage

CHAIN = find("pellgate-chain").load()
# Worked by hand from the profile's rule: A5, the address, the order, the sum of the two.
ON, OFF, ASK = (bytes.fromhex(text) for text in ("A5 01 01 02", "A5 01 02 03", "A5 00 40 40"))
APART = 300.0
"""Bit times between messages: more than the profile's burst gap of 40 ms, which is 192 at 4800 baud."""


def compared(path: Path, action: str = "power-on", original: Path | None = None) -> Waveform:
    (made,) = compare_captures([CaptureGiven(action, path, None, original)], CHAIN, {}, 1)
    return made


def test_a_whole_run_in_one_capture_is_taken_apart(tmp_path: Path) -> None:
    path = write_logic(tmp_path / "run.csv", [ASK, OFF, *[ON, OFF] * 4], between=APART)
    for action, count in (("power-on", 4), ("standby", 5)):
        made = compared(path, action)
        assert made.messages == count
        assert made.comparison.verdict is Verdict.SAME
        assert made.comparison.bit_ratio == pytest.approx(1.0, abs=1e-4)
        assert made.picture.count("<polyline") == 2 * 4 * count


def test_a_voltage_is_compared_with_its_noise(tmp_path: Path) -> None:
    path = write_voltage(tmp_path / "run.csv", {"CH1": ([ON] * 3, 0.0)}, between=APART)
    made = compared(path)
    assert made.comparison.matches
    assert made.comparison.worst_edge is not None
    assert abs(made.comparison.worst_edge) < 0.1


@pytest.mark.parametrize("baud", [4800 * 0.96, 4800 * 1.04])
def test_a_rate_that_is_off_differs(tmp_path: Path, baud: float) -> None:
    made = compared(write_logic(tmp_path / "run.csv", [ON] * 4, baud=baud, between=APART))
    assert not made.comparison.matches
    assert made.comparison.bit_ratio == pytest.approx(4800 / baud, rel=2e-3)


def test_bytes_that_no_message_explains_stay_and_differ(tmp_path: Path) -> None:
    spoiled = ON[:3] + b"\x07"
    made = compared(write_logic(tmp_path / "run.csv", [ON, spoiled, OFF, ON], between=APART))
    assert made.messages == 2
    assert not made.comparison.matches
    assert any("07" in reason for reason in made.comparison.reasons)


def test_a_recording_has_bytes_and_no_edges(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    with Recorder(path, "ear", CHAIN.profile, utc=lambda: 1000.0) as recorder:
        for number, data in enumerate([OFF, ON, OFF, ON]):
            recorder.add(Traffic("ear", 1000.5 + number, Direction.HEARD, data))
    made = compared(path)
    assert made.messages == 2
    assert made.comparison.matches
    assert made.comparison.worst_edge is None


def test_a_capture_of_the_original_stands_in_its_place(tmp_path: Path) -> None:
    original = write_logic(tmp_path / "original.csv", [ON] * 2, between=APART)
    replay = write_logic(tmp_path / "replay.csv", [ON, OFF, ON], between=APART)
    made = compared(replay, original=original)
    assert made.comparison.matches
    assert "original.csv" in made.original


def test_what_says_nothing_or_is_not_there_is_told(tmp_path: Path) -> None:
    rest = tmp_path / "rest.csv"
    rest.write_text("Time [s],CH1\n0.0,1\n0.5,1\n1.0,1\n")
    for path in (rest, tmp_path / "nowhere.csv"):
        with pytest.raises(LinewardenError, match=path.name):
            compared(path)
    only_off = write_logic(tmp_path / "off.csv", [OFF] * 2, between=APART)
    with pytest.raises(LinewardenError, match="power-on"):
        compared(only_off)
