"""A profile's evidence decoded again: whether its captures still say what the profile says they do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from profiles.bench.decoding import DecodeOptions, Decoding, decode_capture
from profiles.errors import LinewardenError
from profiles.model import Evidence, LineSettings

__all__ = ["evidence_problem"]

_SHOWN = 3


def evidence_problem(evidence: Evidence, line: LineSettings, folder: Path) -> tuple[str, str] | None:
    """What is wrong with a piece of evidence that has a capture: in which key, and why.

    Args:
        evidence: one that names a capture.
        line: the profile's line settings; the capture is read with them.
        folder: where the profile is.

    Returns:
        The key and a sentence; None where the capture has the evidence's bytes.
    """
    options = DecodeOptions(
        channels=(evidence.channel,) if evidence.channel else (),
        baud=line.baud,
        frame=line.format,
        idle_high=line.idle == "high",
        bit_order=line.order,
        burst_gap_bits=max(line.burst_gap * line.baud, 0.5),
    )
    try:
        decoding = decode_capture(folder / evidence.capture, options)
    except LinewardenError as error:
        return "capture", f"can't be decoded again: {error.what}"
    wanted = bytes.fromhex(evidence.bytes)
    said = _said(decoding)
    if any(wanted in data for data in said) or _together(said, wanted):
        return None
    shown = ", ".join(data.hex(" ").upper() for data in said[:_SHOWN]) or "nothing"
    more = f" and {len(said) - _SHOWN} bursts more" if len(said) > _SHOWN else ""
    return "bytes", f"{wanted.hex(' ').upper()} is not in {evidence.capture}, which says {shown}{more}"


def _together(said: Sequence[bytes], wanted: bytes) -> bool:
    """Whether bursts that follow each other are what is wanted: a press may be several."""
    for first in range(len(said)):
        data = b""
        for burst in said[first:]:
            data += burst
            if data == wanted:
                return True
            if not wanted.startswith(data):
                break
    return False


def _said(decoding: Decoding) -> list[bytes]:
    """What each burst says; a gap that is long for a capture may have joined several messages in one."""
    return [
        part.data(burst)
        for channel in decoding.channels
        for part in channel.segments
        for burst in part.bursts
    ]
