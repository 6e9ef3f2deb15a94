"""Sound recordings: written by Python's own wave module, and by hand where that can't."""

from __future__ import annotations

import struct
import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from profiles.bench.capture import ChannelKind
from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.bench.edges import FloatArray
from profiles.bench.readers.opening import read_capture
from profiles.errors import FileUnreadable, LinewardenError
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import edge_times

MESSAGE = bytes.fromhex("A5 01 20 28 49 A5 01 01 02")
RATE = 48_000


def voltage(baud: float = 2400.0, rest: float = 0.2) -> FloatArray:
    """The message as a voltage between -0.5 and 0.5, ``RATE`` samples a second."""
    times, back = edge_times(list(MESSAGE), FrameFormat(), 1 / baud, dead=1.3, lead=rest * baud)
    axis = np.arange(0, times[-1] + 0.03, 1 / RATE)
    level = np.concatenate(([1.0], back))[np.searchsorted(times, axis, side="right")]
    noise = np.random.default_rng(1).normal(0, 0.01, len(axis))
    return level - 0.5 + noise


def pcm(values: FloatArray, width: int) -> bytes:
    if width == 1:
        return (np.round(values * 127) + 128).astype(np.uint8).tobytes()
    whole = np.round(values * ((1 << 8 * width - 1) - 1)).astype("<i4")
    return whole.view(np.uint8).reshape(-1, 4)[:, :width].tobytes()


def riff(
    code: int, bits: int, channels: int, data: bytes, *, more: bytes = b"", stated: int | None = None
) -> bytes:
    frame = channels * bits // 8
    head = struct.pack("<HHIIHH", code, channels, RATE, RATE * frame, frame, bits) + more
    chunks = b"fmt " + struct.pack("<I", len(head)) + head
    chunks += b"LIST" + struct.pack("<I", 3) + b"abc\0"
    chunks += b"data" + struct.pack("<I", len(data) if stated is None else stated) + data
    return b"RIFF" + struct.pack("<I", len(chunks) + 4) + b"WAVE" + chunks


@pytest.mark.parametrize("width", [1, 2, 3, 4])
def test_a_line_on_a_sound_card(tmp_path: Path, width: int) -> None:
    path = tmp_path / "line.wav"
    other = -0.8 * voltage()
    both = np.stack((voltage(), other), axis=1).ravel()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(width)
        file.setframerate(RATE)
        file.writeframes(pcm(both, width))
    found = decode_capture(path)
    assert [channel.name for channel in found.channels] == ["CH1", "CH2"]
    assert found.capture.kind == f"a sound recording, {8 * width} bits of PCM, 48000 samples a second"
    for channel, idle in zip(found.channels, (1, 0), strict=True):
        assert channel.channel.kind is ChannelKind.VOLTAGE
        fit = channel.main.fit
        assert (fit.baud, str(fit.frame), fit.idle) == (2400, "8N1", idle)
        assert bytes(channel.main.values) == MESSAGE
    levels = found.channels[0].levels
    assert levels is not None
    assert levels.low == pytest.approx(-0.5, abs=0.02)
    assert levels.high == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("bits", [32, 64])
def test_floating_point_and_the_extensible_format(tmp_path: Path, bits: int) -> None:
    path = tmp_path / "line.wav"
    data = voltage().astype(f"<f{bits // 8}").tobytes()
    guid = struct.pack("<HHIH", 22, bits, 0, 3) + bytes.fromhex("000000001000800000AA00389B71")
    for content in (riff(3, bits, 1, data), riff(0xFFFE, bits, 1, data, more=guid)):
        path.write_bytes(content)
        found = read_capture(path)
        assert "floating point" in found.kind
        (channel,) = found.channels
        assert channel.samples is not None
        assert np.allclose(channel.samples, voltage(), atol=1e-6)


@pytest.mark.parametrize("bits", [32, 64])
def test_floating_point_beyond_any_voltage_is_read_all_the_same(tmp_path: Path, bits: int) -> None:
    path = tmp_path / "huge.wav"
    huge = np.resize([1e38, -1e38, np.inf, -np.inf, np.nan, 0.5], 600)
    path.write_bytes(riff(3, bits, 1, huge.astype(f"<f{bits // 8}").tobytes()))
    (channel,) = read_capture(path).channels
    assert channel.samples is not None
    assert np.isfinite(channel.samples).all()
    assert decode_capture(path).channels[0].main.fit.frame is None


