"""Captures of buttons, read for learning: whose bursts they are, on one agreement about the line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from profiles.bench.alignment import Press, presses
from profiles.bench.capture import Capture
from profiles.bench.decoding import DecodedChannel, DecodeOptions, Decoding, decode
from profiles.bench.readers.opening import read_capture
from profiles.bench.uart import FrameError
from profiles.errors import LinewardenError, NotKnown
from profiles.frames import BitOrder, FrameFormat

__all__ = ["LearnedLine", "Sample", "Source", "read_samples"]

Progress = Callable[[int, int, str], None]

_SURE = 0.5
_CERTAIN = 0.9
_ASKED = 4
"""Captures that are each asked for all settings; those after them may have the same ones."""
_SAME_RATE = 0.03
"""Captures whose rates lie closer together than this are of one line."""
_EARLY_BITS = 0.5
"""Bit times before the end of its echo at which a next frame may start: within the echo's stop bit."""
_LOCKSTEP = 0.06
"""Seconds of idle line up to which single frames may be one message that waits for each echo."""


@dataclass(frozen=True, slots=True)
class Source:
    """A capture to learn from."""

    action: str
    path: Path
    unit: str = ""
    """Which unit was told, in a person's own word; empty where that is not said."""


@dataclass(frozen=True, slots=True)
class LearnedLine:
    """What the captures agree on."""

    baud: float
    baud_measured: float | None
    baud_error: float | None
    frame: FrameFormat
    idle_high: bool
    bit_order: BitOrder | None
    """None where no capture tells."""
    dead_time: float
    """Seconds of idle line between the frames of a burst, the least seen; where each waits for its echo, from
    there on."""
    longest_dead_time: float
    gap: float
    """Seconds of idle line that a burst was taken to end at."""
    least_between: float | None
    """Seconds between two bursts, the least seen."""
    looped: bool
    """Whether a capture of several lines shows the message coming back round a ring."""


@dataclass(frozen=True, slots=True)
class Sample:
    """One capture, read."""

    source: Source
    channel: str
    started: str
    """When it was recorded, where the file says so."""
    presses: tuple[Press, ...]
    notes: tuple[str, ...]


def read_samples(
    sources: Sequence[Source],
    options: DecodeOptions,
    *,
    channel: str | None = None,
    progress: Progress | None = None,
) -> tuple[LearnedLine, tuple[Sample, ...]]:
    """Read all captures on one agreement about the line.

    Args:
        sources: the captures, in the order in which they were taken.
        options: what is given and need not be found.
        channel: the channel to learn from; by default the one that feeds the others, else the first.
        progress: told how many of how many were read, and which is next.

    Raises:
        FileUnreadable: a capture can't be read.
        NotKnown: one has no such channel.
        LinewardenError: the line's settings can't be told, or a capture has no whole burst.
    """
    captures: list[tuple[Source, Capture, Decoding]] = []
    for done, source in enumerate(sources):
        if progress is not None:
            progress(done, len(sources), source.path.name)
        capture = read_capture(source.path, sample_interval=options.sample_interval)
        captures.append((source, capture, _decoded(capture, options, [each for _, _, each in captures])))
    chosen = [(_chosen(decoding, channel), capture, source) for source, capture, decoding in captures]
    line = _agreed([each for each, _, _ in chosen])
    order = line.bit_order
    given = replace(
        options, baud=line.baud, frame=line.frame, idle_high=line.idle_high, bit_order=order or BitOrder.LSB
    )
    read = []
    for each, capture, _source in chosen:
        same = _agrees(each, line) and (each.main.order.order or BitOrder.LSB) is given.bit_order
        read.append(each if same else _again(capture, each.name, given))
    gap_bits = _burst_gap(read, options.burst_gap_bits)
    if gap_bits != options.burst_gap_bits:
        given = replace(given, burst_gap_bits=gap_bits)
        read = [_again(capture, each.name, given) for each, capture, _ in chosen]
    echoes = [
        decoding.loop.delay
        for _, _, decoding in captures
        if decoding.loop is not None and decoding.loop.complete and decoding.loop.hops
    ]
    samples = tuple(
        _sample(source, capture, each) for each, (source, capture, _) in zip(read, captures, strict=True)
    )
    line = replace(line, gap=gap_bits / line.baud, looped=bool(echoes))
    return _with_times(line, read, max(echoes, default=0.0)), samples


def _decoded(capture: Capture, options: DecodeOptions, before: Sequence[Decoding]) -> Decoding:
    """Decode a capture; where those before it all say the same, on their settings if it has no other.

    The rate is found anew in each. Where a frame does not fit, everything is.
    """
    formats = {
        (channel.main.fit.frame, channel.main.fit.idle)
        for decoding in before
        for channel in decoding.channels
        if channel.main.fit.confidence >= _CERTAIN
    }
    frame, idle = next(iter(formats), (None, None))
    if len(before) >= _ASKED and len(formats) == 1 and frame is not None and idle is not None:
        known = decode(capture, replace(options, frame=frame, idle_high=bool(idle)))
        rates = [channel.main.fit.baud for decoding in before for channel in decoding.channels]
        if all(_fits(channel, rates) for channel in known.channels):
            return known
    return decode(capture, options)


