"""Sound recordings (WAV): a line wired to a sound card, one channel each.

Linear PCM of 8, 16, 24 and 32 bits and floating point of 32 and 64 bits; in RIFF and in RF64 files, with the
plain and the extensible format chunk (Microsoft, "Multiple channel audio data and WAVE files"; EBU Tech
3306). A recorder that was cut off leaves a data chunk without its length, or shorter than it says: what is
there is read.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from profiles.bench.capture import Capture, Channel, ChannelKind, TimeBase
from profiles.bench.levels import GREATEST, Samples
from profiles.errors import FileUnreadable

__all__ = ["is_sound", "read_sound"]

_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
_COMPRESSED = {2: "ADPCM", 6: "A-law", 7: "mu-law", 0x11: "IMA ADPCM", 0x55: "MP3"}
_UNKNOWN = 0xFFFFFFFF
"""A length that was not known when the header was written."""
_BLOCK = 1 << 18
"""Sample frames read at once."""
_ADVICE = "record or convert it as WAV with linear PCM of 16 bits"


@dataclass(frozen=True, slots=True)
class _Format:
    code: int
    channels: int
    rate: int
    bits: int

    @property
    def frame(self) -> int:
        """Bytes in one sample of all channels."""
        return self.channels * self.bits // 8

    @property
    def text(self) -> str:
        """In words."""
        kind = "floating point" if self.code == _FLOAT else "PCM"
        return f"{self.bits} bits of {kind}, {self.rate} samples a second"


def is_sound(head: bytes) -> bool:
    """Whether a file that begins so is a sound recording."""
    return head[:4] in (b"RIFF", b"RF64", b"RIFX") and head[8:12] == b"WAVE"


def read_sound(path: Path, *, progress: Callable[[int, int], None] | None = None) -> Capture:
    """Read a sound recording: a voltage a channel, in parts of the full scale.

    Args:
        path: the file.
        progress: told how many bytes of how many were read.

    Raises:
        FileUnreadable: it is compressed, has no samples, or its header can't be.
    """
    where = str(path)
    with path.open("rb") as file:
        format_, length, notes = _header(file, where, path.stat().st_size)
        columns = _samples(file, format_, length, progress)
    count = len(columns[0])
    if not count:
        raise FileUnreadable("there is not one sample in it", where=where, todo="record again")
    if count * format_.frame < length:
        notes.append("the recording is cut off before the end that it states")
    base = TimeBase(1 / format_.rate, count)
    channels = tuple(
        Channel(
            f"CH{number}",
            ChannelKind.VOLTAGE,
            f"channel {number} of {format_.channels}: a voltage, in parts of the full scale",
            base,
            samples,
            unit="FS",
        )
        for number, samples in enumerate(columns, start=1)
    )
    notes.append("a sound card passes no steady level: where levels drift, give --threshold")
    return Capture(where, f"a sound recording, {format_.text}", channels, tuple(notes))


def _header(file: BinaryIO, where: str, size: int) -> tuple[_Format, int, list[str]]:
    """The format, the bytes of samples that are stated, and notes; the file stands at the first sample."""
    if file.read(12)[:4] == b"RIFX":
        raise FileUnreadable("its numbers are big-endian (RIFX)", where=where, todo=_ADVICE)
    format_: _Format | None = None
    long_data: int | None = None
    while len(head := file.read(8)) == 8:
        name, length = struct.unpack("<4sI", head)
        if name == b"data":
            if format_ is None:
                break
            if length == _UNKNOWN and long_data is not None:
                return format_, long_data, []
            if length in (0, _UNKNOWN):
                left = size - file.tell()
                note = "its length is not stated: all to the end is read"
                return format_, left - left % format_.frame, [note]
            return format_, length, []
        body = file.read(length) if length < 1 << 20 else b""
        if len(body) < length:
            break
        if length % 2:
            file.read(1)
        if name == b"ds64" and length >= 16:
            long_data = int(struct.unpack("<QQ", body[:16])[1])
        elif name == b"fmt ":
            format_ = _format(body, where)
    raise FileUnreadable(
        "it has no samples: " + ("the data are missing" if format_ else "its format is not stated"),
        where=where,
        todo="record again",
    )


def _format(body: bytes, where: str) -> _Format:
    if len(body) < 16:
        raise FileUnreadable("its format is cut off", where=where, todo="record again")
    code, channels, rate, _, frame, bits = struct.unpack("<HHIIHH", body[:16])
    if code == _EXTENSIBLE and len(body) >= 26:
        code = int.from_bytes(body[24:26], "little")
    if code not in (_PCM, _FLOAT):
        kind = _COMPRESSED.get(code, f"kind {code}")
        raise FileUnreadable(f"its samples are compressed ({kind})", where=where, todo=_ADVICE)
    found = _Format(code, channels, rate, 8 * frame // channels if channels else 0)
    usable = (32, 64) if code == _FLOAT else (8, 16, 24, 32)
    if not channels or not rate or frame % channels or found.bits not in usable or bits > found.bits:
        raise FileUnreadable(
            f"its format can't be: {channels} channels, {rate} samples a second, {bits} of {8 * frame} bits",
            where=where,
            todo=_ADVICE,
        )
    return found


def _samples(
    file: BinaryIO, format_: _Format, length: int, progress: Callable[[int, int], None] | None
) -> list[Samples]:
    frames = length // format_.frame
    columns: list[Samples] = [np.empty(0, np.float32) for _ in range(format_.channels)]
    found: list[list[Samples]] = [[] for _ in columns]
    while frames > 0:
        data = file.read(min(_BLOCK, frames) * format_.frame)
        whole = len(data) // format_.frame
        if progress is not None:
            progress(length - frames * format_.frame + len(data), length)
        if not whole:
            break
        table = _numbers(data[: whole * format_.frame], format_).reshape(whole, format_.channels)
        for number in range(format_.channels):
            found[number].append(np.ascontiguousarray(table[:, number], np.float32))
        frames -= whole
    return [np.concatenate(parts) if parts else columns[0] for parts in found]


def _numbers(data: bytes, format_: _Format) -> npt.NDArray[Any]:
    """Samples in parts of the full scale."""
    if format_.code == _FLOAT:
        values = np.frombuffer(data, f"<f{format_.bits // 8}")
        usual = np.nan_to_num(values, nan=0.0, posinf=1.0, neginf=-1.0)
        within: npt.NDArray[Any] = np.clip(usual, -GREATEST, GREATEST)
        return within
    if format_.bits == 8:
        # Eight bits are unsigned, and rest in the middle.
        middle: Samples = np.frombuffer(data, np.uint8).astype(np.float32) - 128
        return middle / 128
    if format_.bits == 24:
        thirds = np.frombuffer(data, np.uint8).reshape(-1, 3)
        words = np.zeros((len(thirds), 4), np.uint8)
        words[:, 1:] = thirds
        return words.view("<i4").ravel() / np.float32(1 << 31)
    whole: npt.NDArray[Any] = np.frombuffer(data, f"<i{format_.bits // 8}") / np.float32(
        1 << format_.bits - 1
    )
    return whole
