"""Every check over every range of a message that is right there, as whole numbers that can be intersected.

A key holds the check, how it is written, where its range begins and ends and where it stands. Messages of
several lengths have a check in the same place counted from their start or from their end.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from profiles.bench.check_values import check_names, range_values
from profiles.bench.edges import FloatArray, IntArray

__all__ = [
    "BIG",
    "FORMS",
    "HEX_BIG",
    "HEX_LITTLE",
    "LITTLE",
    "Anchor",
    "Form",
    "Place",
    "hits",
    "hypothesis_share",
    "unpacked",
]

BIG, LITTLE, HEX_BIG, HEX_LITTLE = range(4)


@dataclass(frozen=True, slots=True)
class Form:
    """A way in which a check is written."""

    bytes_each: int
    """Bytes in the message for each byte of the check."""

    def size(self, check_size: int) -> int:
        """Bytes that a check of so many takes."""
        return self.bytes_each * check_size


FORMS = (Form(1), Form(1), Form(2), Form(2))

_LONG = 96
"""In longer messages only ranges that begin, and checks that stand, near an end are looked for."""
_NEAR = 16
_PLACE = 10
_MASK = (1 << _PLACE) - 1


class Anchor(enum.Enum):
    """From where the range's end and the check's place are counted."""

    START = "start"
    END = "end"


@dataclass(frozen=True, slots=True)
class Place:
    """What a check covers and where it stands, in messages of any length."""

    anchor: Anchor
    first: int
    """Index of the first byte covered."""
    last: int
    """Index of the last byte covered, counted from the anchor: from the end, 0 is the last byte."""
    at: int
    """Index of the check's first byte, counted from the anchor."""

    def covered(self, length: int, size: int) -> tuple[int, int] | None:
        """First and last index covered in a message so long; None where range or check don't fit in."""
        last = self.last if self.anchor is Anchor.START else length - 1 - self.last
        at = self.position(length)
        inside = 0 <= self.first < last < length and at >= 0 and at + size <= length
        return (self.first, last) if inside and (at > last or at + size <= self.first) else None

    def position(self, length: int) -> int:
        """The index of the check's first byte in a message so long."""
        return self.at if self.anchor is Anchor.START else length - 1 - self.at

    @property
    def text(self) -> str:
        """In words."""
        if self.anchor is Anchor.START:
            return f"over bytes {self.first} to {self.last}, at byte {self.at}"
        if self.last == self.at + 1:
            return f"over byte {self.first} to the byte before it"
        return f"over byte {self.first} to the {_from_end(self.last)} byte"


def _from_end(count: int) -> str:
    return "last" if count == 0 else f"last but {count}"


def hits(message: bytes, anchors: tuple[Anchor, ...]) -> dict[Anchor, IntArray]:
    """The keys of all checks that are right in a message, for each anchor."""
    length = len(message)
    near = length > _LONG
    data = np.frombuffer(message, np.uint8).astype(np.int64)
    digits = _hex_values(data)
    narrow_targets = (data, None, _joined(digits, 2), None)
    pairs = data[:-1] << 8 | data[1:]
    wide_targets = (
        pairs,
        data[1:] << 8 | data[:-1],
        _joined(digits, 4),
        _swapped(_joined(digits, 4)),
    )
    narrow_count = len(check_names()[0])
    found: list[IntArray] = []
    for values in range_values(message, firsts=_NEAR if near else None):
        if values.last < 1:
            continue
        for table, targets, offset, check_size in (
            (values.narrow, narrow_targets, 0, 1),
            (values.wide, wide_targets, narrow_count, 2),
        ):
            for form, target in enumerate(targets):
                if target is not None and len(target):
                    size = FORMS[form].size(check_size)
                    found.append(_hits(table, target, values.last, (offset, form, size), near))
    keys = np.concatenate(found) if found else np.empty((0, 5), np.int64)
    return {anchor: _packed(keys, anchor, length) for anchor in anchors}


def _hits(table: IntArray, target: IntArray, last: int, about: tuple[int, int, int], near: bool) -> IntArray:
    """Rows of (check, form, first, last, at) where a check's value stands in the message."""
    offset, form, size = about
    places = np.arange(len(target))
    usable = target >= 0
    if near:
        usable &= (places < _NEAR) | (places >= len(target) - _NEAR)
    places = places[usable]
    first, column, index = np.nonzero(table[:, :, None] == target[places])
    at = places[index]
    good = (first < last) & ((at > last) | (at + size <= first))
    first, column, at = first[good], column[good], at[good]
    rows = np.empty((len(first), 5), np.int64)
    rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3], rows[:, 4] = column + offset, form, first, last, at
    return rows


