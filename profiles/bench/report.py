"""A decoding as ``decode`` gives it: one JSON document, or text for a person."""

from __future__ import annotations

import math
from typing import Any

from profiles.bench.decoding import DecodedChannel, DecodedSegment, Decoding
from profiles.bench.line_fit import Alternative
from profiles.bench.loop import Loop
from profiles.bench.uart import FrameError

__all__ = ["as_json", "as_text"]

_LEVEL = {0: "low", 1: "high", None: None}


def as_json(decoding: Decoding) -> dict[str, Any]:
    """The document of ``decode --json``: plain dicts, lists, strings, finite numbers and None."""
    return {
        "file": decoding.file,
        "kind": decoding.capture.kind,
        "notes": list(decoding.capture.notes),
        "channels": [_channel_json(channel) for channel in decoding.channels],
        "loop": None if decoding.loop is None else _loop_json(decoding.loop),
    }


def _channel_json(channel: DecodedChannel) -> dict[str, Any]:
    document = {
        "name": channel.name,
        "taken_for": channel.channel.taken_for,
        "threshold_v": channel.levels.threshold if channel.levels is not None else None,
        **_segment_json(channel.main),
        "notes": list(channel.notes),
    }
    if len(channel.segments) > 1:
        document["segments"] = [
            {"start_s": part.segment.start, "end_s": part.segment.end, **_segment_json(part)}
            for part in channel.segments
        ]
    return document


def _segment_json(part: DecodedSegment) -> dict[str, Any]:
    fit, frames = part.fit, part.segment.frames
    return {
        "idle": _LEVEL[fit.idle],
        "baud": fit.baud,
        "baud_measured": fit.baud_measured,
        "baud_error": _finite(fit.baud_error),
        "frame": str(fit.frame) if fit.frame is not None else None,
        "stop_bits_known": fit.stop_known,
        "bit_order": part.order.word,
        "confidence": round(fit.confidence, 4),
        "why_not": fit.refusal or None,
        "evidence": {
            "rate": fit.evidence.rate,
            "idle": fit.evidence.idle,
            "frame": fit.evidence.frame,
            "stop_bits": fit.evidence.stop,
            "bit_order": part.order.evidence,
        },
        "alternatives": [_alternative_json(other) for other in fit.alternatives],
        "glitches": frames.glitches + frames.false_starts,
        "bursts": _bursts_json(part) if fit.frame is not None else [],
    }


def _alternative_json(other: Alternative) -> dict[str, Any]:
    return {
        "baud": other.baud,
        "idle": _LEVEL[other.idle],
        "frame": str(other.frame),
        "probability": round(other.probability, 4),
        "why": other.why,
    }


def _bursts_json(part: DecodedSegment) -> list[dict[str, Any]]:
    frames = part.segment.frames
    starts, ends, errors = frames.starts.tolist(), frames.ends.tolist(), frames.errors.tolist()
    dead = [None, *frames.dead_times[1:].tolist()]
    words = {error.value: error.word for error in FrameError}
    return [
        {
            "start_s": starts[first],
            "end_s": ends[stop - 1],
            "bytes": [
                {"t_s": starts[i], "value": part.values[i], "dead_time_s": dead[i], "error": words[errors[i]]}
                for i in range(first, stop)
            ],
        }
        for first, stop in part.bursts
    ]


