"""A replay against the original: the same bytes, in the same time, near enough for any receiver.

A receiver takes its time from each start bit, so edges are compared within their frames, and dead time is
told apart: it may differ without any harm. How far off is too far comes from what receivers tolerate.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher

import numpy as np

from profiles.bench.capture import Capture
from profiles.bench.decoding import DecodedChannel, DecodedSegment, DecodeOptions, decode
from profiles.bench.edges import FloatArray
from profiles.bench.uart import FrameError
from profiles.errors import BadValue, NotKnown
from profiles.frames import FrameFormat, Parity

__all__ = [
    "ByteChange",
    "Comparison",
    "DeadTime",
    "Pair",
    "Tolerance",
    "Verdict",
    "compare",
    "default_tolerance",
    "frame_edges",
    "read_alike",
]

_EDGE_BITS = 0.25
"""Bit times that an edge may be off: of each cell the middle half stays untouched, which is what is left on a
poor link (Maxim tutorial 2141, "Timing Accuracy")."""
_RATES = {5: 3.0, 6: 2.5, 7: 2.0, 8: 2.0, 9: 1.5, 10: 1.5}
"""Percent of the rate that a receiver may be off, by data and parity bits: the recommended maximum error of
the ATmega328P's USART at normal speed (data sheet 7810C, p. 184, table 19-2)."""
_DEAD_BITS = 0.5
"""Bit times of dead time that are no difference."""
_LONGEST = 20_000
"""Frames of each side that are compared."""


class Verdict(enum.StrEnum):
    """What a comparison comes to."""

    SAME = "same"
    DEAD_TIME_DIFFERS = "dead-time-differs"
    """All is the same but the idle line between frames: no mismatch."""
    DIFFERENT = "different"


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a replay may be off."""

    rate: float
    """Share of the bit time."""
    edge: float
    """Bit times that an edge may be off in its frame."""
    source: str
    """Where the numbers are from, in words."""

    def __post_init__(self) -> None:
        """Refuse what can't be a tolerance.

        Raises:
            BadValue: a number is not positive, or an edge may be off by half a bit time or more.
        """
        if not 0 < self.rate < 1:
            raise BadValue(f"a rate tolerance of {100 * self.rate:g} % can't be", todo="give one such as 2")
        if not 0 < self.edge < 0.5:
            raise BadValue(
                f"an edge tolerance of {self.edge:g} bit times can't be",
                todo="give less than 0.5: a receiver looks in the middle of the bit",
            )


@dataclass(frozen=True, slots=True)
class ByteChange:
    """Frames that are not the same on both sides."""

    original_at: int
    """Index of the first frame in the original."""
    replay_at: int
    original: tuple[int, ...]
    replay: tuple[int, ...]

    @property
    def text(self) -> str:
        """In words."""
        was, now = _hex(self.original), _hex(self.replay)
        if not self.replay:
            return f"byte {self.original_at}: {was} is missing in the replay"
        if not self.original:
            return f"byte {self.replay_at} of the replay: {now} is not in the original"
        return f"byte {self.original_at}: {was} in the original, {now} in the replay"


@dataclass(frozen=True, slots=True)
class DeadTime:
    """Idle line before a frame on both sides, in seconds."""

    at: int
    """Index of the frame in the original."""
    original: float
    replay: float
    differs: bool


@dataclass(frozen=True, slots=True)
class Pair:
    """A frame of the original, and the one that stands for it in the replay; None where there is none."""

    original: int | None
    replay: int | None
    edge: float | None
    """The farthest that an edge is off in it, in bit times, with its sign; later is above zero. None where
    edges can't be compared."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """How a replay differs from the original."""

    verdict: Verdict
    reasons: tuple[str, ...]
    """Why they differ, a sentence each; what differs in dead time is not among them."""
    notes: tuple[str, ...]
    frames: tuple[int, int]
    """Frames of the original and of the replay."""
    changes: tuple[ByteChange, ...]
    bit_ratio: float | None
    """The replay's bit time by the original's; None where one was not measured."""
    worst_edge: float | None
    worst_edge_at: int | None
    """Index of the frame in the original that it is in."""
    dead_times: tuple[DeadTime, ...]
    pairs: tuple[Pair, ...]
    tolerance: Tolerance

    @property
    def matches(self) -> bool:
        """Whether a receiver reads the same: dead time alone is no mismatch."""
        return self.verdict is not Verdict.DIFFERENT


def default_tolerance(frame: FrameFormat) -> Tolerance:
    """What a hardware receiver tolerates with such frames."""
    bits = min(max(frame.data_bits + (frame.parity is not Parity.NONE), 5), 10)
    percent = _RATES[bits]
    return Tolerance(
        percent / 100,
        _EDGE_BITS,
        f"rate: {percent:g} % is what the ATmega328P's USART recommends for {bits} data and parity bits; "
        f"edges: a quarter bit time leaves the middle half of each bit, as on a poor link",
    )


