"""A stretch of the line opened up: its waveform in columns, and the cells that it is read in. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from profiles.bench.decoding import DecodedChannel
from profiles.bench.tracing import Trace, trace
from profiles.bench.uart import FrameError
from tui.bench_model import Reader, span_words
from tui.bench_reading import Cell, Reading

__all__ = ["Opened", "Word", "byte_text", "caption", "open_up"]

_MOST_WORDS = 400


@dataclass(frozen=True, slots=True)
class Word:
    """A byte in the opened stretch."""

    byte: int
    text: str
    begin: float
    end: float
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Opened:
    """What is drawn of a stretch."""

    begin: float
    end: float
    """Seconds from the capture's start, of the line that is read."""
    ink: Trace | None
    """The line; None where it has no byte here and the other one has."""
    other: Trace | None
    """What is laid over it."""
    words: tuple[Word, ...]
    chosen: int | None
    """The byte that is looked at."""
    edge: float | None
    """The edge that is looked at."""
    threshold: float | None
    """Where the line changes, between 0 and 1; None where that was not measured."""
    labels: tuple[tuple[float, str], ...]
    """What heights are, such as (1.0, "4.92 V")."""


def open_up(reader: Reader, columns: int) -> Opened:
    """Draw what a reader looks at.

    Args:
        reader: where.
        columns: cells across.
    """
    begin, end = reader.window
    reading, slots, slot = reader.shown, reader.slots, reader.slot
    ink: Trace | None = trace(reading.channel, begin, end, columns)
    other: Trace | None = None
    if slots.other is not None and slot is not None:
        if slot.byte is None:
            ink, other = None, ink
        elif slot.other is not None:
            # Laid over with the start bits of this byte on each other: a receiver begins anew with each.
            late = slots.other.span(slot.other)[0] - slots.reading.span(slot.byte)[0]
            other = trace(slots.other.channel, begin + late, end + late, columns)
    return Opened(
        begin,
        end,
        ink,
        other,
        tuple(_words(reading, begin, end)),
        reader.byte,
        float(reading.edges[reader.edge]) if reader.edge is not None else None,
        _threshold(reading.channel),
        _labels(reading.channel),
    )


def _words(reading: Reading, begin: float, end: float) -> list[Word]:
    found: list[Word] = []
    if not len(reading):
        return found
    byte = reading.at(begin)
    while byte < len(reading) and len(found) < _MOST_WORDS:
        start, stop = reading.span(byte)
        if start >= end:
            break
        if stop > begin:
            found.append(Word(byte, byte_text(reading, byte), start, stop, tuple(reading.cells(byte))))
        byte += 1
    return found


def byte_text(reading: Reading, byte: int) -> str:
    """A byte as it is written; a break in a word."""
    if reading.error(byte) is FrameError.BREAK:
        return "break"
    digits = 3 if reading.frame(byte).data_bits > 8 else 2
    return f"{reading.value(byte):0{digits}X}"


def _threshold(channel: DecodedChannel) -> float | None:
    levels = channel.levels
    if levels is None or not levels.alive:
        return None
    return (levels.threshold - levels.low) / levels.swing


def _labels(channel: DecodedChannel) -> tuple[tuple[float, str], ...]:
    levels = channel.levels
    if levels is None or not levels.alive:
        return ((1.0, "high"), (0.0, "low"))
    unit = channel.channel.unit
    # A level is known to a hundredth of the swing or so: what is less than that is nothing.
    high, low = (0.0 if abs(v) < 0.01 * levels.swing else v for v in (levels.high, levels.low))
    return (1.0, f"{high:.3g} {unit}"), (0.0, f"{low:.3g} {unit}")