def _loop_json(loop: Loop) -> dict[str, Any]:
    return {
        "from": loop.source,
        "to": loop.target,
        "delay_s": loop.delay,
        "delay_bits": loop.delay_bits,
        "hops": loop.hops,
        "complete": loop.complete,
        "links": [
            {
                "from": link.source,
                "to": link.target,
                "delay_s": link.delay,
                "delay_bits": link.delay_bits,
                "hops": link.hops,
                "hop_latency_s": link.hop_latency,
                "repeated": link.repeated,
                "sent": link.sent,
            }
            for link in loop.links
        ],
        "text": list(loop.text),
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def as_text(decoding: Decoding, *, most_bursts: int | None = None) -> str:
    """A decoding for a person to read; control characters never get out of it.

    Args:
        decoding: what to tell.
        most_bursts: bursts told of each channel; None for all.
    """
    lines = [f"{decoding.file}: {decoding.capture.kind}"]
    lines += [f"  {note}" for note in decoding.capture.notes]
    for channel in decoding.channels:
        lines += ["", *_channel_text(channel, most_bursts)]
    if decoding.loop is not None:
        lines += ["", "The loop", *(f"  {sentence}" for sentence in decoding.loop.text)]
    return "\n".join(lines) + "\n"


def _channel_text(channel: DecodedChannel, most_bursts: int | None) -> list[str]:
    lines = [f"{_plain(channel.name)}  ({_plain(channel.channel.taken_for)})"]
    levels = channel.levels
    if levels is not None and levels.alive:
        unit = channel.channel.unit
        lines.append(
            f"  levels        {levels.low:.3g} and {levels.high:.3g} {unit}, "
            f"noise {levels.noise:.2g} {unit}; "
            f"threshold {levels.threshold:.3g} +- {levels.hysteresis:.2g} {unit}"
        )
    lines += [f"  note          {_plain(note)}" for note in channel.notes]
    for part in channel.segments:
        if len(channel.segments) > 1:
            lines.append(f"  from {part.segment.start:.6g} s to {part.segment.end:.6g} s")
        lines += _segment_text(part, most_bursts)
    return lines


def _segment_text(part: DecodedSegment, most_bursts: int | None) -> list[str]:
    fit = part.fit
    if fit.frame is None or fit.baud is None:
        lines = [f"  {fit.refusal}"] if fit.refusal else ["  the line settings can't be told from so little"]
        if fit.timing is not None and not fit.refusal:
            lines.append(f"  nearest guess {fit.timing.frame} with confidence {fit.confidence:.2f}")
        return lines + _alternatives_text(part)
    evidence = fit.evidence
    lines = [
        f"  settings      {fit.baud:g} {fit.frame}, idle {_LEVEL[fit.idle]}, confidence {fit.confidence:.3f}",
        f"  rate          {evidence.rate}",
        f"  idle          {evidence.idle}",
        f"  frame         {evidence.frame}",
        f"  stop bits     {evidence.stop}",
        f"  bit order     {part.order.word}: {part.order.evidence}",
        *_alternatives_text(part),
    ]
    frames = part.segment.frames
    wrong = {
        error: int((frames.errors == error).sum()) for error in FrameError if error is not FrameError.NONE
    }
    counted = [f"{count} {error.name.lower()}" for error, count in wrong.items() if count]
    dropped = frames.glitches + frames.false_starts
    lines.append(
        f"  frames        {len(frames)} in {len(part.bursts)} bursts; "
        f"errors: {', '.join(counted) or 'none'}; glitches dropped: {dropped}"
    )
    shown = part.bursts if most_bursts is None else part.bursts[:most_bursts]
    lines += [_burst_text(part, burst) for burst in shown]
    if len(shown) < len(part.bursts):
        lines.append(f"  ... and {len(part.bursts) - len(shown)} bursts more")
    return lines


def _alternatives_text(part: DecodedSegment) -> list[str]:
    return [
        f"  or            {other.baud:g} {other.frame}, idle {_LEVEL[other.idle]} "
        f"({other.probability:.1%}): {other.why}"
        for other in part.fit.alternatives
    ]


def _burst_text(part: DecodedSegment, burst: tuple[int, int]) -> str:
    frames = part.segment.frames
    width = 3 if part.fit.frame is not None and part.fit.frame.data_bits > 8 else 2
    marks = {FrameError.FRAMING: "?", FrameError.PARITY: "!", FrameError.BREAK: ""}
    cells = []
    for index in range(*burst):
        error = FrameError(int(frames.errors[index]))
        if error is FrameError.BREAK:
            cells.append(f"<break {frames.break_lengths[index] * 1e6:.4g} us>")
        else:
            cells.append(f"{part.values[index]:0{width}X}{marks.get(error, '')}")
    text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in part.data(burst))
    return f"  {frames.starts[burst[0]]:12.6f} s  {' '.join(cells)}  |{text}|"


def _plain(text: str) -> str:
    """A file's own words without anything that a terminal would act on."""
    return "".join(char if char.isprintable() else "?" for char in text)
