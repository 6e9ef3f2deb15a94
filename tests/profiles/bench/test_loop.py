"""How channels feed each other."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from profiles.bench.decoding import decode_capture
from profiles.bench.loop import Line, find_loop
from profiles.bench.recording_text import header_line, record_line
from profiles.bench.report import as_json, as_text
from profiles.bench.uart import Frames
from profiles.model import LineSettings

BIT = 1 / 9600


def spoken(name: str, starts: list[float], values: list[int]) -> Line:
    begins = np.array(starts) * BIT
    frames = Frames(begins, np.array(values, np.uint16), np.zeros(len(values), np.uint8), begins + 10 * BIT)
    return Line(name, frames, BIT, 10.0)


SENT = [float(start) for start in (0, 10, 20, 30, 200, 210, 220, 230)]
VALUES = [0xA5, 1, 1, 2, 0xA5, 1, 0, 1]


def test_one_hop_and_its_latency() -> None:
    loop = find_loop([spoken("out", SENT, VALUES), spoken("back", [start + 10.4 for start in SENT], VALUES)])
    assert loop is not None
    link = loop.links[0]
    assert (link.source, link.target, link.hops, link.complete) == ("out", "back", 1, True)
    assert link.delay_bits == pytest.approx(10.4)
    assert link.hop_latency == pytest.approx(0.4 * BIT)
    assert "one unit between them" in link.text


def test_a_hop_may_hand_on_in_the_middle_of_the_stop_bit() -> None:
    loop = find_loop([spoken("out", SENT, VALUES), spoken("back", [start + 19.0 for start in SENT], VALUES)])
    assert loop is not None
    assert loop.hops == 2
    assert loop.links[0].hop_latency == pytest.approx(-0.5 * BIT)


def test_the_chain_stops_after_the_first_frame() -> None:
    back = spoken("back", [10.0, 210.0], [0xA5, 0xA5])
    loop = find_loop([spoken("out", SENT, VALUES), back])
    assert loop is not None
    assert not loop.complete
    assert loop.links[0].first_only
    assert any("only the first frame" in sentence for sentence in loop.text)
    assert any("stops between out and back" in sentence for sentence in loop.text)


def test_no_echo_at_all() -> None:
    loop = find_loop(
        [
            spoken("out", SENT, VALUES),
            spoken("next", [start + 10 for start in SENT], VALUES),
            spoken("back", [], []),
        ]
    )
    assert loop is not None
    assert loop.silent == ("back",)
    assert not loop.complete
    assert any("back says nothing" in sentence for sentence in loop.text)


def test_one_line_measured_twice() -> None:
    loop = find_loop([spoken("a", SENT, VALUES), spoken("b", SENT, VALUES)])
    assert loop is not None
    assert loop.hops == 0
    assert "the same line" in loop.text[0]


def test_lines_that_have_nothing_to_do_with_each_other() -> None:
    rng = np.random.default_rng(1)
    one = spoken("a", (np.arange(200) * 17.0).tolist(), rng.integers(0, 256, 200).tolist())
    other = spoken("b", (np.arange(200) * 13.7 + 3).tolist(), rng.integers(0, 256, 200).tolist())
    assert find_loop([one, other]) is None
    assert find_loop([one]) is None


def recording(path: Path, back: int) -> Path:
    lines = [header_line("hall", "pellgate-chain", LineSettings(baud=4800), "2026-01-05T19:30:00Z")]
    frame = 10 / 4800
    data = bytes.fromhex("A5 01 01 02")
    lines.append(record_line(0.1, "sent", data))
    lines += [
        record_line(0.1 + index * 0.01, "echoed", data[index : index + 1], (3 * frame + 1e-4,))
        for index in range(back)
    ]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_recording_is_decoded_like_a_capture(tmp_path: Path) -> None:
    found = decode_capture(recording(tmp_path / "evening.jsonl", 4))
    assert [channel.name for channel in found.channels] == ["sent", "echoed"]
    sent = found.channels[0].main
    assert bytes(sent.values) == bytes.fromhex("A5 01 01 02")
    assert (sent.fit.baud, str(sent.fit.frame), sent.fit.confidence) == (4800, "8N1", 1.0)
    assert found.capture.started == "2026-01-05T19:30:00Z"
    loop = found.loop
    assert loop is not None
    # An echo's lag is (N + 1) frame times and latency: three frame times are two units.
    assert (loop.hops, loop.complete) == (2, True)
    assert "settings      4800 8N1" in as_text(found)
    json.dumps(as_json(found), allow_nan=False)


def test_a_recording_whose_echo_stopped(tmp_path: Path) -> None:
    loop = decode_capture(recording(tmp_path / "evening.jsonl", 1)).loop
    assert loop is not None
    assert not loop.complete
    assert (loop.links[0].repeated, loop.links[0].sent) == (1, 4)
