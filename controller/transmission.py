"""What goes in and out of the echo machine: a line's times, a transmission, its report.

All times are seconds, all instants monotonic.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum, auto

from controller.records import Reason, Result
from profiles.compiled import CompiledReply, Meaning
from profiles.frames import FrameFormat
from profiles.model import Confirmation, Method
from profiles.stream import StreamMatcher
from profiles.template import Message, Reading

__all__ = [
    "UNKNOWN_SLACK",
    "Echoed",
    "Effect",
    "Finished",
    "Heard",
    "LineTimes",
    "Report",
    "Transmission",
    "Verdict",
    "Write",
    "handed_on",
    "units_answering",
    "wire_time",
]

UNKNOWN_SLACK = 0.02
"""Seconds by which an adapter of unknown latency may deliver late: above the 16 ms latency timer of common
USB-UARTs (FTDI application note AN232B-04) and a USB frame."""

CLOCKS = 0.97
"""How much sooner than nominal a frame may pass, because the clocks at the two ends of a wire differ: the
widest error that the ATmega328P data sheet (7810C, table 19-2) advises for any frame format, 3 % at 5 data
bits."""

_LONGEST_HOP = 1.02
"""The longest real hop in frame times: a little over 10 bit times at 8N1 (common practice, no source)."""
_HOP_ERROR = 0.01
"""How far a hop may be off by the units' clocks, or by the way in which it was learned."""


def handed_on(frame: FrameFormat) -> float:
    """The part of a frame after which a receiver may have it: it need not wait for the end of its stop bits.

    It looks at the middle of the first stop bit: after 9.5 of 10 bit times at 8N1. (ATmega328P data sheet
    7810C, section 19.7: the receiver ignores a second stop bit.)
    """
    return 1 - (frame.stop_bits - 0.5) / frame.bits


@dataclass(frozen=True, slots=True)
class LineTimes:
    """What is known of time on one line."""

    frame: float
    """T, one frame."""
    hops: int = 0
    """Store-and-forward units that are expected in the ring; 0 where frames don't travel."""
    hop: float | None = None
    """One hop, once it has been learned; T until then."""
    latency: float | None = None
    """The least that the adapter adds, write to read; None where it is not known."""
    jitter: float | None = None
    """How much more it sometimes adds."""
    dead_time: float = 0.0
    """Least idle line between two frames that we send."""
    burst_gap: float = 0.04
    """Idle line that ends a burst."""
    handed_on: float = 0.95
    """The part of T after which a receiver may have a frame, see ``handed_on``; this one is that of 8N1."""

    @property
    def slack(self) -> float:
        """How much later than the line alone a frame may be delivered."""
        if self.latency is None or self.jitter is None:
            return UNKNOWN_SLACK
        return self.latency + self.jitter

    @property
    def round_trip(self) -> float:
        """The expected lag of a whole echo: (N + 1) T, the adapter's latency apart."""
        return self.frame + self.hops * (self.hop or self.frame)


class Verdict(Enum):
    """What a reply is to the command that waits for one."""

    DONE = auto()
    """The unit says that it did it."""
    REFUSED = auto()
    """The unit says that it won't."""
    OTHER = auto()
    """An answer to something else."""


@dataclass(frozen=True, slots=True)
class Transmission:
    """One message that is to go out, and how it is to be confirmed."""

    id: str
    message: Message
    method: Method
    rules: Confirmation
    listener: Callable[[], StreamMatcher[Meaning]]
    """Makes a matcher that knows what others may say meanwhile."""
    repeatable: bool = True
    """Whether it may be sent again once its last frame is out."""
    once: int | None = None
    """Frames after which a unit may obey, where the message holds the same several times; None for all."""
    hears_itself: bool = False
    """Whether the adapter receives what it sends, on a shared line."""
    replies: Callable[[], StreamMatcher[CompiledReply]] | None = None
    """Makes a matcher for the answers; for the method ``reply`` only."""
    judge: Callable[[CompiledReply, Reading], Verdict] | None = None
    """Tells an answer to this command from one to another."""

    def __post_init__(self) -> None:
        """Refuse what no line could carry out.

        Raises:
            ValueError: there is nothing to send, or answers are looked for without a way to judge them.
        """
        if not self.message.data:
            raise ValueError("a transmission needs at least one frame")
        if (self.replies is None) is not (self.judge is None):
            raise ValueError("answers need a matcher and a judge, or neither")
        if (self.method is Method.REPLY) is not (self.replies is not None):
            raise ValueError("answers are looked for with the method `reply`, and with no other")


@dataclass(slots=True)
class Report:
    """What became of a transmission: the echo machine's part of an outcome."""

    id: str
    result: Result
    reason: Reason | None = None
    frames: int = 0
    echoed: int = 0
    failed_at: int | None = None
    expected: int | None = None
    got: int | None = None
    attempts: int = 0
    all_out: bool = False
    """Whether a unit may have obeyed, whatever came back: in some attempt the last frame was written, or the
    first of several copies was out."""
    began: float | None = None
    """The first write of the last attempt."""
    ended: float | None = None
    """Its last echo, last byte of the reply, or when its last byte had left."""
    lags: list[float] = field(default_factory=list)
    reply: CompiledReply | None = None
    reading: Reading | None = None
    """What the reply said."""
    stray: bytes = b""
    """The beginning of what came that should not have, in the last attempt."""
    late: float | None = None
    """How long after its writing an echo came that was no longer waited for, in seconds."""


@dataclass(frozen=True, slots=True)
class Write:
    """Write these bytes now."""

    data: bytes


@dataclass(frozen=True, slots=True)
class Echoed:
    """Our own bytes, come back."""

    data: bytes
    at: float
    lags: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """Bytes that are not our echo."""

    data: bytes
    at: float
    fault: Reason | None = None


@dataclass(frozen=True, slots=True)
class Finished:
    """The transmission is over."""

    report: Report


Effect = Write | Echoed | Heard | Finished


def units_answering(lags: list[float], times: LineTimes) -> int | None:
    """How many units repeated our frames, or None where it can't be told.

    round((least lag - latency) / T) - 1, least because latency only adds. It is None where that would be a
    guess: the adapter's latency or its jitter is not known or is more than T/3, or hops of a length that they
    can have (a receiver hands a frame on between the middle of its stop bit and a little after it) add up to
    this lag with more than one number of units, or with none.
    """
    if not lags or times.latency is None or times.jitter is None:
        return None
    if max(times.latency, times.jitter) > times.frame / 3:
        return None
    in_frames = (min(lags) - times.latency) / times.frame
    # All hops together: what is left without the way back into the adapter, which may add up to T/3.
    least, most = in_frames - _LONGEST_HOP - 1 / 3, in_frames - times.handed_on * (1 - _HOP_ERROR)
    shortest, longest = times.handed_on * (1 - _HOP_ERROR), _LONGEST_HOP
    if times.hop is not None:
        shortest, longest = (times.hop / times.frame * (1 + sign * _HOP_ERROR) for sign in (-1, 1))
    fewest, greatest = max(0, math.ceil(least / longest)), math.floor(most / shortest)
    return fewest if fewest == greatest else None


def wire_time(message: Message, method: Method, times: LineTimes, reply_frames: int = 0) -> float:
    """The least time that physics allows from the first write to the last echo or reply byte, in seconds."""
    frames = len(message.data)
    pauses = sum(pause.seconds for pause in message.pauses if 0 < pause.before < frames)
    spaces = (frames - 1) * times.dead_time
    if method is Method.LOOP:
        return frames * (times.hops + 1) * times.frame + pauses + spaces
    return (frames + reply_frames) * times.frame + pauses + spaces
