"""What each reason means and what to look at first, in words for the person at the rack."""

from __future__ import annotations

from controller.line_marks import Mark, mark_of
from controller.records import Reason, Result
from controller.transmission import Report
from profiles.frames import BitOrder, FrameFormat
from profiles.model import Method

__all__ = ["explain"]

_ANY: dict[Reason, tuple[str, str]] = {
    Reason.NO_ECHO: (
        "the adapter did not hear what it sent",
        "the adapter's plugs, its direction switching (`rs485`), and if it hears itself (`hears_itself`)",
    ),
    Reason.ECHO_STOPPED: (
        "the adapter heard {echoed} of the {frames} that it sent, and then no more",
        "loose plugs at the adapter, and its direction switching (`rs485` in the site file)",
    ),
    Reason.ECHO_LATE: (
        "{at} was heard, but only {late}",
        "what holds the adapter up: a network on the way to it, or a busy computer",
    ),
    Reason.ECHO_EARLY: (
        "{at} was heard sooner than the line can carry it",
        "baud in the profile's [line], and whether the adapter echoes by itself, without the line",
    ),
    Reason.ECHO_DOUBLED: (
        "{at} was heard twice ({got})",
        "whether a second adapter or program sends the same on this line",
    ),
    Reason.STRAY: (
        "bytes came that nobody here sent ({stray}), at {at}",
        "who else speaks on this line, and noise: `linewarden listen` shows what comes",
    ),
    Reason.COLLISION: (
        "{at} was heard wrong ({bytes}): somebody else sent at the same time",
        "who else may send on this line; then its two wires and its termination",
    ),
    Reason.LINE_BUSY: (
        "the line was never quiet for long enough, so nothing was sent",
        "what keeps talking (`linewarden listen` shows it): a unit, a remote, or noise on an open input",
    ),
    Reason.NO_REPLY: (
        "the message went out, and no answer came",
        "whether the unit has its mains, its address, and the two wires of the line (swapped?)",
    ),
    Reason.BAD_REPLY: (
        "what came back is no answer to this ({stray})",
        "whether two units have one address; then baud, frame and checks in the profile",
    ),
    Reason.LISTEN_ONLY: (
        "this bus is a tap: nothing is ever written to it",
        "`topology` in the site file",
    ),
}
"""What is said whatever the confirmation, unless the next table knows better."""

_OF_METHOD: dict[tuple[Method, Reason], tuple[str, str]] = {
    (Method.LOOP, Reason.NO_ECHO): (
        "nothing came back: the ring is open somewhere, or a unit in it has no mains",
        "the cables all the way round, out of the adapter and back into it, and the mains of every unit",
    ),
    (Method.LOOP, Reason.ECHO_STOPPED): (
        "{echoed} of {frames} came back, then the echo stopped: {at} got lost on the way",
        "a unit that was switched off or unplugged just now, then plugs that sit loosely",
    ),
    (Method.LOOP, Reason.ECHO_LATE): (
        "{at} came back, but only {late}",
        "a slow or an added unit, a busy computer; if it must be so, `timeout_ms` in the profile's [confirm]",
    ),
    (Method.LOOP, Reason.ECHO_EARLY): (
        "{at} came back sooner than the ring can carry it, so it was not round the ring",
        "whether the adapter's output reaches its input past the ring: do wires touch, does it hear itself?",
    ),
    (Method.LOOP, Reason.ECHO_DOUBLED): (
        "{at} came back twice ({got})",
        "what repeats it once more: two units side by side on one wire, or a computer with `pass_on`",
    ),
    (Method.REPLY, Reason.ECHO_EARLY): (
        "what came back is our own message, and no answer",
        "`hears_itself = true` for this bus in the site file; then whether the unit has its mains",
    ),
}

_MARKS: dict[Mark, tuple[str, str]] = {
    Mark.ONE_BIT: (
        "one bit differs, as noise does it",
        "screens, grounds and cable length; then a unit whose output has become weak",
    ),
    Mark.CLEARED: (
        "as if two had sent at once, and every 0 had won",
        "who else may send into the ring; then baud and frame in the profile's [line]",
    ),
    Mark.SET: (
        "as if two had sent at once, and every 1 had won",
        "who else may send into the ring; then baud and frame in the profile's [line]",
    ),
    Mark.SEVERAL: (
        "several bits differ: noise, or somebody else sent at the same time",
        "who else may send into the ring, then screens and grounds",
    ),
    Mark.TURNED: (
        "as an inverted line leaves it",
        "`idle` in the profile's [line], and any level converter on the way",
    ),
    Mark.PARITY: (
        "as when the two sides differ in data bits or parity",
        "`frame` in the profile's [line]; if other actions get through, noise: screens and grounds",
    ),
    Mark.FASTER: (
        "as when the other side runs at a higher rate",
        "`baud` in the profile's [line]; if other actions get through, noise: screens and grounds",
    ),
    Mark.SLOWER: (
        "as when the other side runs at a lower rate",
        "`baud` in the profile's [line]; if other actions get through, noise: screens and grounds",
    ),
    Mark.SETTINGS: (
        "as wrong line settings leave it",
        "`baud`, `frame` and `idle` in the profile's [line]; if other actions get through, noise",
    ),
}


