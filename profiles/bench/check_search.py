"""The check that guards messages, found by trying all of them over every range.

A check that fits by chance is told from one that is there by how often chance brings it about. Of all that
is tried each has a share of the doubt (a sum over all bytes before it more than a CRC over some bytes in the
middle), and it is believed only where chance would have to be luckier than its share allows: then of all
searches in messages without a check, not more than `DOUBT` end in one. Only what is new counts: of equal
messages one, and of messages in which only one covered byte varies, for a sum or XOR, one as well (there a
check can't be told from a second byte that goes along with the first).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from profiles.bench.check_keys import (
    FORMS,
    HEX_BIG,
    HEX_LITTLE,
    LITTLE,
    Anchor,
    Place,
    hits,
    hypothesis_share,
    unpacked,
)
from profiles.bench.check_values import CHECKS_8, CHECKS_16, check_names
from profiles.bench.edges import IntArray
from profiles.checksums import find_check

__all__ = ["DOUBT", "FoundCheck", "find_checks"]

DOUBT = 0.01
"""How often, at most, a check is found in messages that have none."""
_MOST_MESSAGES = 48
"""Distinct messages that every range is tried on; what is left is tried on all."""
_MOST_CANDIDATES = 4000
_MOST_TOLD = 4
_LEAST_LENGTH = 3
_LONGEST = 600
_DIGITS = frozenset(b"0123456789ABCDEF")

Progress = Callable[[int, int], None]
"""Told how many of how many messages have been gone through."""


@dataclass(frozen=True, slots=True)
class FoundCheck:
    """A check that the messages have, and where."""

    name: str
    """As a profile names it."""
    place: Place
    order: str
    """Of its bytes: big or little."""
    hex_text: bool
    """Whether it is written as hexadecimal digits."""
    size: int
    """Bytes that it takes in the message."""
    chance: float
    """How often something found so is there by chance."""
    messages: int
    """Distinct messages that it fits."""
    over_text: bool = False
    """Whether the covered bytes are hexadecimal digits, and the check is over what they say."""
    others: tuple[str, ...] = ()
    """What fits these messages as well, the likeliest first, in words."""

    def covered(self, length: int) -> tuple[int, int] | None:
        """Index of the first and last covered byte in a message so long; None where it does not fit in."""
        return self.place.covered(length, self.size)

    def position(self, length: int) -> int:
        """Index of the check's first byte in a message so long."""
        return self.place.position(length)

    def holds(self, message: bytes) -> bool:
        """Whether a message has this check, and it is right."""
        covered = self.covered(len(message))
        if covered is None:
            return False
        at = self.position(len(message))
        check = find_check(self.name)
        data = message[covered[0] : covered[1] + 1]
        if self.over_text:
            if len(data) % 2 or not _DIGITS.issuperset(data):
                return False
            data = bytes.fromhex(data.decode("ascii"))
        raw = check.compute(data).to_bytes(check.size, "little" if self.order == "little" else "big")
        return message[at : at + self.size] == (raw.hex().upper().encode() if self.hex_text else raw)

    @property
    def text(self) -> str:
        """The check and its place, in words."""
        digits = ", as hexadecimal digits" if self.hex_text else ""
        digits += ", of what the hexadecimal digits say" if self.over_text else ""
        order = f", {self.order} end first" if self.size > 1 and find_check(self.name).size > 1 else ""
        return f"{self.name}{order}{digits}, {self.place.text}"


def find_checks(messages: Sequence[bytes], progress: Progress | None = None) -> FoundCheck | None:
    """Find the check that all messages have.

    Args:
        messages: whole messages without pauses; equal ones count once.
        progress: told how far it is.

    Returns:
        The likeliest check, with what fits as well; None where none is there that chance could not explain.
    """
    distinct = [each for each in dict.fromkeys(messages) if _LEAST_LENGTH <= len(each) <= _LONGEST]
    if not distinct or len(distinct) < len(set(messages)):
        return None  # a message that is too short for a check has none, so not all have
    return _search(distinct, progress) or _search_in_digits(distinct)


def _search_in_digits(distinct: list[bytes]) -> FoundCheck | None:
    """The check over what hexadecimal digits say, in messages that are digits between a head and an end."""
    heads = {_before_digits(message) for message in distinct}
    ends = {_before_digits(message[::-1]) for message in distinct}
    if len(heads) != 1 or len(ends) != 1:
        return None
    head, end = heads.pop(), ends.pop()
    inner = [message[head : len(message) - end] for message in distinct]
    if any(len(each) % 2 or len(each) < 2 * _LEAST_LENGTH or not _DIGITS.issuperset(each) for each in inner):
        return None
    found = _search([bytes.fromhex(each.decode("ascii")) for each in inner], None)
    if found is None or found.hex_text:
        return None
    place = found.place
    if place.anchor is Anchor.END:
        place = replace(
            place, first=head + 2 * place.first, last=end + 2 * place.last, at=end + 2 * place.at + 1
        )
    else:
        first, last, at = (head + 2 * index for index in (place.first, place.last, place.at))
        place = replace(place, first=first, last=last + 1, at=at)
    return replace(found, place=place, size=2 * found.size, hex_text=True, over_text=True, others=())


