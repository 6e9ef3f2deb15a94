"""The values of all checks over all ranges of one message, many at a time.

A search for a check wants to know what each check would be over each range. The values of all ranges that end
with one byte are made from those that end with the byte before it, for all starts and all checks at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from profiles.bench.edges import IntArray
from profiles.checksums import CrcParameters, catalogue_crcs

__all__ = ["CHECKS_8", "CHECKS_16", "RangeValues", "check_names", "range_values"]

CHECKS_8 = ("sum-8", "xor-8", "sum-8-twos", "sum-8-ones", "sum-8-carry-inverted")
"""Checks of one byte that are no CRC, in the order of their columns."""
CHECKS_16 = ("sum-16", "internet-16", "fletcher-16")
"""Checks of two bytes that are no CRC."""


@lru_cache(maxsize=1)
def check_names() -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The checks that are looked for: of one byte, and of two, in the order of their columns."""
    narrow, wide = _crcs(8), _crcs(16)
    return (
        CHECKS_8 + tuple(crc.name for crc in narrow),
        CHECKS_16 + tuple(crc.name for crc in wide),
    )


@dataclass(frozen=True, slots=True)
class RangeValues:
    """What each check is over the ranges that end with one byte."""

    last: int
    """The index of the last byte covered."""
    narrow: IntArray
    """Checks of one byte: a row for each first byte (0 to ``last``), a column for each check."""
    wide: IntArray
    """Checks of two bytes, likewise."""


def range_values(message: bytes, *, firsts: int | None = None) -> Iterator[RangeValues]:
    """What each check is over each range of a message.

    Args:
        message: its bytes.
        firsts: only ranges that begin with one of so many first bytes; by default all.

    Yields:
        The ranges by their last byte, from the first byte of the message on.
    """
    most = len(message) if firsts is None else min(firsts, len(message))
    narrow, wide = _Registers(_crcs(8), most), _Registers(_crcs(16), most)
    sums = np.zeros(most, np.int64)
    xors = np.zeros(most, np.int64)
    words = np.zeros(most, np.int64)
    fletcher = np.zeros((2, most), np.int64)
    places = np.arange(most)
    for last, byte in enumerate(message):
        count = min(last + 1, most)
        sums[:count] += byte
        xors[:count] ^= byte
        # RFC 1071 adds up words: a byte is the high one where it stands at an even place of its range.
        words[:count] += np.where((last - places[:count]) % 2 == 0, byte << 8, byte)
        fletcher[0, :count] = (fletcher[0, :count] + byte) % 255
        fletcher[1, :count] = (fletcher[1, :count] + fletcher[0, :count]) % 255
        total, folded = sums[:count], words[:count]
        own_8 = (total & 0xFF, xors[:count], -total & 0xFF, ~total & 0xFF, ~_folded(total, 0xFF) & 0xFF)
        own_16 = (
            total & 0xFFFF,
            ~_folded(folded, 0xFFFF) & 0xFFFF,
            fletcher[1, :count] << 8 | fletcher[0, :count],
        )
        yield RangeValues(
            last,
            np.column_stack((*own_8, narrow.step(byte, count))),
            np.column_stack((*own_16, wide.step(byte, count))),
        )


def _folded(total: IntArray, full: int) -> IntArray:
    """Sums with each carry added at the bottom."""
    return np.where(total > 0, (total - 1) % full + 1, 0)


@lru_cache(maxsize=2)
def _crcs(width: int) -> tuple[CrcParameters, ...]:
    return tuple(crc for crc in catalogue_crcs() if crc.width == width)


@lru_cache(maxsize=64)
def _table(polynomial: int, width: int, reflected: bool) -> npt.NDArray[np.int64]:
    """What a byte does to the register, for each of the 256 bytes."""
    register: IntArray = np.arange(256, dtype=np.int64)
    if reflected:
        turned = int(f"{polynomial:0{width}b}"[::-1], 2)
        for _ in range(8):
            register = np.where(register & 1, register >> 1 ^ turned, register >> 1)
        return register
    register <<= width - 8
    top, full = 1 << width - 1, (1 << width) - 1
    for _ in range(8):
        register = np.where(register & top, register << 1 ^ polynomial, register << 1) & full
    return register


class _Registers:
    """The registers of CRCs of one width, one row for each first byte of a range."""

    def __init__(self, crcs: tuple[CrcParameters, ...], rows: int) -> None:
        self._width = crcs[0].width
        self._full = (1 << self._width) - 1
        self._xor = np.array([crc.xor_out for crc in crcs], np.int64)
        self._reflected = np.array([crc.reflected for crc in crcs])
        self._tables = np.stack([_table(crc.polynomial, crc.width, crc.reflected) for crc in crcs])
        start = [crc.register_start for crc in crcs]
        self._state = np.tile(np.array(start, np.int64), (rows, 1))
        self._columns = np.arange(len(crcs))

    def step(self, byte: int, count: int) -> IntArray:
        """Take one byte into the first ``count`` rows; gives what the checks now are."""
        state = self._state[:count]
        index = np.where(self._reflected, state & 0xFF, state >> self._width - 8) ^ byte
        rest = np.where(self._reflected, state >> 8, state << 8 & self._full)
        state[:] = rest ^ self._tables[self._columns, index]
        done: IntArray = state ^ self._xor
        return done
