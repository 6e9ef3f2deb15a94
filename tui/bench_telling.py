"""What the bench found, in words: the answer in a line, and the evidence for it. Pure."""

from __future__ import annotations

import re

from profiles.bench.comparison import Comparison, Verdict
from profiles.bench.decoding import DecodedChannel, Decoding
from profiles.bench.uart import FrameError
from tui.bench_model import span_words
from tui.bench_reading import Reading

__all__ = ["answer", "comparison_evidence", "comparison_words", "evidence"]

_VERDICTS = {
    Verdict.SAME: "= the same",
    Verdict.DEAD_TIME_DIFFERS: "= the same but for dead time: no mismatch",
    Verdict.DIFFERENT: "≠ they differ",
}


def answer(reading: Reading) -> tuple[str, str]:
    """What the line is, in one line: how it is to be taken (``well``, ``care``, ``wrong``), and the words."""
    fit, order = reading.sure.fit, reading.sure.order
    if fit.refusal:
        return "wrong", f"✗ {fit.refusal}"
    if fit.timing is None:
        return "wrong", "✗ nothing can be told from so little"
    idle = "high" if fit.timing.idle else "low"
    bits = f"{order.word} first" if order.order is not None else "lsb first?"
    bursts, count = len(reading.burst_starts), len(reading)
    counted = f"{count:,} byte{'s' * (count != 1)} in {bursts:,} burst{'s' * (bursts != 1)}"
    if fit.frame is None or fit.baud is None:
        baud = 1 / (fit.timing.bit * reading.sure.segment.edges.tick)
        words = (
            f"? can't be told from so little; shown as a guess: {baud:.5g} {fit.timing.frame}, idle {idle}"
        )
        return "care", f"{words}, {fit.confidence:.0%} sure; {counted}"
    sign = "●" if fit.confidence >= 0.9 else "◌"
    words = f"{sign} {fit.baud:g} {fit.frame}, idle {idle}, {bits} {fit.confidence:.0%} sure; {counted}"
    return "well" if fit.confidence >= 0.9 else "care", words


def evidence(decoding: Decoding, channel: DecodedChannel) -> list[tuple[str, str]]:
    """Names and sentences: what each answer rests on, what fits as well, and what was noticed."""
    part, levels = channel.main, channel.levels
    fit = part.fit
    told = [("taken for", f"{channel.channel.taken_for}; the file is {decoding.capture.kind}")]
    if levels is not None and levels.alive:
        unit = channel.channel.unit
        rest = f"{levels.low:.3g} and {levels.high:.3g} {unit}, noise {levels.noise:.2g} {unit}"
        told.append(("levels", f"{rest}; threshold {levels.threshold:.3g} ± {levels.hysteresis:.2g} {unit}"))
    if fit.refusal:
        told.append(("not told", fit.refusal))
    else:
        told += [
            (name, words)
            for name, words in (
                ("rate", fit.evidence.rate),
                ("idle", fit.evidence.idle),
                ("frame", fit.evidence.frame),
                ("stop bits", fit.evidence.stop),
                ("bit order", part.order.evidence),
            )
            if words
        ]
    told += [
        (
            "or" if not number else "",
            _other(other.baud, str(other.frame), other.idle, other.probability, other.why),
        )
        for number, other in enumerate(fit.alternatives)
    ]
    frames = part.segment.frames
    wrong = [
        f"{count} {error.name.lower()}"
        for error in FrameError
        if error is not FrameError.NONE and (count := int((frames.errors == error).sum()))
    ]
    dropped = frames.glitches + frames.false_starts
    told.append(("errors", f"{', '.join(wrong) or 'none'}; glitches dropped: {dropped}"))
    if len(channel.segments) > 1:
        told += [
            ("from", f"{span_words(each.segment.start)}: {_settings(each.fit.baud, each.fit.frame)}")
            for each in channel.segments
        ]
    told += [("note", note) for note in (*channel.notes, *decoding.capture.notes)]
    if decoding.loop is not None:
        told += [("loop" if not number else "", words) for number, words in enumerate(decoding.loop.text)]
    return told


def _other(baud: float, frame: str, idle: int, probability: float, why: str) -> str:
    return f"{baud:g} {frame}, idle {'high' if idle else 'low'} ({probability:.1%}): {why}"


def _settings(baud: float | None, frame: object) -> str:
    return f"{baud:g} {frame}" if baud is not None and frame is not None else "can't be told"


_BYTE = re.compile(r"\bbyte (\d+)")


def _from_one(reason: str) -> str:
    """A reason whose bytes are counted from 1, as they are everywhere on the screen, and not from 0."""
    return _BYTE.sub(lambda found: f"byte {int(found[1]) + 1}", reason)


def comparison_words(comparison: Comparison) -> tuple[str, str]:
    """The verdict and its figures in a line: how it is to be taken, and the words."""
    told = [_VERDICTS[comparison.verdict]]
    if comparison.reasons:
        told = [f"≠ {_from_one(comparison.reasons[0])}"]
        if len(comparison.reasons) > 1:
            told.append(f"{len(comparison.reasons) - 1} more differences")
    if comparison.bit_ratio is not None:
        told.append(
            f"bit time {100 * (comparison.bit_ratio - 1):+.2f} % of ±{100 * comparison.tolerance.rate:g}"
        )
    if comparison.worst_edge is not None:
        told.append(f"worst edge {comparison.worst_edge:+.3f} of ±{comparison.tolerance.edge:g} bit")
    differing = sum(each.differs for each in comparison.dead_times)
    if differing:
        told.append(f"dead time differs {differing} of {len(comparison.dead_times)} times")
    return ("well" if comparison.matches else "wrong"), "; ".join(told)


def comparison_evidence(comparison: Comparison, bit: float) -> list[tuple[str, str]]:
    """Names and sentences on a comparison: why, how far off, and dead times side by side.

    Args:
        comparison: what came of it.
        bit: a bit time of the original, in seconds.
    """
    told = [("verdict", _VERDICTS[comparison.verdict])]
    told += [("because", _from_one(reason)) for reason in comparison.reasons]
    told += [("note", note) for note in comparison.notes]
    if comparison.bit_ratio is not None:
        off = 100 * (comparison.bit_ratio - 1)
        told.append(
            ("bit time", f"the replay's is {comparison.bit_ratio:.5f} of the original's ({off:+.3f} %)")
        )
    if comparison.worst_edge is not None and comparison.worst_edge_at is not None:
        told.append(
            ("worst edge", f"{comparison.worst_edge:+.3f} bit times, in byte {comparison.worst_edge_at + 1}")
        )
    told.append(("tolerance", comparison.tolerance.source))
    for number, each in enumerate(comparison.dead_times[:200]):
        sign = "≠" if each.differs else "="
        both = f"{each.original / bit:.2f} {sign} {each.replay / bit:.2f} bit times"
        told.append(("idle line" if not number else "", f"before byte {each.at + 1}: {both}"))
    return told
