"""What a wrong echo looks like: noise, another sender and wrong line settings leave different marks.

Each way of going wrong is worked out on the frame's own cells: what would a receiver with other settings read
of it, and what would we read of that if it came back in those settings? Pure arithmetic; no bus, no report.
"""

from __future__ import annotations

import enum
from functools import lru_cache

from profiles.frames import BitOrder, FrameFormat, Parity

__all__ = ["Mark", "mark_of"]


class Mark(enum.Enum):
    """What a wrong byte points to."""

    ONE_BIT = enum.auto()
    """A single bit differs: noise."""
    CLEARED = enum.auto()
    """Bits are 0 that were sent as 1, and none the other way: two senders, of whom the 0 wins."""
    SET = enum.auto()
    """The same with 1."""
    SEVERAL = enum.auto()
    """Bits differ both ways."""
    TURNED = enum.auto()
    """All bits are turned round, or it is what an inverted line makes of the frame."""
    PARITY = enum.auto()
    """It is what other data bits or another parity make of it."""
    FASTER = enum.auto()
    """It is what the other side makes of it at a higher rate than ours."""
    SLOWER = enum.auto()
    """It is what it makes of it at a lower rate."""
    SETTINGS = enum.auto()
    """It is what more than one of these wrong settings make of it."""


_RATIOS = (2.0, 4.0, 8.0, 1.5, 3.0, 6.0)
"""Between neighbours among the usual rates: 9600 to 19200, 4800, 1200, 14400, 28800, 57600."""
_SHAPES = (
    (8, Parity.NONE),
    (8, Parity.EVEN),
    (8, Parity.ODD),
    (7, Parity.EVEN),
    (7, Parity.ODD),
    (7, Parity.NONE),
)


def mark_of(expected: int, got: int, frame: FrameFormat, order: BitOrder, *, settled: bool) -> Mark:
    """What ``got`` in the place of ``expected`` points to.

    Args:
        expected: the byte that was sent.
        got: the byte that came; not the same one.
        frame: our frame format.
        order: our bit order.
        settled: whether other frames came back right: then the rate and the line's idle level are.
    """
    if not settled:
        marks = [mark for mark, bytes_read in _misread(expected, frame, order) if got in bytes_read]
        if marks:
            return marks[0] if len(marks) == 1 else Mark.SETTINGS
    elif got in _other_shapes(expected, frame, order):
        return Mark.PARITY
    different = expected ^ got
    if different.bit_count() == 1:
        return Mark.ONE_BIT
    if got & ~expected == 0:
        return Mark.CLEARED
    return Mark.SET if expected & ~got == 0 else Mark.SEVERAL


@lru_cache(maxsize=256)
def _misread(value: int, frame: FrameFormat, order: BitOrder) -> tuple[tuple[Mark, frozenset[int]], ...]:
    """What each kind of wrong line settings can make of a frame, but for its own value."""
    turned = _there_and_back(value, (frame, frame), order, turned=1)
    turned.add(~value & ((1 << frame.data_bits) - 1))
    slower, faster = set[int](), set[int]()
    for ratio in _RATIOS:
        slower |= _there_and_back(value, (frame, frame), order, rate=1 / ratio)
        faster |= _there_and_back(value, (frame, frame), order, rate=ratio)
    return (
        (Mark.PARITY, _other_shapes(value, frame, order)),
        (Mark.TURNED, frozenset(turned - {value})),
        (Mark.SLOWER, frozenset(slower - {value})),
        (Mark.FASTER, frozenset(faster - {value})),
    )


@lru_cache(maxsize=256)
def _other_shapes(value: int, frame: FrameFormat, order: BitOrder) -> frozenset[int]:
    """What other data bits and parities can make of a frame, but for its own value."""
    read: set[int] = set()
    for data_bits, parity in _SHAPES:
        read |= _there_and_back(value, (frame, FrameFormat(data_bits, parity)), order)
    return frozenset(read - {value})


def _there_and_back(
    value: int,
    formats: tuple[FrameFormat, FrameFormat],
    order: BitOrder,
    *,
    rate: float = 1.0,
    turned: int = 0,
) -> set[int]:
    """What a frame becomes on its way: as the other side reads it, and as we read that again.

    Args:
        value: what we send.
        formats: our frame format and the other side's.
        order: the bit order of both.
        rate: the other side's bit rate in terms of ours.
        turned: 1 where the line between is inverted.
    """
    ours, theirs = formats
    there = _read(ours.cells(value, order), (1.0, 1 / rate), theirs, order, turned)
    back = _read(theirs.cells(there, order), (1 / rate, 1.0), ours, order, turned)
    return {there & 0xFF, back & 0xFF}


def _read(
    cells: tuple[tuple[int, float], ...],
    bits: tuple[float, float],
    frame: FrameFormat,
    order: BitOrder,
    turned: int,
) -> int:
    """What a receiver makes of a frame's cells.

    It looks at the middle of each of its bits, counted from the first edge to 0, as a UART does. There always
    is one: at the start bit, or on an inverted line where the stop bit begins at the latest.

    Args:
        cells: the frame as it is sent.
        bits: the sender's bit time and the receiver's.
        frame: the receiver's frame format.
        order: its bit order.
        turned: 1 where the line between is inverted.
    """
    sent_bit, bit = bits
    edges: list[tuple[float, int]] = []
    at, level = 0.0, 1 ^ turned
    for sent, length in cells:
        if sent ^ turned != level:
            level = sent ^ turned
            edges.append((at, level))
        at += length * sent_bit
    start = next(edge for edge, now in edges if now == 0)
    value = 0
    for place in range(frame.data_bits):
        when = start + (place + 1.5) * bit
        seen = next(now for edge, now in reversed(edges) if edge <= when)
        value |= seen << (place if order is BitOrder.LSB else frame.data_bits - 1 - place)
    return value
