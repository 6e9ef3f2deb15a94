"""From a capture to bytes: one call that reads a file, finds each line's settings, and decodes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from profiles.bench.bit_order import OrderFinding, find_bit_order
from profiles.bench.capture import Capture, Channel, ChannelKind, Heard, RecordedLine
from profiles.bench.levels import Levels
from profiles.bench.line_fit import LineFit, LineOverrides
from profiles.bench.loop import Line, Loop, find_loop
from profiles.bench.readers.opening import read_capture
from profiles.bench.recorded import recorded_loop, recorded_segment
from profiles.bench.segments import Segment, read_line
from profiles.bench.uart import FrameError, bursts
from profiles.errors import BadValue
from profiles.frames import BitOrder, FrameFormat

__all__ = [
    "DecodeOptions",
    "DecodedChannel",
    "DecodedSegment",
    "Decoding",
    "decode",
    "decode_capture",
    "decode_heard",
]


@dataclass(frozen=True, slots=True)
class DecodeOptions:
    """What a person says instead of leaving it to be found."""

    channels: tuple[str, ...] = ()
    """The channels to decode, by name; empty for all."""
    baud: float | None = None
    frame: FrameFormat | None = None
    idle_high: bool | None = None
    bit_order: BitOrder | None = None
    threshold: float | None = None
    """Volts."""
    hysteresis: float | None = None
    """Volts from the threshold to the edge of the band."""
    burst_gap_bits: float = 20.0
    """Bit times of idle line after which a new burst begins."""
    sample_interval: float | None = None
    """Seconds between rows of a table that doesn't say."""

    def __post_init__(self) -> None:
        """Refuse what no line can have.

        Raises:
            BadValue: a number is not positive.
        """
        for name in ("baud", "hysteresis", "sample_interval", "burst_gap_bits"):
            value = getattr(self, name)
            if value is not None and not 0 < value < float("inf"):
                raise BadValue(f"{name.replace('_', ' ')} can't be {value}", todo="give a number above zero")


@dataclass(frozen=True, slots=True)
class DecodedSegment:
    """A stretch of a channel with one line setting, in bytes."""

    segment: Segment
    order: OrderFinding
    bursts: tuple[tuple[int, int], ...]
    """Each burst's first frame and the one after its last."""
    values: tuple[int, ...]
    """Each frame's data in the order of bits that was found or given."""

    @property
    def fit(self) -> LineFit:
        """The line's settings."""
        return self.segment.fit

    def data(self, burst: tuple[int, int]) -> bytes:
        """A burst's bytes without those in error; of nine data bits the lowest eight."""
        errors = self.segment.frames.errors
        return bytes(
            self.values[i] & 0xFF for i in range(*burst) if errors[i] in (FrameError.NONE, FrameError.PARITY)
        )


@dataclass(frozen=True, slots=True)
class DecodedChannel:
    """A channel with all that was found on it."""

    channel: Channel
    levels: Levels | None
    segments: tuple[DecodedSegment, ...]
    notes: tuple[str, ...]

    @property
    def name(self) -> str:
        """The channel's name."""
        return self.channel.name

    @property
    def main(self) -> DecodedSegment:
        """The segment with the most frames."""
        return max(self.segments, key=lambda part: len(part.segment.frames))


@dataclass(frozen=True, slots=True)
class Decoding:
    """A decoded capture."""

    capture: Capture
    channels: tuple[DecodedChannel, ...]
    loop: Loop | None

    @property
    def file(self) -> str:
        """The file's name as it was given."""
        return self.capture.file


def decode_capture(path: Path | str, options: DecodeOptions | None = None) -> Decoding:
    """Read and decode a capture.

    Args:
        path: the file.
        options: what is given and need not be found.

    Raises:
        FileUnreadable: the file is no capture that can be read.
        NotKnown: it has no channel of a name that was asked for.
    """
    options = options or DecodeOptions()
    return decode(read_capture(path, sample_interval=options.sample_interval), options)


