"""What a person gives for a line instead of leaving it to be found: as texts, and for the decoder. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from profiles.bench.decoding import DecodedChannel, DecodeOptions
from profiles.bench.line_fit import Alternative
from profiles.errors import BadValue
from profiles.frames import BitOrder, FrameFormat

__all__ = ["FIELDS", "Field", "joined_gap", "read_options", "readings", "texts_of", "with_reading"]

T = TypeVar("T")

_USUAL = DecodeOptions()
_TIMES = {"": 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}


@dataclass(frozen=True, slots=True)
class Field:
    """A setting as it is asked for."""

    name: str
    label: str
    hint: str


FIELDS = (
    Field("baud", "baud", "found"),
    Field("frame", "frame", "found"),
    Field("idle", "idle", "found"),
    Field("order", "bit order", "found"),
    Field("threshold", "threshold", "found"),
    Field("hysteresis", "hysteresis", "found"),
    Field("gap", "burst gap", "20 bits"),
    Field("interval", "one row", "as read"),
)


def texts_of(options: DecodeOptions) -> dict[str, str]:
    """The settings as texts; what is left to be found is empty."""
    gap = "" if options.burst_gap_bits == _USUAL.burst_gap_bits else f"{options.burst_gap_bits:g}"
    idle = {True: "high", False: "low", None: ""}[options.idle_high]
    return {
        "baud": _number(options.baud),
        "frame": "" if options.frame is None else str(options.frame),
        "idle": idle,
        "order": "" if options.bit_order is None else options.bit_order.value,
        "threshold": _number(options.threshold),
        "hysteresis": _number(options.hysteresis),
        "gap": gap,
        "interval": _number(options.sample_interval),
    }


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.10g}"


def read_options(texts: Mapping[str, str]) -> DecodeOptions:
    """The settings that texts say.

    Raises:
        BadValue: one of them can't be; says which, and what to write.
    """
    given = {name: text.strip() for name, text in texts.items()}
    frame, interval = given.get("frame", ""), given.get("interval", "")
    return DecodeOptions(
        baud=_read(given, "baud", "bits a second, such as 4800"),
        frame=FrameFormat.parse(frame) if frame else None,
        idle_high=_one_of(given, "idle", {"high": True, "low": False}),
        bit_order=_one_of(given, "order", {order.value: order for order in BitOrder}),
        threshold=_read(given, "threshold", "volts, such as 1.4", positive=False),
        hysteresis=_read(given, "hysteresis", "volts, such as 0.2"),
        burst_gap_bits=_read(given, "gap", "bit times, such as 30") or _USUAL.burst_gap_bits,
        sample_interval=_seconds(interval) if interval else None,
    )


def _read(given: Mapping[str, str], name: str, wanted: str, *, positive: bool = True) -> float | None:
    text = given.get(name, "")
    if not text:
        return None
    label = next(field.label for field in FIELDS if field.name == name)
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        raise BadValue(f"{label}: {text!r} is no number", todo=f"write {wanted}, or nothing") from None
    if value != value or abs(value) == float("inf") or (positive and value <= 0):
        raise BadValue(f"{label} can't be {text}", todo=f"write {wanted}, or nothing")
    return value


def _one_of(given: Mapping[str, str], name: str, known: Mapping[str, T]) -> T | None:
    text = given.get(name, "").lower()
    if not text:
        return None
    # One letter is enough, and while it is typed nothing is wrong yet.
    fitting = [value for word, value in known.items() if word.startswith(text)]
    if len(fitting) != 1:
        raise BadValue(f"{text!r} is no such thing", todo=f"write {' or '.join(known)}, or nothing")
    return fitting[0]


def _seconds(text: str) -> float:
    digits = text.rstrip("nmuµs ")
    unit = text[len(digits) :].strip()
    try:
        value = float(digits.replace(",", ".")) * _TIMES[unit]
    except (ValueError, KeyError):
        value = 0.0
    if not 0 < value < float("inf"):
        raise BadValue(f"{text!r} is no time from row to row", todo="write it as 2us, 0.5ms or 1e-6")
    return value


def joined_gap(dead_time: float, bit: float) -> float:
    """The burst gap, in bit times, at which so long an idle line ends no burst yet."""
    return float(f"{1.1 * dead_time / bit:.3g}")


def readings(channel: DecodedChannel) -> list[tuple[str, str]]:
    """What a line can be read as: (key, words); what was found first, then what fits as well."""
    fit = channel.main.fit
    found = "what is found, with nothing given"
    told = [("found", found)]
    if fit.frame is None and fit.timing is not None and not fit.refusal:
        baud = 1 / (fit.timing.bit * channel.main.segment.edges.tick)
        told.append(("guess", f"{baud:.5g} {fit.timing.frame}: the nearest guess, {fit.confidence:.0%} sure"))
    for number, other in enumerate(fit.alternatives):
        idle = "high" if other.idle else "low"
        told.append(
            (str(number), f"{other.baud:g} {other.frame}, idle {idle} ({other.probability:.1%}): {other.why}")
        )
    return told


def with_reading(options: DecodeOptions, channel: DecodedChannel, key: str) -> DecodeOptions:
    """The options with which a line is read as one of its readings."""
    fit = channel.main.fit
    if key == "found":
        return replace(options, baud=None, frame=None, idle_high=None)
    if key == "guess":
        if fit.timing is None:
            return options
        baud = 1 / (fit.timing.bit * channel.main.segment.edges.tick)
        return replace(options, baud=baud, frame=fit.timing.frame, idle_high=bool(fit.timing.idle))
    other: Alternative = fit.alternatives[int(key)]
    return replace(options, baud=other.baud, frame=other.frame, idle_high=bool(other.idle))
