"""What a byte that came back can be: the echo machine's judgements, as plain functions of times and bytes."""

from __future__ import annotations

from controller.echo_script import Script
from controller.records import Reason
from controller.transmission import CLOCKS, LineTimes
from profiles.model import Confirmation

__all__ = ["earliest_echo", "ends_attempt", "own_frames"]

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


def earliest_echo(times: LineTimes) -> float:
    """The least lag, in seconds, that the line allows for a frame's echo.

    Where units are expected, one hop at least: the others may be bypassed, and their number is told by the
    lag. Lags that were measured are no bound: only the line's own time can't be shortened, while a busy
    computer may have lengthened every one of them.
    """
    return CLOCKS * times.frame * times.handed_on * (1 + min(times.hops, 1))


def own_frames(data: bytes, script: Script, place: int, now: float, times: LineTimes | None) -> int:
    """How many bytes of ``data`` are our own stretch as it goes out.

    Args:
        data: what was read.
        script: what is out.
        place: index of the frame that should be heard next.
        now: when it was read.
        times: to refuse what is sooner than its frame could end; None where that does not matter.
    """
    count = 0
    for value, index in zip(data, range(place, script.next), strict=False):
        if value != script.data[index]:
            break
        if times is not None:
            frames = index - script.first + times.handed_on
            if now < script.out_at + CLOCKS * times.frame * frames:
                break
        count += 1
    return count
