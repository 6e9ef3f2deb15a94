"""A replay against the original: verdicts, tolerances, dead times, and the picture."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.comparison import (
    Comparison,
    Tolerance,
    Verdict,
    compare,
    default_tolerance,
    frame_edges,
    read_alike,
)
from profiles.bench.comparison_report import comparison_json, comparison_text
from profiles.bench.decoding import DecodedChannel, DecodeOptions, decode, decode_capture
from profiles.bench.pictures import comparison_svg
from profiles.bench.recording_text import header_line, record_line
from profiles.errors import BadValue, NotKnown
from profiles.frames import FrameFormat
from profiles.model import LineSettings
from tests.profiles.bench.lines import line

MESSAGE = bytes.fromhex("A5 01 20 28 49 3C 7E 00 FF 55")
GIVEN = DecodeOptions(frame=FrameFormat(), idle_high=True)


def _line(data: bytes, baud: float = 4800, *, name: str = "CH1", **how: Any) -> DecodedChannel:
    edges = line(list(data), how.pop("frame", "8N1"), baud, **how)
    channel = Channel(name, ChannelKind.LOGIC, "made", logic=edges)
    given = GIVEN if how.get("idle", 1) else DecodeOptions(frame=FrameFormat(), idle_high=False)
    return decode(Capture("made", "made", (channel,)), given).channels[0]


def _compared(one: DecodedChannel, other: DecodedChannel, tolerance: Tolerance | None = None) -> Comparison:
    return compare(one.main, other.main, tolerance)


def _like(replay: DecodedChannel, original: DecodedChannel) -> DecodedChannel:
    return read_alike(Capture("made", "made", (replay.channel,)), replay, original)


def test_a_replay_that_tells_nothing_by_itself_is_read_as_the_original() -> None:
    original = _line(MESSAGE)
    unclear = _line(MESSAGE, shift=0.3)
    assert unclear.main.fit.frame is None
    read = _like(unclear, original)
    assert bytes(read.main.values) == MESSAGE
    # What can be told by itself is left as it was told.
    clear = _line(MESSAGE, 5000)
    assert _like(clear, original) is clear


def test_the_same_line_is_the_same() -> None:
    found = _compared(_line(MESSAGE), _line(MESSAGE))
    assert found.verdict is Verdict.SAME
    assert found.worst_edge == pytest.approx(0.0, abs=1e-6)
    assert found.bit_ratio == pytest.approx(1.0, abs=1e-9)
    assert (found.reasons, found.changes) == ((), ())
    assert len(found.dead_times) == len(MESSAGE) - 1


def test_dead_time_alone_is_told_and_no_mismatch() -> None:
    found = _compared(_line(MESSAGE), _line(MESSAGE, dead=3.0))
    assert found.verdict is Verdict.DEAD_TIME_DIFFERS
    assert found.matches
    assert all(each.differs for each in found.dead_times)
    assert found.dead_times[0].replay == pytest.approx(3 / 4800, rel=0.01)
    assert "no mismatch" in comparison_text(found)
    # Dead time so long that the replay falls into single frames is dead time all the same.
    apart = _compared(_line(MESSAGE), _line(MESSAGE, dead=45.0))
    assert apart.verdict is Verdict.DEAD_TIME_DIFFERS


def test_the_bytes_that_differ_are_told() -> None:
    changed = bytearray(MESSAGE)
    changed[3] ^= 0x10
    found = _compared(_line(MESSAGE), _line(bytes(changed)))
    assert found.verdict is Verdict.DIFFERENT
    assert [(c.original_at, c.original, c.replay) for c in found.changes] == [(3, (0x28,), (0x38,))]
    assert found.worst_edge == pytest.approx(0.0, abs=1e-6)
    missing = _compared(_line(MESSAGE), _line(MESSAGE[:-1]))
    assert missing.changes[0].text == "byte 9: 55 is missing in the replay"
    added = _compared(_line(MESSAGE[1:]), _line(MESSAGE))
    assert added.changes[0].text == "byte 0 of the replay: A5 is not in the original"


@pytest.mark.parametrize(
    ("frame", "percent"),
    [("5N1", 3.0), ("6N1", 2.5), ("7N1", 2.0), ("8N1", 2.0), ("8E1", 1.5), ("9N1", 1.5), ("9E1", 1.5)],
)
def test_the_rate_tolerance_is_a_receivers(frame: str, percent: float) -> None:
    # ATmega328P data sheet 7810C, p. 184, table 19-2: recommended maximum receiver error, normal speed.
    assert default_tolerance(FrameFormat.parse(frame)).rate == pytest.approx(percent / 100)
    assert "ATmega328P" in default_tolerance(FrameFormat.parse(frame)).source


@pytest.mark.parametrize(("off", "matches"), [(-0.019, True), (0.019, True), (0.025, False), (-0.03, False)])
def test_a_clock_within_a_receivers_tolerance_matches(off: float, matches: bool) -> None:
    found = _compared(_line(MESSAGE), _line(MESSAGE, 4800 / (1 + off)))
    assert found.matches is matches
    assert found.bit_ratio == pytest.approx(1 + off, abs=2e-4)


@pytest.mark.parametrize(("shift", "matches"), [(0.2, True), (0.3, False)])
def test_edges_may_be_a_quarter_bit_off(shift: float, matches: bool) -> None:
    original, replay = _line(MESSAGE), _like(_line(MESSAGE, shift=shift), _line(MESSAGE))
    found = _compared(original, replay)
    assert found.matches is matches
    assert found.worst_edge == pytest.approx(shift, abs=0.01)
    assert _compared(original, replay, Tolerance(0.02, 0.35, "mine")).matches


def test_an_inverted_replay_and_another_format_are_no_match() -> None:
    inverted = _compared(_line(MESSAGE), _line(MESSAGE, idle=0))
    assert "inverted" in inverted.reasons[0]
    seven = decode(
        Capture(
            "x", "x", (Channel("CH1", ChannelKind.LOGIC, "", logic=line([0x41, 0x26, 0x13], "7E1", 4800)),)
        ),
        DecodeOptions(frame=FrameFormat.parse("7E1"), idle_high=True),
    ).channels[0]
    other = _compared(_line(b"\x41\x26\x13"), seven)
    assert any("7E1" in reason for reason in other.reasons)


def test_nothing_to_compare_is_said() -> None:
    silent = Channel("CH1", ChannelKind.LOGIC, "", logic=line([], "8N1", 4800))
    nothing = decode(Capture("x", "x", (silent,))).channels[0]
    with pytest.raises(NotKnown, match="the replay's bytes can't be told"):
        _compared(_line(MESSAGE), nothing)


@pytest.mark.parametrize(
    ("rate", "edge"), [(0, 0.2), (1.5, 0.2), (0.02, 0.5), (0.02, -1), (0.02, float("nan"))]
)
def test_tolerances_that_cannot_be_are_refused(rate: float, edge: float) -> None:
    with pytest.raises(BadValue):
        Tolerance(rate, edge, "mine")


@given(
    data=st.binary(min_size=6, max_size=12),
    seed=st.integers(0, 2**31),
    dead=st.floats(0, 15),
    at=st.integers(0, 5),
    flip=st.integers(1, 255),
)
@settings(max_examples=25)
def test_what_a_receiver_reads_alike_matches_and_what_it_does_not_differs(
    data: bytes, seed: int, dead: float, at: int, flip: int
) -> None:
    rng = np.random.default_rng(seed)
    options = DecodeOptions(baud=9600, frame=FrameFormat(), idle_high=True)

    def made(values: Sequence[int]) -> DecodedChannel:
        edges = line(values, "8N1", 9600, dead=dead, jitter=0.02, rng=rng)
        channel = Channel("CH1", ChannelKind.LOGIC, "", logic=edges)
        return decode(Capture("x", "x", (channel,)), options).channels[0]

    original = made(list(data))
    assert _compared(original, made(list(data))).matches
    changed = bytearray(data)
    changed[at] ^= flip
    found = _compared(original, made(list(changed)))
    assert not found.matches
    assert found.changes


def test_edges_of_a_frame_are_where_its_bits_change() -> None:
    # 41 at 8N1 is 0 10000010 1 (Analog Devices/Maxim tutorial 2141): changes at cells 1, 2, 7, 8, 9.
    part = _line(b"\x41\x41\x55\x41").main
    edges = frame_edges(part, 0)
    assert edges is not None
    assert edges * 4800 == pytest.approx([1, 2, 7, 8, 9], abs=1e-6)


def test_json_has_every_number() -> None:
    document = comparison_json(_compared(_line(MESSAGE), _line(MESSAGE, dead=3.0)))
    assert document["verdict"] == "dead-time-differs"
    assert document["matches"] is True
    assert document["frames"] == {"original": 10, "replay": 10}
    assert len(document["dead_times"]) == 9
    assert document["tolerance"]["edge_bits"] == 0.25


SVG = "{http://www.w3.org/2000/svg}"


def _picture(one: DecodedChannel, other: DecodedChannel) -> ET.Element:
    return ET.fromstring(comparison_svg(one, other, _compared(one, other)))


def test_the_picture_lays_both_over_each_other_byte_by_byte() -> None:
    root = _picture(_line(b"\x41\x41\x55"), _line(b"\x41\x41\x57", name="CH2"))
    waves = root.findall(f".//{SVG}polyline")
    assert len(waves) == 6
    # Told apart without colour: each second one is dashed, and the others are broad.
    assert [wave.get("stroke-dasharray") is not None for wave in waves] == [False, True] * 3
    assert [float(wave.get("stroke-width") or 0) > 4 for wave in waves] == [True, False] * 3
    words = [text.text or "" for text in root.iter(f"{SVG}text")]
    assert words.count("41") == 2
    assert "55 ≠ 57" in words
    # The cells of 41: start bit 0, then 10000010, then the stop bit (tutorial 2141).
    digits = "".join(word for word in words if word in ("0", "1"))
    assert digits.startswith("0100000101")


def test_the_wave_in_the_picture_changes_at_the_cells() -> None:
    root = _picture(_line(b"\x41\x41\x55"), _line(b"\x41\x41\x55"))
    wave = root.find(f".//{SVG}polyline")
    assert wave is not None
    points = [[float(number) for number in point.split(",")] for point in wave.get("points", "").split()]
    steps = [a[0] for a, b in itertools.pairwise(points) if a[0] == b[0] and a[1] != b[1]]
    cell = steps[1] - steps[0]
    # The start edge, then changes at cells 1, 2, 7, 8 and 9.
    assert [(x - steps[0]) / cell for x in steps[:6]] == pytest.approx([0, 1, 2, 7, 8, 9], abs=0.02)


def test_names_from_files_do_no_harm_in_the_picture() -> None:
    root = _picture(_line(MESSAGE, name='<script>&"\x1b'), _line(MESSAGE))
    assert not list(root.iter(f"{SVG}script"))
    assert any("<script>" in (text.text or "") for text in root.iter(f"{SVG}text"))


def test_a_long_capture_is_drawn_in_part_and_says_so() -> None:
    data = MESSAGE * 25
    root = _picture(_line(data), _line(data))
    assert len(root.findall(f".//{SVG}polyline")) == 400
    assert any("50 bytes more are not drawn" in (text.text or "") for text in root.iter(f"{SVG}text"))


def test_a_recording_has_bytes_to_compare_and_no_edges(tmp_path: Path) -> None:
    lines = [
        header_line("hall", "pellgate-chain", LineSettings(baud=4800), "2026-01-05T19:30:00Z"),
        record_line(0.1, "heard", MESSAGE),
    ]
    path = tmp_path / "evening.jsonl"
    path.write_text("\n".join(lines) + "\n")
    heard = next(channel for channel in decode_capture(path).channels if channel.name == "heard")
    found = _compared(_line(MESSAGE), heard)
    assert found.matches
    assert (found.worst_edge, found.bit_ratio) == (None, None)
    assert [note.split(":")[0] for note in found.notes] == [
        "the bit times can't be compared",
        "the edges can't be compared",
        "dead times are shown and not judged",
    ]
    wave = list(_picture(_line(MESSAGE), heard).iter(f"{SVG}polyline"))[1]
    levels = {point.split(",")[1] for point in wave.get("points", "").split()}
    assert len(levels) == 2