def _hex_values(data: IntArray) -> IntArray:
    """What each byte says as an upper-case hexadecimal digit; -1 where it is none."""
    values = np.full(256, -1, np.int64)
    for value, digit in enumerate(b"0123456789ABCDEF"):
        values[digit] = value
    return values[data]


def _joined(digits: IntArray, count: int) -> IntArray:
    """Numbers of so many digits that begin at each place; -1 where there is none."""
    places = len(digits) - count + 1
    if places <= 0:
        return np.empty(0, np.int64)
    number = np.zeros(places, np.int64)
    known = np.ones(places, bool)
    for place in range(count):
        part = digits[place : place + places]
        known &= part >= 0
        number = number << 4 | np.maximum(part, 0)
    return np.where(known, number, -1)


def _swapped(words: IntArray) -> IntArray:
    return np.where(words >= 0, (words & 0xFF) << 8 | words >> 8, -1)


def _packed(rows: IntArray, anchor: Anchor, length: int) -> IntArray:
    last, at = rows[:, 3], rows[:, 4]
    if anchor is Anchor.END:
        last, at = length - 1 - last, length - 1 - at
    key = rows[:, 0]
    for part, bits in ((rows[:, 1], 2), (rows[:, 2], _PLACE), (last, _PLACE), (at, _PLACE)):
        key = key << bits | part
    return key


def unpacked(key: int, anchor: Anchor) -> tuple[int, int, Place]:
    """The check's number, its form, and its place."""
    at, last, first = key & _MASK, key >> _PLACE & _MASK, key >> 2 * _PLACE & _MASK
    form = key >> 3 * _PLACE & 3
    return key >> 3 * _PLACE + 2, form, Place(anchor, first, last, at)


_SHARES = {
    "sum-8": 0.12,
    "xor-8": 0.12,
    "sum-8-twos": 0.08,
    "sum-8-ones": 0.05,
    "sum-8-carry-inverted": 0.05,
    "sum-16": 0.05,
    "internet-16": 0.01,
    "fletcher-16": 0.02,
    "CRC-8/SMBUS": 0.04,
    "CRC-8/MAXIM-DOW": 0.04,
    "CRC-16/MODBUS": 0.06,
    "CRC-16/XMODEM": 0.05,
    "CRC-16/IBM-3740": 0.05,
    "CRC-16/ARC": 0.04,
    "CRC-16/KERMIT": 0.03,
    "CRC-16/IBM-SDLC": 0.03,
}
"""How the doubt is shared out between checks: what buses are known to use has more (common practice, no
source). What is left goes to the others in equal parts."""
_FORM_SHARES = ((0.85, 0.0, 0.15, 0.0), (0.45, 0.40, 0.10, 0.05))


def hypothesis_share(keys: IntArray, anchor: Anchor, length: int) -> FloatArray:
    """The share of the doubt that each key has; over all keys of a message they add up to one at most."""
    narrow, wide = check_names()
    names = narrow + wide
    rest = (1.0 - sum(_SHARES.values())) / sum(name not in _SHARES for name in names)
    by_check = np.array([_SHARES.get(name, rest) for name in names])
    forms = np.array(_FORM_SHARES)
    at, last, first = keys & _MASK, keys >> _PLACE & _MASK, keys >> 2 * _PLACE & _MASK
    form, check = keys >> 3 * _PLACE & 3, keys >> 3 * _PLACE + 2
    wide_one = (check >= len(narrow)).astype(np.int64)
    size = np.where(form >= HEX_BIG, 2, 1) * (1 + wide_one)
    if anchor is Anchor.START:
        between, behind = at - last - 1, np.maximum(length - at - size, 0)
    else:
        between, behind = last - at - 1, at + 1 - size
    spread = 1.0 / (length + 1)
    shares: FloatArray = (
        by_check[check]
        * forms[wide_one, form]
        * _by_distance(first, (0.35, 0.35, 0.1, 0.05), 0.15 * spread)
        * _by_distance(between, (0.8, 0.1), 0.1 * spread)
        * _by_distance(behind, (0.6, 0.1, 0.2), 0.1 * spread)
        # Lengths counted from the start are tried only where there are several.
        * (0.2 if anchor is Anchor.START else 0.8)
    )
    return shares


def _by_distance(distance: IntArray, known: tuple[float, ...], other: float) -> FloatArray:
    table = np.array([*known, other])
    index = np.where((distance >= 0) & (distance < len(known)), distance, len(known))
    shares: FloatArray = table[index]
    return shares