def _fits(channel: DecodedChannel, rates: Sequence[float | None]) -> bool:
    """Whether all frames of a channel are sound, at a rate that was seen before."""
    main = channel.main
    baud = main.fit.baud
    return (
        len(channel.segments) == 1
        and baud is not None
        and not main.segment.frames.errors.any()
        and any(rate is not None and abs(baud / rate - 1) < _SAME_RATE for rate in rates)
    )


def _again(capture: Capture, name: str, options: DecodeOptions) -> DecodedChannel:
    return decode(capture, replace(options, channels=(name,))).channels[0]


def _chosen(decoding: Decoding, name: str | None) -> DecodedChannel:
    if name is not None:
        found = next((channel for channel in decoding.channels if channel.name == name), None)
        if found is None:
            decoding.capture.channel(name)
            raise NotKnown(f"has no channel {name!r} to decode", where=decoding.file)
        return found
    spoken = [channel for channel in decoding.channels if len(channel.main.segment.frames)]
    if decoding.loop is not None:
        return next(channel for channel in spoken if channel.name == decoding.loop.source)
    if not spoken:
        raise LinewardenError(
            "no line says anything in it", where=decoding.file, todo="capture it again, or name --channel"
        )
    return max(spoken, key=lambda channel: channel.main.fit.frame is not None)


def _agrees(channel: DecodedChannel, line: LearnedLine) -> bool:
    fit = channel.main.fit
    return (
        len(channel.segments) == 1
        and fit.frame == line.frame
        and fit.idle == int(line.idle_high)
        and fit.baud is not None
        and abs(fit.baud / line.baud - 1) < _SAME_RATE
    )


def _agreed(channels: Sequence[DecodedChannel]) -> LearnedLine:
    """What most captures say of the line, the surer ones counting for more."""
    told = [
        channel.main
        for channel in channels
        if channel.main.fit.frame is not None and channel.main.fit.confidence >= _SURE
    ]
    if not told:
        raise LinewardenError(
            "the line settings can't be told from these captures",
            todo="capture longer messages, or give --baud and --frame",
        )
    weights: Counter[tuple[str, int]] = Counter()
    for part in told:
        weights[str(part.fit.frame), part.fit.idle or 0] += round(1000 * part.fit.confidence)
    (frame, idle), _ = weights.most_common(1)[0]
    fitting = [part.fit for part in told if str(part.fit.frame) == frame and part.fit.idle == idle]
    rates = Counter(fit.baud for fit in fitting if fit.baud is not None)
    baud = rates.most_common(1)[0][0]
    best = min(
        (fit for fit in fitting if fit.baud_measured is not None and fit.baud_error is not None),
        key=lambda fit: fit.baud_error or 0.0,
        default=None,
    )
    orders = Counter(part.order.order for part in told if part.order.order is not None)
    return LearnedLine(
        baud,
        best.baud_measured if best is not None else None,
        best.baud_error if best is not None else None,
        FrameFormat.parse(frame),
        bool(idle),
        orders.most_common(1)[0][0] if orders else None,
        0.0,
        0.0,
        0.0,
        None,
        looped=False,
    )


def _burst_gap(channels: Sequence[DecodedChannel], given: float) -> float:
    """The bit times that end a burst: longer where a message waits for each of its frames to come back."""
    parts = [channel.main for channel in channels]
    if any(stop - first > 1 for part in parts for first, stop in part.bursts):
        return given
    if not all(len(part.bursts) > 1 for part in parts):
        return given
    bits = []
    for part in parts:
        dead = part.segment.frames.dead_times[1:]
        short = dead[dead <= _LOCKSTEP]
        if part.fit.baud is None or not len(short):
            return given
        bits.append(float(short.max()) * part.fit.baud)
    return 1.5 * max(bits)


def _with_times(line: LearnedLine, channels: Sequence[DecodedChannel], echo: float) -> LearnedLine:
    """With the dead times seen; ``echo`` is how many seconds a frame's echo starts after it, 0 for none."""
    inside, between = [], []
    for channel in channels:
        dead = channel.main.segment.frames.dead_times[1:]
        inside.append(dead[dead <= line.gap])
        between.append(dead[dead > line.gap])
    within, apart = np.concatenate(inside), np.concatenate(between)
    if echo and len(within) and within.min() > echo - _EARLY_BITS / line.baud:
        # Each frame waited for its echo, as ours will: only what passed after that is dead time.
        within = np.maximum(within - echo, 0.0)
    return replace(
        line,
        dead_time=float(within.min()) if len(within) else 0.0,
        longest_dead_time=float(within.max()) if len(within) else 0.0,
        least_between=float(apart.min()) if len(apart) else None,
    )


def _sample(source: Source, capture: Capture, channel: DecodedChannel) -> Sample:
    part, frames = channel.main, channel.main.segment.frames
    whole, spoilt = [], 0
    for first, stop in part.bursts:
        good = bool((frames.errors[first:stop] == FrameError.NONE).all())
        if good and max(part.values[first:stop]) <= 0xFF:
            whole.append(
                (bytes(part.values[first:stop]), float(frames.starts[first]), float(frames.ends[stop - 1]))
            )
        else:
            spoilt += 1
    if not whole:
        raise LinewardenError(
            "has no burst that was received whole",
            where=str(source.path),
            todo="look at it with decode, and capture it again",
        )
    notes = [f"{spoilt} bursts with errors were left out"] if spoilt else []
    return Sample(source, channel.name, capture.started, tuple(presses(whole)), tuple(notes))
