"""Recordings of an adapter's traffic in the shape of decoded lines: bytes known, times roughly."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from profiles.bench.capture import Channel, RecordedLine
from profiles.bench.edges import Edges
from profiles.bench.line_fit import LineFit
from profiles.bench.loop import Link, Loop
from profiles.bench.segments import Segment
from profiles.bench.uart import Frames, LineTiming
from profiles.bench.wording import LineEvidence
from profiles.frames import BitOrder, FrameFormat, reverse_bits

__all__ = ["recorded_loop", "recorded_segment"]


def recorded_segment(channel: Channel) -> Segment:
    """A recorded direction as a segment; bytes that came together are taken to have no dead time."""
    line = channel.line or RecordedLine(9600.0, "8N1", "lsb", "high")
    frame = FrameFormat.parse(line.frame)
    time = frame.time(line.baud)
    starts, values = [], bytearray()
    free = -np.inf
    for heard in channel.heard:
        first = max(heard.at - len(heard.data) * time, free)
        starts.append(first + np.arange(len(heard.data)) * time)
        values += heard.data
        free = first + len(heard.data) * time
    begins = np.concatenate(starts) if starts else np.empty(0)
    data = bytes(values)
    if line.bit_order == BitOrder.MSB.value:
        data = reverse_bits(data, min(frame.data_bits, 8))
    frames = Frames(
        begins,
        np.frombuffer(data, np.uint8).astype(np.uint16),
        np.zeros(len(begins), np.uint8),
        begins + time,
    )
    idle = int(line.idle == "high")
    said = "said by the recording"
    fit = LineFit(
        line.baud,
        None,
        None,
        idle,
        frame,
        True,
        1.0,
        LineEvidence(said, said, said, said),
        (),
        LineTiming(1 / line.baud, idle, frame),
        0,
        0.0,
        0.0,
    )
    end = float(begins[-1] + time) if len(begins) else 0.0
    return Segment(0.0, end, Edges(np.empty(0), idle, 1.0, end), fit, frames)


def recorded_loop(channels: Sequence[Channel]) -> Loop | None:
    """The loop as the adapter measured it: from the lags of echoed bytes. None where there are none."""
    sent = next((channel for channel in channels if channel.name == "sent"), None)
    echoed = next((channel for channel in channels if channel.name == "echoed"), None)
    if sent is None or echoed is None or sent.line is None:
        return None
    lags = np.array([lag for heard in echoed.heard for lag in heard.lags if lag is not None])
    if not len(lags):
        return None
    frame = FrameFormat.parse(sent.line.frame)
    time = frame.time(sent.line.baud)
    # From the start of our frame to its whole echo it takes (N + 1) frames; latency only adds, so the least
    # lag counts.
    delay = float(lags.min()) - time
    hops = max(0, round(delay / time))
    written = sum(len(heard.data) for heard in sent.heard)
    returned = sum(len(heard.data) for heard in echoed.heard)
    latency = delay / hops - time if hops else delay
    link = Link("sent", "echoed", delay, delay * sent.line.baud, hops, latency, returned, written, False)
    text = (link.text + " (from the least lag; an adapter's own latency counts in)",)
    return Loop((link,), (), "sent", "echoed", delay, delay * sent.line.baud, hops, link.complete, text)