def explain(
    report: Report, method: Method, frame: FrameFormat, order: BitOrder = BitOrder.LSB
) -> tuple[str, str]:
    """One sentence that says what happened, and what to look at first.

    Args:
        report: what became of the transmission.
        method: how it was to be confirmed.
        frame: the line's frame format, for telling wrong line settings from noise.
        order: the line's bit order, for the same.
    """
    match report.reason:
        case None:
            return _good(report, method)
        case Reason.CANCELLED:
            return _taken_back(report)
        case Reason.ECHO_WRONG:
            text, look_at = _wrong(report, frame, order)
        case Reason.REFUSED_BY_UNIT:
            text, look_at = f"the unit refused: {_refusal(report)}", "the unit's own display, or its manual"
        case Reason.LINK_LOST:
            text, look_at = _link_lost(report), "the adapter's plug and cable, and `port` in the site file"
        case reason if reason in _ANY:
            text, look_at = _OF_METHOD.get((method, reason), _ANY[reason])
            text = text.format(
                at=_at(report),
                bytes=_bytes(report),
                echoed=report.echoed,
                frames=_count(report.frames),
                got="a byte" if report.got is None else f"{report.got:02X}",
                late=_late(report),
                stray=_stray(report),
            )
        case _:
            text, look_at = "a fault of this program, and none of the line", "the controller's log"
    if report.result is Result.CANCELLED:
        text = f"taken back after an attempt had failed: {text}"
    return text, look_at


def _good(report: Report, method: Method) -> tuple[str, str]:
    again = f", at attempt {report.attempts}" if report.attempts > 1 else ""
    frames = _count(report.frames)
    match report.result:
        case Result.CONFIRMED if method is Method.LOOP:
            return f"{_all(report.frames)} came back round the ring{again}", ""
        case Result.CONFIRMED:
            return f"{_all(report.frames)} heard on the line as sent{again}", ""
        case Result.ANSWERED:
            return f"the unit answered{again}", ""
        case _ if method in (Method.LOOP, Method.LOCAL):
            return (
                f"{frames} sent, and {report.echoed} came back right; the profile does without the others",
                "`ends_attempt` in the profile's [confirm], which names what may not be missing",
            )
        case _:
            return f"{frames} sent; nothing on this line can confirm them", ""


def _taken_back(report: Report) -> tuple[str, str]:
    if not report.failed_at:
        return "taken back before anything was sent", "nothing: it can be asked for again"
    return (
        f"taken back when {report.failed_at} of {_count(report.frames)} were out",
        "whether the unit took the part that it was sent",
    )


def _link_lost(report: Report) -> str:
    if report.began is None:
        return "the adapter is not there, so nothing was sent"
    if report.failed_at is None:
        return "the adapter went away when all was sent, before that was known to be right"
    return f"the adapter went away at {_at(report)}"


def _wrong(report: Report, frame: FrameFormat, order: BitOrder) -> tuple[str, str]:
    """Noise, a collision and wrong line settings leave different marks."""
    text = f"{_at(report)} came back wrong ({_bytes(report)})"
    if report.expected is None or report.got is None:
        return text, "noise on the line, or another sender"
    mark = mark_of(report.expected, report.got, frame, order, settled=report.echoed > 0)
    meaning, look_at = _MARKS[mark]
    return f"{text}: {meaning}", look_at


def _refusal(report: Report) -> str:
    why = report.reply.spec.why if report.reply is not None else ""
    if not why:
        return "it gave no reason"
    for name, value in (report.reading.values if report.reading is not None else {}).items():
        why = why.replace("{" + name + "}", str(value))
    return why


# Words


def _count(frames: int) -> str:
    return "1 frame" if frames == 1 else f"{frames} frames"


def _all(frames: int) -> str:
    return "the one frame" if frames == 1 else f"all {frames} frames"


def _at(report: Report) -> str:
    return "a frame" if report.failed_at is None else f"frame {report.failed_at + 1} of {report.frames}"


def _bytes(report: Report) -> str:
    if report.expected is None or report.got is None:
        return "another byte than was sent"
    return f"{report.expected:02X} sent, {report.got:02X} came"


def _late(report: Report) -> str:
    if report.late is None:
        return "when the next attempt was under way"
    return f"{report.late * 1000:.0f} ms after it was sent, which is later than the profile allows"


def _stray(report: Report) -> str:
    shown = report.stray[:8].hex(" ").upper()
    return f"{shown} ..." if len(report.stray) > 8 else shown or "bytes"
