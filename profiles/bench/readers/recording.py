"""Our own recordings of an adapter's traffic, as ``listen --record`` writes them: one JSON object a line.

The first line says what was recorded::

    {"linewarden_recording": 1, "bus": "hall", "profile": "pellgate-chain",
     "line": {"baud": 4800, "frame": "8N1", "bit_order": "lsb", "idle": "high"},
     "started": "2026-01-05T19:30:00Z"}

Each line after it is one record of traffic, in the order in which it came::

    {"t": 1.204, "direction": "sent", "data": "A5 01 01 02"}
    {"t": 1.229, "direction": "echoed", "data": "A5", "lags": [0.0043]}

``t`` is in seconds from ``started`` to the end of the last byte; ``direction`` is sent, echoed, heard or
passed_on; ``data`` is hex; ``lags`` has seconds (or null) for each echoed byte. Other keys (meaning, fault,
command_id) are kept by writers and passed over here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from profiles.bench.capture import Capture, Channel, ChannelKind, Heard, RecordedLine
from profiles.errors import BadValue, FileUnreadable
from profiles.frames import FrameFormat

__all__ = [
    "RecordingHeader",
    "RecordingLine",
    "RecordingRecord",
    "header_line",
    "read_recording",
    "record_line",
]

_MARK = "linewarden_recording"


class RecordingLine(BaseModel):
    """The line settings that the adapter was used with."""

    model_config = ConfigDict(extra="ignore")
    baud: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    frame: str = "8N1"
    bit_order: Literal["lsb", "msb"] = "lsb"
    idle: Literal["high", "low"] = "high"


class RecordingHeader(BaseModel):
    """The first line."""

    model_config = ConfigDict(extra="ignore")
    linewarden_recording: Literal[1]
    bus: str
    profile: str = ""
    line: RecordingLine
    started: str = ""


class RecordingRecord(BaseModel):
    """One record of traffic."""

    model_config = ConfigDict(extra="ignore")
    t: Annotated[float, Field(allow_inf_nan=False)]
    direction: Literal["sent", "echoed", "heard", "passed_on"]
    data: str
    lags: tuple[float | None, ...] | None = None


def header_line(bus: str, profile: str, line: RecordingLine, started: str) -> str:
    """The first line of a recording, without its end.

    Args:
        bus: the bus's id.
        profile: the profile's name.
        line: the line settings.
        started: when it begins, UTC, ISO 8601.
    """
    header = RecordingHeader(linewarden_recording=1, bus=bus, profile=profile, line=line, started=started)
    return json.dumps(header.model_dump())


def record_line(t: float, direction: str, data: bytes, lags: tuple[float | None, ...] | None = None) -> str:
    """One record's line, without its end; see the module for what each part is."""
    document: dict[str, Any] = {"t": round(t, 7), "direction": direction, "data": data.hex(" ").upper()}
    if lags:
        document["lags"] = [None if lag is None else round(lag, 7) for lag in lags]
    return json.dumps(document)


def read_recording(path: Path) -> Capture:
    """Read a recording: a channel for each direction that occurs in it.

    Raises:
        FileUnreadable: the first line is no header, or a line in the middle is no record.
    """
    where = str(path)
    with path.open("rb") as file:
        try:
            header = RecordingHeader.model_validate_json(file.readline())
            FrameFormat.parse(header.line.frame)
        except (ValidationError, BadValue) as error:
            raise FileUnreadable(
                f"its first line is no header of a recording ({_short(error)})",
                where=where,
                todo="record again with `linewarden listen --record`",
            ) from error
        notes: list[str] = []
        found: dict[str, list[Heard]] = {}
        for record in _records(file, where, notes):
            data = bytes.fromhex(record.data)
            found.setdefault(record.direction, []).append(Heard(record.t, data, record.lags or ()))
    line = RecordedLine(header.line.baud, header.line.frame, header.line.bit_order, header.line.idle)
    channels = tuple(
        Channel(
            direction,
            ChannelKind.BYTES,
            f"bytes {direction.replace('_', ' ')}",
            heard=tuple(heard),
            line=line,
        )
        for direction, heard in found.items()
    )
    details = {"bus": header.bus, "profile": header.profile}
    if not channels:
        notes.append("it has no records")
    return Capture(
        where, "a recording of an adapter's traffic", channels, tuple(notes), header.started, details
    )


def _records(lines: Any, where: str, notes: list[str]) -> Iterator[RecordingRecord]:
    """The records; one that is cut off at the very end is left out, with a note."""
    before = -math.inf
    for number, line in enumerate(lines, start=2):
        if not line.strip():
            continue
        try:
            record = RecordingRecord.model_validate_json(line)
            bytes.fromhex(record.data)
        except (ValidationError, ValueError) as error:
            if not line.endswith(b"\n"):
                notes.append("the recording is cut off in its last line: that record is left out")
                return
            raise FileUnreadable(
                f"line {number} is no record ({_short(error)})", where=where, todo="take that line out"
            ) from error
        if record.t < before - 1.0:
            raise FileUnreadable(
                f"time runs backwards at line {number}", where=where, todo="cut it into two files"
            )
        before = max(before, record.t)
        yield record


def _short(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors()[0]
        return f"{'.'.join(map(str, first['loc'])) or 'it'}: {first['msg']}"
    return str(error)
