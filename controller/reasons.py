"""What each reason means and what to look at first, in words for the person at the rack."""

from __future__ import annotations

from controller.records import Reason, Result
from controller.transmission import Report
from profiles.frames import FrameFormat
from profiles.model import Method

__all__ = ["explain"]


_FIXED: dict[Reason, tuple[str, str]] = {
    Reason.NO_ECHO: (
        "nothing came back: the ring is open before its end, or the first unit does not repeat",
        "the cables round the ring, from the adapter and back, and whether every unit has its mains",
    ),
    Reason.ECHO_STOPPED: (
        "the echo stopped: {echoed} of {frames} frames came back, then {at} did not",
        "the unit that was switched or unplugged last: one has stopped repeating in mid-message",
    ),
    Reason.ECHO_LATE: (
        "the echo of {at} came, but later than the profile allows",
        "whether a unit was added or has become slow, and `timeout_ms` in the profile's [confirm]",
    ),
    Reason.ECHO_EARLY: (
        "{at} came back sooner than the line can carry it, so it was not round the ring",
        "whether the adapter hears itself (a shared line, not a ring), or input and output touch",
    ),
    Reason.ECHO_DOUBLED: (
        "{at} came back twice",
        "whether two units, or this computer with `pass_on`, repeat the same frame",
    ),
    Reason.STRAY: (
        "bytes came that nobody here sent ({stray})",
        "whether another sender or noise is on the line",
    ),
    Reason.COLLISION: (
        "{at} was not heard as it was sent ({bytes}): somebody else sent at the same time",
        "which other sender is on this line; a retry follows where the profile allows it",
    ),
    Reason.LINE_BUSY: (
        "the line never fell quiet, so nothing was sent",
        "what keeps sending: a unit, a remote, or an adapter with wrong line settings",
    ),
    Reason.NO_REPLY: (
        "the message went out, and no answer came",
        "whether the unit has its mains, its address, and the two wires of the line",
    ),
    Reason.BAD_REPLY: (
        "something came back that is no answer ({stray})",
        "line settings and check in the profile, and whether two units have one address",
    ),
    Reason.CANCELLED: ("taken back before it was through", ""),
    Reason.LISTEN_ONLY: (
        "this bus is a tap: nothing is ever written to it",
        "`topology` in the site file",
    ),
}


def explain(report: Report, method: Method, frame: FrameFormat) -> tuple[str, str]:
    """One sentence that says what happened, and what to look at first.

    Args:
        report: what became of the transmission.
        method: how it was to be confirmed.
        frame: the line's frame format, for telling wrong line settings from noise.
    """
    at = f"frame {report.failed_at + 1} of {report.frames}" if report.failed_at is not None else "a frame"
    match report.reason:
        case None:
            return _good(report, method), ""
        case Reason.NO_ECHO if method is not Method.LOOP:
            return (
                "the adapter did not hear what it sent",
                "whether the adapter is connected to the line and hears itself (`hears_itself`)",
            )
        case Reason.ECHO_WRONG:
            return _wrong(report, at, frame)
        case Reason.REFUSED_BY_UNIT:
            return f"the unit refused: {_refusal(report)}", "the unit's own display or manual"
        case Reason.LINK_LOST:
            return (
                "the adapter is not there" if report.began is None else f"the adapter went away at {at}",
                "the adapter's plug and cable, and its port's name in the site file",
            )
        case reason if reason in _FIXED:
            text, look_at = _FIXED[reason]
            stray = report.stray[:8].hex(" ").upper()
            given = {"at": at, "echoed": report.echoed, "frames": report.frames, "stray": stray}
            return text.format(bytes=_bytes(report), **given), look_at
        case _:
            return "a fault of this program; its log says more", "the log of the controller"


def _good(report: Report, method: Method) -> str:
    match report.result:
        case Result.CONFIRMED if method is Method.LOOP:
            return f"all {report.frames} frames came back round the ring"
        case Result.CONFIRMED:
            return f"all {report.frames} frames were heard on the line as they were sent"
        case Result.ANSWERED:
            return "the unit answered"
        case _:
            return f"{report.frames} frames sent; nothing on this line can confirm them"


def _bytes(report: Report) -> str:
    if report.expected is None or report.got is None:
        return "bytes differ"
    return f"{report.expected:02X} sent, {report.got:02X} came"


def _wrong(report: Report, at: str, frame: FrameFormat) -> tuple[str, str]:
    """Noise, a collision and wrong line settings leave different marks."""
    text = f"{at} came back wrong ({_bytes(report)})"
    if report.expected is None or report.got is None:
        return text, "noise on the line, or another sender"
    different = report.expected ^ report.got
    if different.bit_count() == 1 and not _looks_like_parity(report.expected, different, frame):
        return f"{text}: one bit differs, as noise does it", "screens, grounds and cable length"
    if _looks_like_parity(report.expected, different, frame):
        return (
            f"{text}: only the top bit differs, as with parity that one side has and the other has not",
            "data bits and parity in the profile's [line]",
        )
    if report.got == ~report.expected & ((1 << frame.data_bits) - 1):
        return f"{text}: all bits are turned round", "`idle` in the profile's [line], and any inverter"
    if report.got in (0x00, 0xFF, 0xF8, 0x80, 0xE0, 0xFE, 0xFC, 0xC0):
        return (
            f"{text}: a row of equal bits, as wrong line settings or a shorted line leave it",
            "baud, parity and `idle` in the profile's [line]; then the wiring",
        )
    return (
        f"{text}: several bits differ",
        "whether another sender spoke at the same time, then baud and frame in the profile's [line]",
    )


def _looks_like_parity(expected: int, different: int, frame: FrameFormat) -> bool:
    return different == 0x80 and frame.data_bits == 8 and expected < 0x80 and expected.bit_count() % 2 == 1


def _refusal(report: Report) -> str:
    if report.reply is None:
        return "it gave no reason"
    text = report.reply.spec.why or "it gave no reason"
    for name, value in (report.reading.values if report.reading else {}).items():
        text = text.replace("{" + name + "}", str(value))
    return text