def compare(
    original: DecodedSegment, replay: DecodedSegment, tolerance: Tolerance | None = None
) -> Comparison:
    """Compare a replay with the original.

    Args:
        original: the line as it was captured from the original.
        replay: the line as it was captured from our replay.
        tolerance: how far it may be off; by default what a receiver tolerates.

    Raises:
        NotKnown: one of them has no frames to compare.
    """
    for name, part in (("original", original), ("replay", replay)):
        if part.fit.frame is None or not len(part.segment.frames):
            raise NotKnown(
                f"the {name}'s bytes can't be told",
                todo="look at it with decode, and give --baud and --frame where they are known",
            )
    tolerance = tolerance or default_tolerance(original.fit.frame or FrameFormat())
    notes: list[str] = []
    count = [min(len(part.segment.frames), _LONGEST) for part in (original, replay)]
    if max(len(part.segment.frames) for part in (original, replay)) > _LONGEST:
        notes.append(f"only the first {_LONGEST} frames of each are compared")
    pairs, changes = _paired(_said(original, count[0]), _said(replay, count[1]))
    reasons = _settings(original, replay)
    reasons += [change.text for change in changes[:5]]
    if len(changes) > 5:
        reasons.append(f"{len(changes) - 5} more stretches of bytes differ")
    ratio = _bit_ratio(original, replay)
    if ratio is None:
        notes.append("the bit times can't be compared: one of them was not measured on the line")
    elif abs(ratio - 1) > tolerance.rate:
        reasons.append(f"the bit time is {100 * (ratio - 1):+.2f} % off")
    told = _with_edges(original, replay, pairs)
    worst = max((pair for pair in told if pair.edge is not None), key=_size, default=None)
    if worst is not None and _size(worst) > tolerance.edge:
        reasons.append(f"an edge of byte {worst.original} is {worst.edge:+.3f} bit times off")
    if worst is None:
        notes.append("the edges can't be compared: one of them has none, or no byte is on both")
    # What an adapter says of times is no better than its latency, which only adds.
    measured = bool(len(original.segment.edges) and len(replay.segment.edges))
    dead = _dead_times(original, replay, told, judged=measured)
    if dead and not measured:
        notes.append(
            "dead times are shown and not judged: a recording has an adapter's times, not the line's"
        )
    differing = [each for each in dead if each.differs]
    if differing:
        notes.append(f"the dead time differs before {len(differing)} of {len(dead)} bytes: no mismatch")
    verdict = Verdict.DIFFERENT if reasons else Verdict.DEAD_TIME_DIFFERS if differing else Verdict.SAME
    return Comparison(
        verdict,
        tuple(reasons),
        tuple(notes),
        (len(original.segment.frames), len(replay.segment.frames)),
        tuple(changes),
        ratio,
        worst.edge if worst is not None else None,
        worst.original if worst is not None else None,
        dead,
        told,
        tolerance,
    )


def read_alike(
    capture: Capture, replay: DecodedChannel, original: DecodedChannel, options: DecodeOptions | None = None
) -> DecodedChannel:
    """A replay whose settings can't be told by itself, read with the original's; else as it is.

    Args:
        capture: the one that the replay is in.
        replay: its channel as it was decoded.
        original: what it is to be compared with.
        options: what was given for both.
    """
    line = original.main.fit
    if replay.main.fit.frame is not None or line.frame is None or not len(replay.main.segment.edges):
        return replay
    given = replace(
        options or DecodeOptions(),
        channels=(replay.name,),
        baud=line.baud,
        frame=line.frame,
        idle_high=bool(line.idle),
        bit_order=original.main.order.order,
    )
    return decode(capture, given).channels[0]


def _size(pair: Pair) -> float:
    return abs(pair.edge) if pair.edge is not None else 0.0


def _hex(values: Sequence[int]) -> str:
    shown = " ".join(f"{value:02X}" for value in values[:12])
    return shown + (" ..." if len(values) > 12 else "")


def _bit(part: DecodedSegment) -> float:
    """Seconds in a bit time, as it was decoded with."""
    timing = part.fit.timing
    return timing.bit * part.segment.edges.tick if timing is not None else math.nan


def _said(part: DecodedSegment, count: int) -> list[tuple[int, int]]:
    errors = part.segment.frames.errors[:count].tolist()
    return list(zip(part.values[:count], errors, strict=True))


