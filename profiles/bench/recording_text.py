"""How a recording of an adapter's traffic is written: one JSON object a line.

The first line says what was recorded::

    {"linewarden_recording": 1, "bus": "hall", "profile": "pellgate-chain", "line": {"baud": 4800.0,
     "frame": "8N1", "bit_order": "lsb", "idle": "high"}, "started": "2026-01-05T19:30:00Z"}

Each line after it is one record of traffic, in the order in which it came::

    {"t": 1.204, "direction": "sent", "data": "A5 01 01 02"}
    {"t": 1.229, "direction": "echoed", "data": "A5", "lags": [0.0043]}

``t`` is in seconds from ``started`` to the end of the last byte; ``direction`` is sent, echoed, heard or
passed_on; ``data`` is hex; ``lags`` has seconds (or null) for each echoed byte; ``meaning`` and ``fault`` are
for people. A UART's bytes carry no waveform, so a recording has bytes and times, and no edges.
"""

from __future__ import annotations

import json
from typing import Any

from profiles.model import LineSettings

__all__ = ["RECORDING_MARK", "RECORDING_VERSION", "header_line", "record_line"]

RECORDING_MARK = "linewarden_recording"
"""The first line's first key."""
RECORDING_VERSION = 1


def header_line(bus: str, profile: str, line: LineSettings, started: str) -> str:
    """The first line, without its end.

    Args:
        bus: the bus's id.
        profile: the profile's name.
        line: the line settings that the adapter was used with.
        started: when it begins, UTC, ISO 8601.
    """
    settings = {"baud": line.baud, "frame": line.frame, "bit_order": line.bit_order, "idle": line.idle}
    return _text(
        {
            RECORDING_MARK: RECORDING_VERSION,
            "bus": bus,
            "profile": profile,
            "line": settings,
            "started": started,
        }
    )


def record_line(
    t: float,
    direction: str,
    data: bytes,
    lags: tuple[float | None, ...] | None = None,
    *,
    meaning: str | None = None,
    fault: str | None = None,
) -> str:
    """One record's line, without its end; see the module for what each part is."""
    document: dict[str, Any] = {"t": round(t, 6), "direction": direction, "data": data.hex(" ").upper()}
    if lags is not None:
        document["lags"] = [None if lag is None else round(lag, 7) for lag in lags]
    if meaning is not None:
        document["meaning"] = meaning
    if fault is not None:
        document["fault"] = fault
    return _text(document)


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False)
