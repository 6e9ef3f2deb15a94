"""What `decode` gives: the JSON document's shape and the text."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.decoding import DecodeOptions, decode
from profiles.bench.edges import Edges
from profiles.bench.report import as_json, as_text
from profiles.frames import BitOrder, FrameFormat
from tests.profiles.bench import programs
from tests.profiles.bench.lines import line

WORDS = [int(word) for word in np.random.default_rng(2).integers(0, 256, 24)]


def captured(*edges: Edges) -> Capture:
    channels = tuple(
        Channel(f"CH{number}", ChannelKind.LOGIC, f"line {number}", logic=edge)
        for number, edge in enumerate(edges, 1)
    )
    return Capture("line.csv", "a test", channels)


def test_the_documents_shape() -> None:
    dead = [0.0] * 24
    dead[12] = 100.0
    sent = line(WORDS, "8N1", 4800, dead=dead)
    back = Edges(sent.ticks + 10.2 / 4800, 1, 1.0, sent.end + 1, sent.resolution)
    document = json.loads(json.dumps(as_json(decode(captured(sent, back))), allow_nan=False))
    assert {"file", "channels", "loop"} <= set(document)
    channel = document["channels"][0]
    assert channel["name"] == "CH1"
    assert channel["idle"] == "high"
    assert channel["threshold_v"] is None
    assert channel["baud"] == 4800
    assert channel["baud_measured"] == pytest.approx(4800)
    assert channel["frame"] == "8N1"
    assert channel["bit_order"] == "unknown"
    assert 0.9 < channel["confidence"] <= 1
    assert channel["glitches"] == 0
    assert isinstance(channel["alternatives"], list)
    assert [len(burst["bytes"]) for burst in channel["bursts"]] == [12, 12]
    first = channel["bursts"][0]["bytes"][0]
    assert first == {"t_s": pytest.approx(20 / 4800), "value": WORDS[0], "dead_time_s": None, "error": None}
    assert channel["bursts"][1]["bytes"][0]["dead_time_s"] == pytest.approx(100 / 4800)
    assert channel["bursts"][0]["end_s"] == pytest.approx((20 + 120) / 4800)
    assert "segments" not in channel
    loop = document["loop"]
    assert (loop["from"], loop["to"], loop["hops"], loop["complete"]) == ("CH1", "CH2", 1, True)
    assert loop["delay_bits"] == pytest.approx(10.2)


def test_a_burst_gap_of_ones_own() -> None:
    dead = [0.0] * 24
    dead[12] = 15.0
    sent = line(WORDS, "8N1", 4800, dead=dead)
    assert len(as_json(decode(captured(sent)))["channels"][0]["bursts"]) == 1
    short = decode(captured(sent), DecodeOptions(burst_gap_bits=10.0))
    assert len(as_json(short)["channels"][0]["bursts"]) == 2


def test_two_rates_are_two_segments() -> None:
    slow, fast = line(WORDS, "8N1", 4800), line(WORDS, "8N1", 19200)
    ticks = np.concatenate([slow.ticks, fast.ticks + slow.end])
    both = Edges(ticks, 1, 1.0, slow.end + fast.end, slow.resolution)
    found = decode(captured(both))
    segments = as_json(found)["channels"][0]["segments"]
    assert [part["baud"] for part in segments] == [4800, 19200]
    assert segments[0]["end_s"] <= segments[1]["start_s"]
    assert "the line settings change in the middle: 2 segments" in as_text(found)


def test_errors_are_told_in_both() -> None:
    low = np.array([20.0, 40.0])
    later = line(WORDS, "8N1", 1.0)
    edges = Edges(np.concatenate([low, later.ticks + 60]), 1, 1 / 4800, later.end + 60, 1e-6)
    found = decode(captured(edges), DecodeOptions(baud=4800, frame=FrameFormat(), idle_high=True))
    first = as_json(found)["channels"][0]["bursts"][0]["bytes"][0]
    assert first["error"] == "break"
    text = as_text(found, most_bursts=1)
    assert "<break 4167 us>" in text
    assert "errors: 1 break" in text


def test_orders_and_overrides_are_told() -> None:
    options = DecodeOptions(bit_order=BitOrder.MSB, baud=4800.0)
    found = decode(captured(line(WORDS, "8N1", 4800)), options)
    assert "bit order     msb: given" in as_text(found)
    assert "the rate to read with was given" in as_text(found)
    values = [byte["value"] for byte in as_json(found)["channels"][0]["bursts"][0]["bytes"]]
    assert values == [int(f"{word:08b}"[::-1], 2) for word in WORDS]


def test_a_missing_program_skips_here_and_fails_in_ci(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv("CI", raising=False)
    with pytest.raises(pytest.skip.Exception, match="iverilog is not installed"):
        programs.need("iverilog", "iverilog")
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match="iverilog is not installed"):
        programs.need("iverilog", "iverilog")
