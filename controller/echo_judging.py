"""What a byte that came back is: the echo machine's judgements, as plain functions."""

from __future__ import annotations

from controller.echo_script import Script
from controller.records import Reason
from controller.transmission import LineTimes
from profiles.compiled import Meaning
from profiles.model import Confirmation
from profiles.stream import Found

__all__ = ["earliest_echo", "ends_attempt", "odd_frame", "odd_in_settling", "own_frames"]

CLOCKS = 0.98
"""How much earlier than nominal a frame may end: both clocks off by a percent. UARTs tolerate about 2 % each
(ATmega328P data sheet 7810C, table 19-2, recommended error at 8 data bits)."""
LEAST_HOP = 0.95
"""A receiver may hand a byte on in the middle of its stop bit: 9.5 of 10 bit times at 8N1."""

_ENDED_BY = {
    Reason.NO_ECHO: "no-echo",
    Reason.ECHO_STOPPED: "no-echo",
    Reason.ECHO_WRONG: "echo-wrong",
    Reason.COLLISION: "echo-wrong",
    Reason.ECHO_LATE: "echo-late",
    Reason.ECHO_EARLY: "stray",
    Reason.ECHO_DOUBLED: "stray",
    Reason.STRAY: "stray",
}


def ends_attempt(reason: Reason, rules: Confirmation) -> bool:
    """Whether the profile ends an attempt for this reason; what it does not name always does."""
    return reason not in _ENDED_BY or _ENDED_BY[reason] in rules.ends_attempt


def earliest_echo(times: LineTimes, lags: list[float]) -> float:
    """The least lag, in seconds, that the line allows for a frame's echo, given the lags so far."""
    least = CLOCKS * times.frame * (1 + LEAST_HOP * min(times.hops, 1))
    if lags and times.jitter is not None:
        # The ring does not get shorter from one frame to the next.
        least = max(least, min(lags) - times.jitter - times.frame / 2)
    return least


def odd_frame(value: int, script: Script, *, early: bool) -> Reason:
    """What is wrong with a byte that is not the echo of the frame that is out."""
    if value == script.previous:
        return Reason.ECHO_DOUBLED
    if early:
        return Reason.ECHO_EARLY if value == script.expected else Reason.STRAY
    return Reason.ECHO_WRONG


def own_frames(data: bytes, script: Script, heard: int, now: float, frame: float | None) -> int:
    """How many bytes of ``data`` are our own stretch as it goes out.

    Args:
        data: what was read.
        script: what is out.
        heard: frames of the message that were heard before.
        now: when it was read.
        frame: T, to refuse what is sooner than its frame could end; None where that does not matter.
    """
    count = 0
    for value, index in zip(data, range(heard, script.next), strict=False):
        too_soon = frame is not None and now < script.out_at + (index - script.first + 1) * frame * CLOCKS
        if value != script.data[index] or too_soon:
            break
        count += 1
    return count


def odd_in_settling(found: list[Found[Meaning]], last: int) -> tuple[bytes, Reason] | None:
    """The bytes after the last echo that no message explains, and what they are; None where all are."""
    for each in found:
        if each.key is None:
            doubled = each.start == 0 and each.data[0] == last
            return each.data, Reason.ECHO_DOUBLED if doubled else Reason.STRAY
    return None
