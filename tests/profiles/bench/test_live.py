"""Live traffic and recordings against captures of the line, and against each other."""

from __future__ import annotations

from pathlib import Path

import pytest

from docs.make_captures import HERE
from profiles.bench.capture import Heard, RecordedLine
from profiles.bench.comparison import Verdict, compare
from profiles.bench.decoding import DecodeOptions, decode_capture, decode_heard
from profiles.bench.live import compare_heard
from profiles.bench.recording_text import header_line, record_line
from profiles.errors import NotKnown
from profiles.model import LineSettings

POWER_ON = bytes.fromhex("A5 01 01 02")
LINE = RecordedLine(4800.0, "8N1", "lsb", "high")
OPTIONS = DecodeOptions(burst_gap_bits=30)


def singly(data: bytes, *, every: float = 0.0075, late: float = 0.0) -> list[Heard]:
    """Each byte by itself, as an adapter with a short latency gives them."""
    return [Heard(0.1 + index * every + late * index, bytes([byte])) for index, byte in enumerate(data)]


def test_what_an_adapter_hears_against_an_oscilloscopes_capture() -> None:
    original = decode_capture(HERE / "power-on_1.csv", OPTIONS).channels[0].main
    found = compare_heard(original, singly(POWER_ON), LINE, options=OPTIONS)
    assert found.verdict is Verdict.SAME
    assert (found.frames, found.bit_ratio, found.worst_edge) == ((4, 4), None, None)
    # Its times are shown, and no word on whether they differ.
    assert len(found.dead_times) == 3
    assert not any(each.differs for each in found.dead_times)
    assert any("not judged" in note for note in found.notes)


@pytest.mark.parametrize(
    ("heard", "reason"),
    [
        (bytes.fromhex("A5 01 02 03"), "byte 2: 01 02 in the original, 02 03 in the replay|02|03"),
        (bytes.fromhex("A5 01 01"), "byte 3: 02 is missing in the replay"),
        (bytes.fromhex("A5 01 01 02 02"), "02 is not in the original"),
    ],
)
def test_what_differs_is_told(heard: bytes, reason: str) -> None:
    original = decode_capture(HERE / "power-on_1.csv", OPTIONS).channels[0].main
    found = compare_heard(original, singly(heard), LINE, options=OPTIONS)
    assert found.verdict is Verdict.DIFFERENT
    assert any(part in text for text in found.reasons for part in reason.split("|"))


def test_two_times_heard_against_each_other() -> None:
    before = decode_heard(singly(POWER_ON), LINE).main
    together = [Heard(0.5, POWER_ON)]
    assert compare_heard(before, together, LINE).verdict is Verdict.SAME
    assert compare_heard(before, singly(POWER_ON, late=0.3), LINE).verdict is Verdict.SAME
    with pytest.raises(NotKnown, match="replay"):
        compare_heard(before, [], LINE)
    other = RecordedLine(4800.0, "8E1", "lsb", "high")
    found = compare_heard(before, together, other)
    assert found.reasons == ("the original's frames are 8N1, the replay's 8E1",)


def test_a_recording_of_a_line_with_the_most_significant_bit_first_keeps_its_bytes(tmp_path: Path) -> None:
    path = tmp_path / "evening.jsonl"
    header = header_line("hall", "", LineSettings(baud=4800, bit_order="msb"), "2026-01-05T19:30:00Z")
    path.write_text(f"{header}\n{record_line(0.1, 'heard', POWER_ON)}\n")
    part = decode_capture(path).channels[0].main
    # The recording has the bytes as the bus means them.
    assert bytes(part.values) == POWER_ON
    # On the line the bits of each came the other way round: 01 is 80, 02 is 40.
    assert part.segment.frames.data == bytes.fromhex("A5 80 80 40")
    both = compare(part, decode_heard([Heard(0.2, POWER_ON)], RecordedLine(4800, "8N1", "msb", "high")).main)
    assert both.verdict is Verdict.SAME