def _before_digits(message: bytes) -> int:
    """How many bytes stand before the first hexadecimal digit."""
    return next((index for index, byte in enumerate(message) if byte in _DIGITS), len(message))


def _search(distinct: list[bytes], progress: Progress | None) -> FoundCheck | None:
    tried = _some_of(distinct)
    same_length = len({len(each) for each in distinct}) == 1
    left: dict[Anchor, IntArray] = {}
    for done, message in enumerate(tried):
        here = hits(message, (Anchor.END,) if same_length else tuple(Anchor))
        for anchor, keys in here.items():
            left[anchor] = np.intersect1d(left[anchor], keys) if done else np.unique(keys)
        if progress is not None:
            progress(done + 1, len(tried))
    return _likeliest(left, distinct)


def _some_of(messages: list[bytes]) -> list[bytes]:
    """Some of many messages: the short ones first, as they are quick and rule out as much."""
    return sorted(messages, key=len)[:_MOST_MESSAGES]


def _likeliest(left: dict[Anchor, IntArray], distinct: list[bytes]) -> FoundCheck | None:
    best_case = min(len(each) for each in distinct)
    longest = max(len(each) for each in distinct)
    found: list[tuple[float, float, FoundCheck]] = []
    for anchor, keys in left.items():
        shares = hypothesis_share(keys, anchor, longest)
        order = np.argsort(-shares, kind="stable")[:_MOST_CANDIDATES]
        for key, share in zip(keys[order].tolist(), shares[order].tolist(), strict=True):
            # Every message counts for at most this much, so what can't be enough is not looked at.
            candidate = _candidate(key, anchor, len(distinct))
            if _chance(_bits(candidate) * len(distinct)) / share > DOUBT:
                continue
            if candidate.covered(best_case) is None or not all(map(candidate.holds, distinct)):
                continue
            chance = _chance(_bits(candidate) * _independent(candidate, distinct)) / share
            found.append((chance, share, candidate))
    told = [entry for entry in found if entry[0] <= DOUBT]
    if not told:
        return None
    # Of what fits every message the likeliest beforehand is it; a two-byte check says more than a byte of it.
    told.sort(key=lambda entry: (-find_check(entry[2].name).size, -entry[1]))
    chance, _, first = told[0]
    others = tuple(dict.fromkeys(entry[2].text for entry in told[1:]))
    return replace(first, chance=chance, others=others[:_MOST_TOLD])


def _candidate(key: int, anchor: Anchor, messages: int) -> FoundCheck:
    algorithm, form, place = unpacked(key, anchor)
    narrow, wide = check_names()
    is_narrow = algorithm < len(narrow)
    name = narrow[algorithm] if is_narrow else wide[algorithm - len(narrow)]
    text = form in (HEX_BIG, HEX_LITTLE)
    order = "little" if form in (LITTLE, HEX_LITTLE) else "big"
    return FoundCheck(name, place, order, text, FORMS[form].size(1 if is_narrow else 2), 1.0, messages)


def _bits(candidate: FoundCheck) -> int:
    """What one message says: a 16-bit sum of few bytes has a high byte that says nothing."""
    return 8 if candidate.name in (*CHECKS_8, "sum-16") else 8 * find_check(candidate.name).size


def _chance(bits: float) -> float:
    return float(2.0**-bits)


def _independent(candidate: FoundCheck, distinct: list[bytes]) -> int:
    """How many messages count."""
    pairs: dict[int, set[tuple[bytes, bytes]]] = {}
    for message in distinct:
        covered = candidate.covered(len(message))
        if covered is None:
            continue
        at = candidate.position(len(message))
        pair = (message[covered[0] : covered[1] + 1], message[at : at + candidate.size])
        pairs.setdefault(len(message), set()).add(pair)
    if candidate.name not in (*CHECKS_8, *CHECKS_16):
        return sum(len(group) for group in pairs.values())
    count = 0
    for group in pairs.values():
        columns = zip(*(covered for covered, _ in group), strict=True)
        varying = sum(len(set(column)) > 1 for column in columns)
        count += len(group) if varying > 1 else 1
    return count
