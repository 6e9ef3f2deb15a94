"""From a cleared command to a transmission, and from its report to an outcome."""

from __future__ import annotations

from collections.abc import Sequence

from controller.guard import Cleared
from controller.reasons import explain
from controller.records import LagFigures, Outcome
from controller.transmission import LineTimes, Report, Transmission, Verdict, units_answering, wire_time
from profiles.compiled import CompiledProfile, CompiledReply
from profiles.model import Method
from profiles.stream import StreamMatcher
from profiles.template import Message, Reading

__all__ = ["method_for", "middle", "outcome_of", "transmission_for"]


def method_for(cleared: Cleared, profile: CompiledProfile, *, open_line: bool, hears_itself: bool) -> Method:
    """How a command can be confirmed on this bus."""
    if open_line:
        return Method.NONE
    method = profile.confirm.method
    if method is Method.REPLY and not _answered(cleared):
        # Nobody answers what is said to all; what the adapter hears of itself can still be compared.
        return Method.LOCAL if hears_itself else Method.NONE
    return method


def _answered(cleared: Cleared) -> bool:
    """Whether somebody answers: the unit that is addressed, or the only one of a bus without addresses."""
    action = cleared.action
    if action is None or not action.replies:
        return False
    return not cleared.to_all or (not action.send.addressed and len(cleared.units) == 1)


def transmission_for(
    cleared: Cleared, profile: CompiledProfile, message: Message, method: Method, *, hears_itself: bool
) -> Transmission:
    """What the link is to do."""
    action = cleared.action
    replies = action.replies if action is not None and method is Method.REPLY else ()

    def matcher() -> StreamMatcher[CompiledReply]:
        return StreamMatcher([(reply, reply.expect) for reply in replies], burst_gap=profile.line.burst_gap)

    def judge(reply: CompiledReply, reading: Reading) -> Verdict:
        same = all(cleared.values.get(name, value) == value for name, value in reading.values.items())
        if not same or (reading.address is not None and reading.address != cleared.address):
            return Verdict.OTHER
        return Verdict.DONE if reply.spec.means == "done" else Verdict.REFUSED

    return Transmission(
        cleared.command.id,
        message,
        method,
        profile.confirm,
        profile.matcher,
        repeatable=action.spec.repeatable if action is not None else False,
        once=action.send.size if action is not None else None,
        hears_itself=hears_itself,
        replies=matcher if replies else None,
        judge=judge if replies else None,
    )


def outcome_of(
    report: Report, message: Message, method: Method, profile: CompiledProfile, times: LineTimes, utc: float
) -> Outcome:
    """What is told of a transmission.

    Args:
        report: what became of it.
        message: what was to be sent.
        method: how it was to be confirmed.
        profile: by what it was made.
        times: what was known of time on the line when it began.
        utc: UTC seconds now.
    """
    text, look_at = explain(report, method, profile.line.format, profile.line.order)
    loop = method is Method.LOOP
    lags = [lag * 1000 for lag in report.lags]
    figures = None
    if loop and lags:
        lags.sort()
        figures = LagFigures(round(lags[0], 3), round(middle(lags), 3), round(lags[-1], 3))
    took = None
    if report.began is not None and report.ended is not None:
        took = round((report.ended - report.began) * 1000, 3)
    reply_frames = report.reply.expect.size if report.reply else 0
    return Outcome(
        report.id,
        report.result,
        report.reason,
        text,
        look_at,
        frames=report.frames,
        echoed=report.echoed,
        failed_at=report.failed_at,
        expected=report.expected,
        got=report.got,
        attempts=report.attempts if report.began is not None else 0,
        took_ms=took,
        wire_ms=round(wire_time(message, method, times, reply_frames) * 1000, 3),
        lag_ms=figures,
        units_answering=_units(report.lags, times) if loop and report.result.good else None,
        values=dict(report.reading.values) if report.reading else {},
        at=utc,
    )


def middle(ordered: Sequence[float]) -> float:
    """The median of numbers in their order."""
    return (ordered[len(ordered) // 2] + ordered[(len(ordered) - 1) // 2]) / 2


def _units(lags: list[float], times: LineTimes) -> int | None:
    """How many units answered; None where this command's own lags show that it can't be told.

    What the adapter adds is known beforehand; what this computer adds, while it is busy, is not. Half of the
    lags far above the least one say that it was, and then the least one may be late as well.
    """
    ordered = sorted(lags)
    if not ordered or middle(ordered) - ordered[0] > times.frame / 3:
        return None
    return units_answering(lags, times)