def _paired(
    one: Sequence[tuple[int, int]], other: Sequence[tuple[int, int]]
) -> tuple[list[tuple[int | None, int | None]], list[ByteChange]]:
    """Which frame stands for which, and where they are not the same."""
    if list(one) == list(other):
        return [(index, index) for index in range(len(one))], []
    pairs: list[tuple[int | None, int | None]] = []
    changes = []
    matcher = SequenceMatcher(None, one, other, autojunk=False)
    for kind, first, stop, begin, end in matcher.get_opcodes():
        both = min(stop - first, end - begin)
        pairs += [(first + n, begin + n) for n in range(both)]
        pairs += [(index, None) for index in range(first + both, stop)]
        pairs += [(None, index) for index in range(begin + both, end)]
        if kind != "equal":
            was, now = ([value for value, _ in part] for part in (one[first:stop], other[begin:end]))
            changes.append(ByteChange(first, begin, tuple(was), tuple(now)))
    return pairs, changes


def _settings(original: DecodedSegment, replay: DecodedSegment) -> list[str]:
    """What receivers are set to, and differs."""
    one, other = original.fit, replay.fit
    reasons = []
    if one.idle != other.idle:
        reasons.append("one of them is inverted: they idle at opposite levels")
    if one.frame is not None and other.frame is not None:
        same = (one.frame.data_bits, one.frame.parity) == (other.frame.data_bits, other.frame.parity)
        if not same:
            reasons.append(f"the original's frames are {one.frame}, the replay's {other.frame}")
    return reasons


def _bit_ratio(original: DecodedSegment, replay: DecodedSegment) -> float | None:
    one, other = (_measured_bit(part) for part in (original, replay))
    return other / one if one is not None and other is not None else None


def _measured_bit(part: DecodedSegment) -> float | None:
    """Seconds in a bit time as measured; where a rate was given, that is nothing measured."""
    measured = part.fit.baud_measured
    return 1 / measured if measured else None


def _with_edges(
    original: DecodedSegment, replay: DecodedSegment, pairs: Sequence[tuple[int | None, int | None]]
) -> tuple[Pair, ...]:
    if not len(original.segment.edges) or not len(replay.segment.edges):
        return tuple(Pair(one, other, None) for one, other in pairs)
    told = []
    bit = _bit(original)
    values = original.segment.frames.values, replay.segment.frames.values
    for one, other in pairs:
        edge = None
        # Other bits have other edges: only a frame that says the same can be laid over the other.
        if one is not None and other is not None and values[0][one] == values[1][other]:
            ours, theirs = frame_edges(original, one), frame_edges(replay, other)
            if ours is not None and theirs is not None and len(ours) == len(theirs) > 0:
                off = (theirs - ours) / bit
                edge = float(off[np.argmax(np.abs(off))])
        told.append(Pair(one, other, edge))
    return tuple(told)


def frame_edges(part: DecodedSegment, index: int) -> FloatArray | None:
    """Where the edges of a frame are, in seconds after its start edge; the start edge left out.

    Args:
        part: the decoded line.
        index: which of its frames.

    Returns:
        One time for each edge that the frame's bits have; None where it is in error or an edge is missing.
    """
    frames, timing, edges = part.segment.frames, part.fit.timing, part.segment.edges
    if timing is None or frames.errors[index] != FrameError.NONE:
        return None
    start = float(frames.starts[index]) / edges.tick
    wanted, level, cell = [], 0, 0.0
    for new, length in timing.frame.cells(int(frames.values[index])):
        if new != level:
            wanted.append(cell)
            level = new
        cell += length
    near = np.asarray(wanted) * timing.bit
    first = int(np.searchsorted(edges.ticks, start - 0.4 * timing.bit))
    last = int(np.searchsorted(edges.ticks, start + (cell + 0.5) * timing.bit))
    there = np.asarray(edges.ticks[first:last], np.float64) - start
    if not len(there) or not len(near):
        return None
    # Edges of a glitch are none of the frame's: of all that are there, the nearest to its place counts.
    nearest = there[np.abs(there[None, :] - near[:, None]).argmin(axis=1)]
    if np.abs(nearest - near).max() > 0.5 * timing.bit:
        return None
    seconds: FloatArray = nearest * edges.tick
    return seconds


def _dead_times(
    original: DecodedSegment, replay: DecodedSegment, pairs: Sequence[Pair], *, judged: bool
) -> tuple[DeadTime, ...]:
    """Side by side, for each frame that follows the same frame on both sides within a burst."""
    ours, theirs = original.segment.frames.dead_times, replay.segment.frames.dead_times
    first = {burst[0] for burst in original.bursts}
    bit = _bit(original)
    told = []
    before: Pair | None = None
    for pair in pairs:
        one, other = pair.original, pair.replay
        follows = (
            before is not None
            and one is not None
            and other is not None
            and (before.original, before.replay) == (one - 1, other - 1)
        )
        if follows and one is not None and other is not None and one not in first:
            was, now = float(ours[one]), float(theirs[other])
            differs = judged and not math.isclose(was, now, abs_tol=_DEAD_BITS * bit)
            told.append(DeadTime(one, was, now, differs))
        before = pair
    return tuple(told)