def test_a_line_behind_a_capacitor(tmp_path: Path) -> None:
    # A sound card's input is a high pass of a few hertz (common practice, no source): 3 Hz, by its recursion.
    steady, keep, out, before, now = voltage(), 1 - 2 * np.pi * 3 / RATE, [], 0.5, 0.0
    for value in steady.tolist():
        now = keep * (now + value - before)
        before = value
        out.append(now)
    path = tmp_path / "line.wav"
    path.write_bytes(riff(1, 16, 1, pcm(np.array(out) * 0.7, 2)))
    found = decode_capture(path)
    assert bytes(found.channels[0].main.values) == MESSAGE
    assert any("no steady level" in note for note in found.capture.notes)
    # By hand as well, in parts of the full scale.
    assert bytes(decode_capture(path, DecodeOptions(threshold=-0.3)).channels[0].main.values) == MESSAGE


def test_a_recording_that_was_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "line.wav"
    data = pcm(voltage(), 2)
    path.write_bytes(riff(1, 16, 1, data)[:-101])
    cut = read_capture(path)
    assert any("cut off" in note for note in cut.notes)
    for stated in (0, 0xFFFFFFFF):
        path.write_bytes(riff(1, 16, 1, data, stated=stated))
        assert any("length is not stated" in note for note in read_capture(path).notes)
    time = read_capture(path).channels[0].time
    assert time is not None
    assert (time.count, time.interval) == (len(data) // 2, 1 / RATE)


def test_a_long_file_says_its_length_elsewhere(tmp_path: Path) -> None:
    # RF64 (EBU Tech 3306): the length of 64 bits is in the chunk ds64, and a chunk may follow the data.
    data = pcm(voltage(), 2)
    plain = riff(1, 16, 1, data, stated=0xFFFFFFFF)
    sizes = b"ds64" + struct.pack("<IQQQI", 28, len(plain), len(data), len(data) // 2, 0)
    path = tmp_path / "line.wav"
    path.write_bytes(
        b"RF64" + struct.pack("<I", 0xFFFFFFFF) + b"WAVE" + sizes + plain[12:] + b"LIST\4\0\0\0abcd"
    )
    (channel,) = read_capture(path).channels
    assert channel.time is not None
    assert channel.time.count == len(data) // 2


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (riff(0x55, 16, 1, b"\0" * 40), r"compressed \(MP3\)"),
        (riff(7, 8, 1, b"\0" * 40), r"compressed \(mu-law\)"),
        (riff(1, 12, 1, b"\0" * 40), "can't be: 1 channels"),
        (riff(1, 16, 0, b"\0" * 40), "can't be: 0 channels"),
        (riff(3, 16, 1, b"\0" * 40), "can't be"),
        (riff(1, 16, 1, b""), "not one sample"),
        (riff(1, 16, 1, b"\0" * 40)[:30], "format is not stated"),
        (riff(1, 16, 1, b"\0" * 40)[:50], "data are missing"),
        (b"RIFX" + riff(1, 16, 1, b"\0" * 40)[4:], "big-endian"),
    ],
)
def test_what_cannot_be_read_is_said(tmp_path: Path, content: bytes, reason: str) -> None:
    path = tmp_path / "line.wav"
    path.write_bytes(content)
    with pytest.raises(FileUnreadable, match=reason) as caught:
        read_capture(path)
    assert str(path) in str(caught.value)


@settings(max_examples=150, deadline=None)
@given(
    change=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 255)), max_size=6), cut=st.integers(0, 160)
)
def test_any_header_is_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, change: list[tuple[int, int]], cut: int
) -> None:
    content = bytearray(riff(1, 16, 1, bytes(range(100))))
    for place, value in change:
        content[place] = value
    path = tmp_path_factory.mktemp("sound") / "line.wav"
    path.write_bytes(content[: max(len(content) - cut, 12)])
    try:
        found = read_capture(path)
    except LinewardenError as error:
        said = str(error)
    else:
        said = found.kind
    assert said
