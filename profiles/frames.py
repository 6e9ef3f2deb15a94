"""UART frames: what one character looks like on the line, and how long it takes.

A frame is a start bit, 5 to 9 data bits, an optional parity bit and 1, 1.5 or 2 stop bits. Lengths are
in bit times, times in seconds. Source: any UART data sheet; the table that the tests hold this to is
named there.
"""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass
from functools import lru_cache

from profiles.errors import BadValue

__all__ = ["BitOrder", "FrameFormat", "Parity", "reverse_bits"]

_FORMAT = re.compile(r"([5-9])([NEOMS])(1\.5|1|2)", re.IGNORECASE)


class Parity(enum.Enum):
    """What the parity bit says."""

    NONE = "N"
    """There is no parity bit."""
    EVEN = "E"
    """The ones among the data bits and the parity bit are even in number."""
    ODD = "O"
    """The same, odd in number."""
    MARK = "M"
    """Always 1."""
    SPACE = "S"
    """Always 0."""


class BitOrder(enum.Enum):
    """Which data bit follows the start bit."""

    LSB = "lsb"
    """The least significant, as a UART does it."""
    MSB = "msb"
    """The most significant."""


@dataclass(frozen=True, slots=True)
class FrameFormat:
    """A frame's format, written as ``8N1``: data bits, parity, stop bits."""

    data_bits: int = 8
    parity: Parity = Parity.NONE
    stop_bits: float = 1.0

    @classmethod
    def parse(cls, text: str) -> FrameFormat:
        """Read ``8N1``, ``7E1``, ``5N1.5``; upper or lower case.

        Raises:
            BadValue: the text is no frame format.
        """
        found = _FORMAT.fullmatch(text.strip())
        if not found:
            raise BadValue(
                f"{text!r} is no frame format",
                todo="write data bits 5 to 9, parity N, E, O, M or S, and stop bits 1, 1.5 or 2, such as 8N1",
            )
        data, parity, stop = found.groups()
        return cls(int(data), Parity(parity.upper()), float(stop))

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity.value}{self.stop_bits:g}"

    @property
    def bits(self) -> float:
        """The frame's length in bit times, start and stop bits included."""
        return 1 + self.data_bits + (self.parity is not Parity.NONE) + self.stop_bits

    def time(self, baud: float) -> float:
        """The frame's length in seconds at ``baud`` bits a second."""
        return self.bits / baud

    def parity_bit(self, value: int) -> int | None:
        """The parity bit that goes with ``value``, or None where the format has none."""
        ones = value.bit_count()
        match self.parity:
            case Parity.NONE:
                return None
            case Parity.EVEN:
                return ones & 1
            case Parity.ODD:
                return ~ones & 1
            case Parity.MARK:
                return 1
            case Parity.SPACE:
                return 0

    def cells(self, value: int, order: BitOrder = BitOrder.LSB) -> tuple[tuple[int, float], ...]:
        """The frame's cells in the order of time, idle being 1: pairs of (level, length in bit times).

        Raises:
            BadValue: the value has more bits than the frame.
        """
        if not 0 <= value < 1 << self.data_bits:
            raise BadValue(f"{value:#x} does not fit {self.data_bits} data bits")
        ordered = range(self.data_bits) if order is BitOrder.LSB else reversed(range(self.data_bits))
        cells = [(0, 1.0), *((value >> bit & 1, 1.0) for bit in ordered)]
        parity = self.parity_bit(value)
        if parity is not None:
            cells.append((parity, 1.0))
        cells.append((1, self.stop_bits))
        return tuple(cells)


@lru_cache(maxsize=8)
def _reversal(data_bits: int) -> bytes:
    """A table for bytes.translate that turns the lowest ``data_bits`` of each byte round."""
    return bytes(int(f"{value & ((1 << data_bits) - 1):0{data_bits}b}"[::-1], 2) for value in range(256))


def reverse_bits(data: bytes, data_bits: int = 8) -> bytes:
    """Each byte with its lowest ``data_bits`` bits in reverse; higher bits are cleared.

    A UART sends the least significant bit first; this is how it serves a bus that has it the other way.
    """
    return data.translate(_reversal(data_bits))
