"""Bit cells read off a screen by hand, and every frame that they can be.

A person writes down what an oscilloscope shows, a 0 or 1 for each bit time, in the order of time. Whether
the start bit is among them, what the idle level is, how long a frame is and which bit comes first is not
written there, so each reading is given that makes a valid frame of it, and beside them the cells as a plain
number, the way a person reads them (common practice, no source: 0,0,0,0,0,1,0,1 is 05 hex).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

from profiles.errors import BadValue
from profiles.frames import FrameFormat, Parity

__all__ = ["CellReading", "Transcription", "transcribe", "transcription_json", "transcription_text"]

_SEPARATORS = " \t\r\n,;|/.'"
_LEVELS = {"0": 0, "1": 1, "l": 0, "h": 1, "L": 0, "H": 1}
_IDLE_MARKS = "-_iI~"
_IDLE = -1
"""A cell marked as idle line: never part of the data."""
_MOST_CELLS = 4096


@dataclass(frozen=True, slots=True)
class CellReading:
    """One way in which the cells are frames."""

    idle_high: bool
    with_start: bool
    """Whether start bits are among the cells; else they are data (and parity) only."""
    frame: FrameFormat
    stop_shown: bool
    """Whether every stop bit is among the cells; the last may have been left off."""
    lsb_first: tuple[int, ...]
    """The data, least significant bit first as a UART sends it."""
    msb_first: tuple[int, ...]

    @property
    def how(self) -> str:
        """In words."""
        level = "high" if self.idle_high else "low"
        start = "with the start bit" if self.with_start else "data bits only"
        stop = "" if self.stop_shown or not self.with_start else ", the last stop bit not written down"
        return f"{self.frame}, idle {level}, {start}{stop}"


@dataclass(frozen=True, slots=True)
class Transcription:
    """All that some cells can be."""

    cells: str
    """The levels as written, idle marks as -."""
    number: int | None
    """The cells as a plain number, first cell highest; None where idle line is marked among them."""
    readings: tuple[CellReading, ...]
    """The likeliest first."""

    @property
    def number_hex(self) -> str:
        """The plain number in as many hex digits as its cells fill."""
        digits = max(2, -(-len(self.cells) // 4))
        return "" if self.number is None else f"{self.number:0{digits}X}"


def transcribe(
    text: str,
    *,
    idle_high: bool | None = None,
    frame: FrameFormat | None = None,
    with_start: bool | None = None,
) -> Transcription:
    """Give every reading of bit cells.

    Args:
        text: a 0 or 1 (or L or H) for each bit time; ``-`` marks a bit time of idle line; blanks, commas
            and bars may stand between.
        idle_high: the idle level, where it is known.
        frame: the format, where it is known.
        with_start: whether start bits are among the cells, where that is known.

    Raises:
        BadValue: there are no cells, too many, or a sign that is none.
    """
    cells = _cells(text)
    levels = "".join("-" if cell == _IDLE else str(cell) for cell in cells)
    number = None if _IDLE in cells else int(levels, 2)
    found = []
    for high, start, bits, parity in itertools.product(
        (True, False) if idle_high is None else (idle_high,),
        (True, False) if with_start is None else (with_start,),
        (8, 7, 9, 6, 5),
        Parity,
    ):
        line = [cell if cell == _IDLE or high else 1 - cell for cell in cells]
        read = _with_start(line, bits, parity) if start else _data_only(line, bits, parity)
        if read is None:
            continue
        words, stops = read
        for stop in (1.0, 2.0):
            form = FrameFormat(bits, parity, stop)
            if (frame is not None and form != frame) or (
                stop == 2.0 and not (start and stops and min(stops) >= 2)
            ):
                continue
            shown = start and len(stops) == len(words)
            turned = tuple(int(f"{word:0{bits}b}"[::-1], 2) for word in words)
            found.append(CellReading(high, start, form, shown, tuple(words), turned))
    found.sort(key=_oddness)
    return Transcription(levels, number, tuple(found))


def _cells(text: str) -> list[int]:
    cells = []
    for place, char in enumerate(text):
        if char in _LEVELS:
            cells.append(_LEVELS[char])
        elif char in _IDLE_MARKS:
            cells.append(_IDLE)
        elif char not in _SEPARATORS:
            raise BadValue(
                f"{char!r} at place {place + 1} is no bit cell",
                todo="write 0 and 1, and - for a bit time of idle line",
            )
    if not any(cell != _IDLE for cell in cells):
        raise BadValue("there are no bit cells", todo="write 0 and 1 in the order of time, such as 00000101")
    if len(cells) > _MOST_CELLS:
        raise BadValue(
            f"{len(cells)} bit cells are too many", todo=f"give {_MOST_CELLS} at most, or decode a capture"
        )
    return cells


def _with_start(line: list[int], bits: int, parity: Parity) -> tuple[list[int], list[int]] | None:
    """The words, and the idle cells after each frame that has any; None for no frames."""
    words: list[int] = []
    stops: list[int] = []
    at = 0
    while at < len(line) and line[at] != 0:
        at += 1
    while at < len(line):
        length = bits + (parity is not Parity.NONE)
        data = line[at + 1 : at + 1 + length]
        if len(data) < length or _IDLE in data:
            return None
        word = sum(cell << place for place, cell in enumerate(data[:bits]))
        if parity is not Parity.NONE and data[bits] != FrameFormat(bits, parity).parity_bit(word):
            return None
        at += 1 + length
        words.append(word)
        stop = 0
        while at < len(line) and line[at] != 0:
            at += 1
            stop += 1
        if stop:
            stops.append(stop)
        elif at < len(line):
            return None
    # What follows the last frame is idle line and tells nothing of its stop bits.
    return (words, stops) if words else None


def _data_only(line: list[int], bits: int, parity: Parity) -> tuple[list[int], list[int]] | None:
    """The words where start and stop bits are left out, groups parted by idle marks or not at all."""
    length = bits + (parity is not Parity.NONE)
    words = []
    for idle, group in itertools.groupby(line, key=lambda cell: cell == _IDLE):
        if idle:
            continue
        cells = list(group)
        if len(cells) % length:
            return None
        for first in range(0, len(cells), length):
            word = sum(cell << place for place, cell in enumerate(cells[first : first + bits]))
            if parity is not Parity.NONE and cells[first + bits] != FrameFormat(bits, parity).parity_bit(
                word
            ):
                return None
            words.append(word)
    return words, []


def _oddness(reading: CellReading) -> tuple[int, ...]:
    """What sorts a reading behind the others."""
    frame = reading.frame
    return (
        not reading.idle_high,
        frame.parity in (Parity.MARK, Parity.SPACE),
        reading.with_start and not reading.stop_shown,
        (8, 7, 9, 6, 5).index(frame.data_bits),
        frame.parity is not Parity.NONE,
        not reading.with_start,
        int(frame.stop_bits),
    )


def _hex(words: tuple[int, ...], bits: int) -> str:
    return " ".join(f"{word:0{3 if bits > 8 else 2}X}" for word in words)


def transcription_json(transcription: Transcription) -> dict[str, Any]:
    """The document of ``transcribe --json``."""
    return {
        "cells": transcription.cells,
        "number": transcription.number,
        "number_hex": transcription.number_hex or None,
        "readings": [
            {
                "idle": "high" if reading.idle_high else "low",
                "start_bit": reading.with_start,
                "frame": str(reading.frame),
                "stop_bits_shown": reading.stop_shown,
                "lsb_first": list(reading.lsb_first),
                "msb_first": list(reading.msb_first),
            }
            for reading in transcription.readings
        ],
    }


def transcription_text(transcription: Transcription) -> str:
    """All readings for a person."""
    lines = [f"{len(transcription.cells)} cells: {transcription.cells}"]
    if transcription.number is not None:
        lines.append(f"read as a number: {transcription.number_hex} hex, {transcription.number}")
    if not transcription.readings:
        lines.append("they are no UART frame of any format: is a cell missing, or one too many?")
    for reading in transcription.readings:
        bits = reading.frame.data_bits
        lsb, msb = _hex(reading.lsb_first, bits), _hex(reading.msb_first, bits)
        lines.append(f"{reading.how}: {lsb} (least significant bit first), {msb} (most significant first)")
    return "\n".join(lines) + "\n"
