"""Our own recordings of an adapter's traffic; profiles/bench/recording_text.py says how they are written.

Keys that are not known here are passed over: a newer program may write more.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from profiles.bench.capture import Capture, Channel, ChannelKind, Heard, RecordedLine
from profiles.errors import BadValue, FileUnreadable
from profiles.frames import FrameFormat

__all__ = ["read_recording"]


class _Line(BaseModel):
    """The line settings that the adapter was used with."""

    model_config = ConfigDict(extra="ignore")
    baud: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    frame: str = "8N1"
    bit_order: Literal["lsb", "msb"] = "lsb"
    idle: Literal["high", "low"] = "high"


class _Header(BaseModel):
    """The first line."""

    model_config = ConfigDict(extra="ignore")
    linewarden_recording: Literal[1]
    bus: str
    profile: str = ""
    line: _Line
    started: str = ""


class _Record(BaseModel):
    """One record of traffic."""

    model_config = ConfigDict(extra="ignore")
    t: Annotated[float, Field(allow_inf_nan=False)]
    direction: Literal["sent", "echoed", "heard", "passed_on"]
    data: str
    lags: tuple[float | None, ...] | None = None


def read_recording(path: Path) -> Capture:
    """Read a recording: a channel for each direction that occurs in it.

    Raises:
        FileUnreadable: the first line is no header, or a line in the middle is no record.
    """
    where = str(path)
    with path.open("rb") as file:
        try:
            header = _Header.model_validate_json(file.readline())
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


def _records(lines: Any, where: str, notes: list[str]) -> Iterator[_Record]:
    """The records; one that is cut off at the very end is left out, with a note."""
    before = -math.inf
    for number, line in enumerate(lines, start=2):
        if not line.strip():
            continue
        try:
            record = _Record.model_validate_json(line)
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
