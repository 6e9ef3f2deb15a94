"""Whole numbers as bytes and back: binary, BCD, decimal text, hexadecimal text.

The raw number of a field and its bytes are two views of one thing; everything here works both ways and
never guesses: bytes that are no number of the coding read as None.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, assert_never

from profiles.errors import BadValue

__all__ = ["ANY_BYTE", "HEX_DIGITS", "MOST_TRIED", "Coding", "NumberCoding"]

MOST_TRIED = 4096
"""Where more numbers than these can stand, the bytes of each place are not worked out one by one."""

Coding = Literal["binary", "bcd", "decimal-text", "hex-text"]

ANY_BYTE = frozenset(range(256))
_BCD = frozenset(high << 4 | low for high in range(10) for low in range(10))
_DIGITS = frozenset(b"0123456789")
HEX_DIGITS = frozenset(b"0123456789ABCDEFabcdef")


@dataclass(frozen=True, slots=True)
class NumberCoding:
    """How a whole number is written in ``size`` bytes."""

    size: int
    """Bytes on the wire."""
    coding: Coding = "binary"
    order: Literal["big", "little"] = "big"
    """Which byte (or digit pair, or digit) comes first."""
    signed: bool = False
    """Two's complement; for the binary coding only."""

    @property
    def least(self) -> int:
        """The least number that can be written."""
        return -(1 << (8 * self.size - 1)) if self.signed and self.coding == "binary" else 0

    @property
    def greatest(self) -> int:
        """The greatest number that can be written."""
        match self.coding:
            case "binary":
                return (1 << (8 * self.size - self.signed)) - 1
            case "bcd":
                return int(10 ** (2 * self.size)) - 1
            case "decimal-text":
                return int(10**self.size) - 1
            case "hex-text":
                return (1 << (4 * self.size)) - 1
            case _:
                assert_never(self.coding)

    @property
    def alphabet(self) -> frozenset[int]:
        """The bytes that can stand in any place of it."""
        return {"binary": ANY_BYTE, "bcd": _BCD, "decimal-text": _DIGITS, "hex-text": HEX_DIGITS}[self.coding]

    def write(self, number: int) -> bytes:
        """The number's bytes.

        Raises:
            BadValue: it does not fit.
        """
        if not self.least <= number <= self.greatest:
            raise BadValue(
                f"{number} does not fit {self.size} byte{'s' * (self.size > 1)} of {self.coding}",
                todo=f"the wire takes {self.least} to {self.greatest}",
            )
        match self.coding:
            case "binary":
                return number.to_bytes(self.size, self.order, signed=self.signed)
            case "bcd":
                data = bytes.fromhex(f"{number:0{2 * self.size}d}")
            case "decimal-text":
                data = f"{number:0{self.size}d}".encode("ascii")
            case "hex-text":
                data = f"{number:0{self.size}X}".encode("ascii")
            case _:
                assert_never(self.coding)
        return data if self.order == "big" else data[::-1]

    def read(self, data: bytes) -> int | None:
        """The number that the bytes say, or None where they say none."""
        if self.coding == "binary":
            return int.from_bytes(data, self.order, signed=self.signed)
        if not self.alphabet.issuperset(data):
            return None
        ordered = data if self.order == "big" else data[::-1]
        match self.coding:
            case "bcd":
                return int(ordered.hex())
            case "decimal-text":
                return int(ordered)
            case "hex-text":
                return int(ordered, 16)
            case _:
                assert_never(self.coding)

    def places(self, numbers: frozenset[int] | None = None) -> tuple[frozenset[int], ...]:
        """For each place the bytes that can stand there.

        Args:
            numbers: the numbers that can be written, where they are known and few enough to try each.
        """
        if numbers is None or len(numbers) > MOST_TRIED:
            return (self.alphabet,) * self.size
        return _places(self, numbers)


@lru_cache(maxsize=256)
def _places(coding: NumberCoding, numbers: frozenset[int]) -> tuple[frozenset[int], ...]:
    written = [coding.write(number) for number in numbers]
    if coding.coding == "hex-text":  # read in either case
        written += [data.lower() for data in written]
    return tuple(frozenset(data[place] for data in written) for place in range(coding.size))
