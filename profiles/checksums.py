"""Checks that guard a message: sums, XOR, Fletcher, and the CRCs of the public catalogue by their names.

A check is a function from the bytes that it covers to a whole number of ``size`` bytes. CRCs come from
crccheck, which carries the catalogue of parametrised CRC algorithms; their names are the catalogue's
(``CRC-16/MODBUS``), aliases included, in either case.

Two checks are called LRC in the trade: the two's complement of the sum (Modbus ASCII) and the XOR
(IEC 62056-21, ISO 7816-3). Here each has a name of its own, and ``lrc`` is none.
"""

from __future__ import annotations

import difflib
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, reduce
from operator import xor
from typing import Any

from profiles.errors import NotKnown

__all__ = ["Check", "CrcParameters", "catalogue_crcs", "catalogue_names", "find_check", "own_names"]


@dataclass(frozen=True, slots=True)
class Check:
    """One kind of check."""

    name: str
    """As it was asked for, in the spelling of the catalogue."""
    size: int
    """Bytes of the result."""
    compute: Callable[[bytes], int]
    """From the covered bytes to the check's value."""


@dataclass(frozen=True, slots=True)
class CrcParameters:
    """A CRC of the catalogue by its parameters, its bits going in and out in the same order."""

    name: str
    width: int
    """Bits."""
    polynomial: int
    """Without its highest term, the highest of the others first."""
    initial: int
    reflected: bool
    """Whether the lowest bit of each byte goes in first."""
    xor_out: int

    @property
    def register_start(self) -> int:
        """What the register holds at first, in the order in which it is shifted."""
        return int(f"{self.initial:0{self.width}b}"[::-1], 2) if self.reflected else self.initial


def _internet_sum(data: bytes) -> int:
    """RFC 1071: the ones' complement sum of 16-bit words, high byte first, an odd end padded with zero."""
    padded = data + b"\0" * (len(data) % 2)
    total = sum(padded[0::2]) * 256 + sum(padded[1::2])
    while total > 0xFFFF:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF


def _carry_sum(data: bytes) -> int:
    """LIN 2.x, 2.8.3: the sum with carry, inverted. The carry comes in at the bottom after each byte."""
    total = sum(data)
    while total > 0xFF:
        total = (total & 0xFF) + (total >> 8)
    return ~total & 0xFF


def _fletcher16(data: bytes) -> int:
    first = second = 0
    for byte in data:
        first = (first + byte) % 255
        second = (second + first) % 255
    return second << 8 | first


_OWN: dict[str, Check] = {
    check.name: check
    for check in (
        Check("sum-8", 1, lambda data: sum(data) & 0xFF),
        Check("sum-16", 2, lambda data: sum(data) & 0xFFFF),
        Check("sum-8-ones", 1, lambda data: ~sum(data) & 0xFF),
        Check("sum-8-twos", 1, lambda data: -sum(data) & 0xFF),
        Check("sum-8-carry-inverted", 1, _carry_sum),
        Check("xor-8", 1, lambda data: reduce(xor, data, 0)),
        Check("fletcher-16", 2, _fletcher16),
        Check("adler-32", 4, zlib.adler32),
        Check("internet-16", 2, _internet_sum),
    )
}


@lru_cache(maxsize=1)
def _catalogue() -> dict[str, tuple[str, Any]]:
    """Every catalogue name and alias in upper case -> its principal name and crccheck's class."""
    from crccheck.crc import ALLCRCCLASSES

    known: dict[str, tuple[str, Any]] = {}
    for kind in ALLCRCCLASSES:
        principal, *aliases = kind._names  # noqa: SLF001 -- the only place where crccheck keeps them
        for name in (principal, *aliases):
            known.setdefault(name.upper(), (principal, kind))
    return known


def own_names() -> tuple[str, ...]:
    """The sums, XOR and their like, as a profile names them."""
    return tuple(sorted(_OWN))


def catalogue_names() -> tuple[str, ...]:
    """The principal names of all CRCs of the catalogue, sorted."""
    return tuple(sorted({principal for principal, _ in _catalogue().values()}))


@lru_cache(maxsize=1)
def catalogue_crcs() -> tuple[CrcParameters, ...]:
    """All CRCs of the catalogue whose bits go in and out in the same order, by name."""
    kinds = dict(_catalogue().values())
    return tuple(
        CrcParameters(
            name, kind.width(), kind.poly(), kind.initvalue(), bool(kind.reflect_input()), kind.xor_output()
        )
        for name, kind in sorted(kinds.items())
        if bool(kind.reflect_input()) == bool(kind.reflect_output())
    )


@lru_cache(maxsize=256)
def find_check(name: str) -> Check:
    """The check of that name.

    Raises:
        NotKnown: no check has it; the message offers the nearest names.
    """
    own = _OWN.get(name.lower())
    if own:
        return own
    found = _catalogue().get(name.upper())
    if found is None:
        choices = {other.upper(): other for other in own_names()}
        choices |= {other: principal for other, (principal, _) in _catalogue().items()}
        near = [choices[n] for n in difflib.get_close_matches(name.upper(), choices, n=3)]
        hint = (
            f"did you mean {' or '.join(dict.fromkeys(near))}?"
            if near
            else "see `linewarden profiles checks`"
        )
        raise NotKnown(f"no check is called {name!r}", todo=hint)
    principal, kind = found
    return Check(principal, (kind.width() + 7) // 8, kind.calc)