def caption(reader: Reader) -> list[tuple[str, str]]:
    """What is looked at, in pieces of (kind, words): ``byte``, ``quiet``, ``wrong``, ``care``."""
    if reader.edge is not None and (reader.zoom > 0 or reader.byte is None):
        return _edge_caption(reader)
    byte = reader.byte
    if byte is None:
        return [("quiet", "no edges, and no bytes")]
    reading = reader.shown
    number, first, stop = reading.burst(byte)
    value, error = reading.value(byte), reading.error(byte)
    told: list[tuple[str, str]] = [("byte", byte_text(reading, byte))]
    if error is FrameError.BREAK:
        begin, end = reading.span(byte)
        told.append(
            ("care", f"a break of {span_words(end - begin)}, {(end - begin) / reading.bit(byte):.1f} bits")
        )
    else:
        letter = f" '{chr(value)}'" if 0x20 <= value < 0x7F else ""
        told.append(("quiet", f"{value}{letter}"))
    told.append(
        (
            "quiet",
            f"byte {byte - first + 1} of {stop - first}, burst {number + 1} of {len(reading.burst_starts)}",
        )
    )
    told.append(("quiet", f"at {span_words(reading.span(byte)[0])}"))
    idle = _idle_before(reader, byte)
    laid = reader.slots.other is not None and reader.slot is not None
    if idle and not laid:
        told.append(("quiet", idle))
    if not len(reading.edges):
        told.append(("care", "drawn from its bits: no waveform was recorded"))
    if error is FrameError.FRAMING:
        told.append(("wrong", "? no stop bit where it should be"))
    elif error is FrameError.PARITY:
        told.append(("wrong", "! the parity bit does not fit"))
    if laid:
        # What is asked of two lines is how they differ: that must not be what there is no room for.
        told[1:1] = [_difference(reader), *([("quiet", idle)] if idle else [])]
    return told


def _idle_before(reader: Reader, byte: int) -> str:
    """The idle line before a byte; of two lines laid over each other that of both."""
    reading, slots = reader.shown, reader.slots
    dead = reading.dead_time(byte)
    if dead is None:
        return ""
    bit = reading.bit(byte)
    if slots.comparison is not None and reading is slots.reading:
        local = reading.place(byte)[1]
        both = next((each for each in slots.comparison.dead_times if each.at == local), None)
        if both is not None:
            sign = "≠" if both.differs else "="
            return f"idle before it {both.original / bit:.1f} {sign} {both.replay / bit:.1f} bits"
    return f"after {dead / bit:.1f} idle bits"


def _difference(reader: Reader) -> tuple[str, str]:
    slot, other = reader.slot, reader.slots.other
    if slot is None or other is None:
        return "quiet", ""
    if slot.byte is None:
        return "wrong", "≠ not in the original"
    if slot.other is None:
        return "wrong", "≠ missing in the replay"
    if byte_text(reader.slots.reading, slot.byte) != byte_text(other, slot.other):
        return "wrong", f"≠ {byte_text(other, slot.other)} in the replay"
    if slot.edge is None:
        return "quiet", "same byte; its edges can't be compared"
    if slot.differs:
        return "wrong", f"≠ an edge is {abs(slot.edge):.3f} bit {'late' if slot.edge > 0 else 'early'}"
    return "quiet", f"edges within {abs(slot.edge):.3f} bit"


def _edge_caption(reader: Reader) -> list[tuple[str, str]]:
    if reader.edge is None:
        return []
    sight = reader.sight(reader.edge)
    told = [
        ("byte", "↗ rises" if sight.rises else "↘ falls"),
        ("quiet", f"edge {sight.number + 1} of {len(reader.shown.edges)}, at {span_words(sight.at)}"),
    ]
    if sight.byte is not None and sight.off is not None:
        way = "late" if sight.off >= 0 else "early"
        told.append(("quiet", f"in {byte_text(reader.shown, sight.byte)} (byte {sight.byte + 1})"))
        told.append(("quiet", f"{abs(sight.off):.3f} bit {way}"))
    if reader.slots.other is not None and reader.slot is not None:
        told.append(_difference(reader))
    begin, end = reader.window
    told.append(("quiet", f"{span_words(end - begin)} across"))
    return told
