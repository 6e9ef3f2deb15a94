"""Opening a capture of whatever kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from profiles.bench.capture import Capture
from profiles.bench.readers.packed import is_packed, unpacked
from profiles.bench.readers.recording import read_recording
from profiles.bench.readers.sound import is_sound, read_sound
from profiles.bench.readers.table import read_table
from profiles.bench.readers.vcd import read_vcd
from profiles.bench.recording_text import RECORDING_MARK
from profiles.errors import FileUnreadable

__all__ = ["MOST_BYTES", "read_capture"]

MOST_BYTES = 2 << 30
"""Files larger than this are refused: what is looked for is in a fraction of them."""


def read_capture(
    path: Path | str,
    *,
    sample_interval: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Capture:
    """Read a capture, told by its contents.

    Args:
        path: the file; it may be packed with gzip.
        sample_interval: seconds between rows, for a table that doesn't say.
        progress: told how many bytes of how many were read; what it raises ends the reading.

    Raises:
        FileUnreadable: it can't be read, is too large, or is no capture.
    """
    path = Path(path)
    head = _beginning(path)
    if not is_packed(head):
        return _read(path, head, sample_interval, progress)
    with unpacked(path, MOST_BYTES, progress) as content:
        try:
            head = _beginning(content)
            if is_packed(head):
                raise FileUnreadable("it is packed twice", todo="unpack it once")
            capture = _read(content, head, sample_interval, progress)
        except FileUnreadable as error:
            raise FileUnreadable(error.what, where=str(path), todo=error.todo) from error
    return replace(capture, file=str(path), kind=f"{capture.kind}, packed")


def _beginning(path: Path) -> bytes:
    """The first bytes of a file that can be read.

    Raises:
        FileUnreadable: it can't, or is too large.
    """
    where = str(path)
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise FileUnreadable("it is a folder", where=where, todo="give a file")
        if size > MOST_BYTES:
            raise FileUnreadable(
                f"it has {size / 1e9:.1f} GB, more than {MOST_BYTES / 1e9:.1f}",
                where=where,
                todo="export the part around the message, fewer channels, or every tenth sample "
                "(eight samples in a bit time are enough)",
            )
        with path.open("rb") as file:
            return file.read(1 << 16)
    except OSError as error:
        raise FileUnreadable(f"it can't be read ({error.strerror or error})", where=where) from error


def _read(
    path: Path, head: bytes, sample_interval: float | None, progress: Callable[[int, int], None] | None
) -> Capture:
    where = str(path)
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if not start:
        raise FileUnreadable("it is empty", where=where, todo="record again")
    if start.startswith(b"{") and RECORDING_MARK.encode() in head[:4096]:
        return read_recording(path)
    if is_sound(head):
        return read_sound(path, progress=progress)
    if start.startswith(b"$"):
        return read_vcd(path, progress=progress)
    if b"\0" in head or sum(byte < 9 or 13 < byte < 32 for byte in head[:4096]) > 4:
        raise FileUnreadable("it is no text", where=where, todo="export the capture as CSV or VCD")
    return read_table(path, sample_interval=sample_interval, progress=progress)