def decode(
    capture: Capture,
    options: DecodeOptions | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Decoding:
    """Decode a capture that was read already.

    Args:
        capture: what was recorded.
        options: what is given and need not be found.
        progress: told how many channels of how many are done; what it raises ends the decoding.

    Raises:
        NotKnown: it has no channel of a name that was asked for.
    """
    options = options or DecodeOptions()
    chosen = [capture.channel(name) for name in options.channels] or list(capture.channels)
    decoded = []
    for done, channel in enumerate(chosen):
        if progress is not None:
            progress(done, len(chosen))
        decoded.append(_decode_channel(channel, options))
    channels = tuple(decoded)
    loop = recorded_loop(chosen) or find_loop(
        [_as_line(channel) for channel in channels if _has_bytes(channel)]
    )
    return Decoding(capture, channels, loop)


def decode_heard(
    heard: Sequence[Heard], line: RecordedLine, options: DecodeOptions | None = None, *, name: str = "heard"
) -> DecodedChannel:
    """What an adapter heard of a line, as a decoded channel: to be compared like a capture.

    Args:
        heard: bytes with their times, in their order.
        line: the line settings that the adapter listened with.
        options: where a burst ends, and the order of bits if it is another than the line's.
        name: the channel's.
    """
    channel = Channel(name, ChannelKind.BYTES, f"bytes {name}", heard=tuple(heard), line=line)
    return _decode_channel(channel, options or DecodeOptions())


def _has_bytes(channel: DecodedChannel) -> bool:
    """Whether the loop can use it: a line that is silent counts, one that is no serial line doesn't."""
    main = channel.main
    return main.fit.frame is not None or len(main.segment.edges) == 0


def _as_line(channel: DecodedChannel) -> Line:
    main = channel.main
    timing = main.fit.timing
    if timing is None:
        return Line(channel.name, main.segment.frames, 1.0, 10.0)
    return Line(channel.name, main.segment.frames, timing.bit * main.segment.edges.tick, timing.frame.bits)


def _decode_channel(channel: Channel, options: DecodeOptions) -> DecodedChannel:
    if channel.kind is ChannelKind.BYTES:
        if options.bit_order is None and channel.line is not None:
            options = replace(options, bit_order=BitOrder(channel.line.bit_order))
        return DecodedChannel(channel, None, (_in_bytes(recorded_segment(channel), options),), channel.notes)
    levels = channel.levels(options.threshold, options.hysteresis)
    edges, notes = channel.edges(levels)
    idle = None if options.idle_high is None else int(options.idle_high)
    overrides = LineOverrides(options.baud, idle, options.frame)
    segments = tuple(_in_bytes(segment, options) for segment in read_line(edges, overrides))
    more = list(channel.notes + notes)
    if levels is not None and levels.clipped:
        more.append("the voltage is clipped: the levels are not to be trusted, the edges are")
    if len(segments) > 1:
        more.append(f"the line settings change in the middle: {len(segments)} segments")
    return DecodedChannel(channel, levels, segments, tuple(more))


def _in_bytes(segment: Segment, options: DecodeOptions) -> DecodedSegment:
    frames, timing = segment.frames, segment.fit.timing
    if timing is None:
        return DecodedSegment(segment, OrderFinding(None, "there are no bytes", 0.0), (), ())
    bits = timing.frame.data_bits
    bit = timing.bit * segment.edges.tick
    groups = tuple(bursts(frames, options.burst_gap_bits * bit))
    if options.bit_order is not None:
        order = OrderFinding(options.bit_order, "given", 1.0)
    elif segment.fit.frame is None:
        order = OrderFinding(None, "the frame is not known", 0.0)
    else:
        good = np.flatnonzero(frames.errors == FrameError.NONE)
        low = (frames.values & 0xFF).astype(np.uint8)
        messages = [low[good[(good >= first) & (good < stop)]].tobytes() for first, stop in groups[:500]]
        order = find_bit_order(messages, bits)
    values = frames.values
    if order.order is BitOrder.MSB:
        turned = np.array([int(f"{value:0{bits}b}"[::-1], 2) for value in range(1 << bits)], np.uint16)
        values = turned[values]
    return DecodedSegment(segment, order, groups, tuple(values.tolist()))
