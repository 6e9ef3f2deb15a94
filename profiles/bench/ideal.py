"""A line as a profile says it should be: a message's bytes as an exact waveform, to compare replays with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.decoding import DecodedChannel, DecodedSegment, DecodeOptions, decode
from profiles.bench.edges import Edges
from profiles.frames import FrameFormat
from profiles.model import LineSettings
from profiles.template import Message

__all__ = ["ideal_channel", "ideal_edges", "options_of"]

_LEAD = 40.0
"""Bit times of idle line before, between and behind messages."""
_TICKS = 1024
"""Ticks in a bit time: edges stand exactly."""


def options_of(line: LineSettings, *, baud: bool = True) -> DecodeOptions:
    """What a profile knows of its line, for reading a capture of it.

    Args:
        line: the profile's line settings.
        baud: whether the rate is given too; without it, it is measured.
    """
    return DecodeOptions(
        baud=line.baud if baud else None,
        frame=line.format,
        idle_high=line.idle == "high",
        bit_order=line.order,
        burst_gap_bits=max(line.burst_gap * line.baud, 0.5),
    )


def ideal_edges(message: Message, line: LineSettings, times: int = 1) -> Edges:
    """The edges of a message, sent ``times`` times with idle line between, exactly at the nominal rate."""
    frame: FrameFormat = line.format
    dead = line.dead_time * line.baud
    pauses = {pause.before: pause.seconds * line.baud for pause in message.pauses}
    between = max(_LEAD, 2 * line.burst_gap * line.baud)
    at, level, ticks = _LEAD, 1, []
    for number in range(times):
        at += between if number else 0.0
        for index, value in enumerate(message.data):
            at += max(dead, pauses.get(index, 0.0)) if index else 0.0
            for new, length in frame.cells(value, line.order):
                if new != level:
                    ticks.append(round(at * _TICKS))
                    level = new
                at += length
    idle = int(line.idle == "high")
    end = float(round((at + _LEAD) * _TICKS))
    return Edges(np.asarray(ticks, np.int64), idle, 1 / line.baud / _TICKS, end)


def ideal_channel(message: Message, line: LineSettings, times: int = 1) -> DecodedChannel:
    """The same, decoded: what a perfect sender would leave in a capture."""
    edges = ideal_edges(message, line, times)
    channel = Channel(
        "as the profile says", ChannelKind.LOGIC, "made from the profile's line settings", logic=edges
    )
    decoded = decode(Capture("the profile", "made", (channel,)), options_of(line)).channels[0]
    parts: Sequence[DecodedSegment] = [
        # Here the rate is no assumption: the edges were put there by it.
        replace(part, segment=replace(part.segment, fit=replace(part.fit, baud_measured=line.baud)))
        for part in decoded.segments
    ]
    return replace(decoded, segments=tuple(parts))
