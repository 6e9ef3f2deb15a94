"""Bit cells read by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.bench.transcribing import transcribe, transcription_json, transcription_text
from profiles.errors import BadValue
from profiles.frames import BitOrder, FrameFormat, Parity


def test_the_trades_plain_reading() -> None:
    # Common practice, no source: the eight cells 0,0,0,0,0,1,0,1 read as a number are 05 hex.
    found = transcribe("0,0,0,0,0,1,0,1", idle_high=True)
    assert found.number == 5
    assert found.number_hex == "05"
    data = next(r for r in found.readings if str(r.frame) == "8N1" and not r.with_start)
    assert data.lsb_first == (0xA0,)
    assert data.msb_first == (0x05,)
    assert "read as a number: 05 hex" in transcription_text(found)


def test_a_frame_with_its_start_bit() -> None:
    # 41 at 8N1 is 0 10000010 1 (Analog Devices/Maxim tutorial 2141, worked by hand); 7E1 fits as well: 41
    # again.
    found = transcribe("0 10000010 1", with_start=True, idle_high=True)
    by_frame = {str(reading.frame): reading for reading in found.readings}
    assert by_frame["8N1"].lsb_first == (0x41,)
    assert by_frame["8N1"].msb_first == (0x82,)
    assert by_frame["7E1"].lsb_first == (0x41,)
    assert "7O1" not in by_frame
    assert found.readings[0].frame == FrameFormat()


def test_several_frames_with_idle_marked() -> None:
    found = transcribe(
        "--- 0100000101 -- 0010000101 ---", frame=FrameFormat(), idle_high=True, with_start=True
    )
    assert [reading.lsb_first for reading in found.readings] == [(0x41, 0x42)]
    assert found.number is None
    two = transcribe("0100000101 1 0010000101 1", idle_high=True, with_start=True)
    assert {"8N1", "8N2"} <= {str(reading.frame) for reading in two.readings}


def test_an_inverted_line() -> None:
    found = transcribe("1011111010", idle_high=False, with_start=True)
    assert found.readings[0].lsb_first == (0x41,)


def test_idle_inside_data_is_no_frame() -> None:
    assert not transcribe("0 10-00010 1", with_start=True, idle_high=True, frame=FrameFormat()).readings
    text = transcription_text(transcribe("0 1-1", with_start=True, idle_high=True))
    assert "no UART frame" in text


@given(
    bits=st.integers(5, 9),
    parity=st.sampled_from(Parity),
    stop=st.sampled_from([1.0, 2.0]),
    words=st.lists(st.integers(0, 511), min_size=1, max_size=5),
    order=st.sampled_from(BitOrder),
    high=st.booleans(),
)
def test_what_is_written_down_is_among_the_readings(
    bits: int, parity: Parity, stop: float, words: list[int], order: BitOrder, high: bool
) -> None:
    frame = FrameFormat(bits, parity, stop)
    sent = tuple(word & (1 << bits) - 1 for word in words)
    cells = "".join(str(level) * int(length) for word in sent for level, length in frame.cells(word, order))
    written = cells if high else cells.translate(str.maketrans("01", "10"))
    found = transcribe(written)
    readings = [r for r in found.readings if r.frame == frame and r.idle_high == high and r.with_start]
    assert len(readings) == 1
    assert (readings[0].lsb_first if order is BitOrder.LSB else readings[0].msb_first) == sent
    document = transcription_json(found)
    assert document["cells"] == written
    assert len(document["readings"]) == len(found.readings)


@pytest.mark.parametrize("text", ["", "  ", "---", "01x1", "0" * 5000, "\x1b[31m01"])
def test_what_is_no_cells(text: str) -> None:
    with pytest.raises(BadValue, match=r"bit cell"):
        transcribe(text)
