"""Messages of one button laid over each other: what is constant, what counts, toggles, changes, or checks.

A column is the bytes that stand at one index in all messages of an action. What it does is judged by the
order in which the messages were captured, so that order has to be kept.
"""

from __future__ import annotations

import bisect
import enum
import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from profiles.bench.check_search import FoundCheck

__all__ = ["ONE_PRESS", "Aligned", "Column", "ColumnKind", "Press", "Span", "align", "presses"]

_COUNTED = 3
"""Steps by one after which a column is taken for a counter."""
_TOGGLED = 3
"""Changes to and fro after which a column is taken for a toggle."""
ONE_PRESS = 0.25
"""Seconds between bursts up to which they may be of one press (a person is not so quick twice; common
practice, no source)."""


class ColumnKind(enum.StrEnum):
    """What a byte does from message to message."""

    CONSTANT = "constant"
    CHECK = "check"
    COUNTING = "counting"
    """One more with each message."""
    TOGGLING = "toggling"
    """To and fro between two values."""
    CHANGING = "changing"
    """It carries a value."""
    ADDRESS = "address"
    """It says which unit is meant."""


@dataclass(frozen=True, slots=True)
class Column:
    """The bytes at one index of all messages."""

    kind: ColumnKind
    values: tuple[int, ...]
    """In the order of the messages."""


@dataclass(frozen=True, slots=True)
class Span:
    """Neighbouring columns that are one thing."""

    start: int
    size: int
    kind: ColumnKind
    numbers: tuple[int, ...] = ()
    """What a value, counter or toggle was in each message."""
    order: str = "big"
    decimal_text: bool = False
    """Whether a value is written in decimal digits."""
    wrap: int | None = None
    """Of a counter, where it was seen to begin anew."""


@dataclass(frozen=True, slots=True)
class Press:
    """What was said at once: one burst or several, and how often."""

    data: bytes
    times: int = 1
    pause: float = 0.0
    """Seconds of idle line between two sayings."""
    before: float = math.inf
    """Seconds of idle line before it; infinite for the first of a capture."""
    cuts: tuple[int, ...] = ()
    """Where in ``data`` its second burst begins, and each after it."""
    gaps: tuple[float, ...] = ()
    """Seconds of idle line before each of those."""


@dataclass(frozen=True, slots=True)
class Aligned:
    """The messages of one action, and what they have in common."""

    messages: tuple[bytes, ...]
    """Those of the usual length, in their order."""
    odd: tuple[bytes, ...]
    """Those of another length."""
    columns: tuple[Column, ...]
    spans: tuple[Span, ...]
    """The whole message, piece by piece; none goes from one burst into the next."""
    cuts: tuple[int, ...] = ()
    """Where its second burst begins, and each after it."""
    checks: tuple[FoundCheck | None, ...] = (None,)
    """The check of each burst, where it has one."""

    @property
    def length(self) -> int:
        """Bytes in a message."""
        return len(self.columns)

    def burst_of(self, index: int) -> int:
        """Which of its bursts a byte is in."""
        return bisect.bisect_right(self.cuts, index)

    def bounds(self, burst: int) -> tuple[int, int]:
        """A burst's first byte, and the one after its last."""
        return (0, *self.cuts)[burst], (*self.cuts, self.length)[burst]


def presses(bursts: Sequence[tuple[bytes, float, float]]) -> list[Press]:
    """Take equal bursts in quick succession for one press.

    Args:
        bursts: for each its bytes, and when it starts and ends, in seconds.
    """
    found: list[Press] = []
    ended = float("-inf")
    for data, start, end in bursts:
        last = found[-1] if found else None
        if last is not None and last.data == data and start - ended <= ONE_PRESS:
            pause = start - ended if last.times == 1 else min(last.pause, start - ended)
            found[-1] = replace(last, times=last.times + 1, pause=pause)
        else:
            found.append(Press(data, before=start - ended))
        ended = end
    return found


def align(
    messages: Sequence[bytes],
    check: FoundCheck | None = None,
    *,
    cuts: tuple[int, ...] = (),
    checks: Sequence[FoundCheck | None] = (),
    addresses: Sequence[int] = (),
) -> Aligned:
    """Lay the messages of one action over each other.

    Args:
        messages: in the order in which they were captured; one at least.
        check: the check that they have, where one is known.
        cuts: where the second burst of each begins, and those after it.
        checks: the check of each burst, instead of ``check``.
        addresses: the bytes that say which unit is meant.
    """
    usual = Counter(map(len, messages)).most_common(1)[0][0]
    kept = tuple(message for message in messages if len(message) == usual)
    odd = tuple(message for message in messages if len(message) != usual)
    kinds = dict.fromkeys(addresses, ColumnKind.ADDRESS)
    limits = tuple(itertools.pairwise((0, *cuts, usual)))
    held = []
    for (first, stop), known in zip(limits, checks or [check] * len(limits), strict=True):
        whole = known is not None and all(known.holds(message[first:stop]) for message in kept)
        held.append(known if whole else None)
        if whole and known is not None:
            at = first + known.position(stop - first)
            kinds |= dict.fromkeys(range(at, at + known.size), ColumnKind.CHECK)
    columns = tuple(
        Column(kinds.get(index) or _kind(values), values)
        for index, values in enumerate(zip(*kept, strict=True))
    )
    text = _is_text(kept)
    spans = tuple(span for first, stop in limits for span in _spans(columns[first:stop], text, first))
    return Aligned(kept, odd, columns, spans, cuts, tuple(held))


def _kind(values: tuple[int, ...]) -> ColumnKind:
    if len(set(values)) == 1:
        return ColumnKind.CONSTANT
    steps = _without_repeats(values)
    if len(set(steps)) == 2 and len(steps) > _TOGGLED:
        return ColumnKind.TOGGLING
    return ColumnKind.COUNTING if _counts(steps, 256)[0] else ColumnKind.CHANGING


def _without_repeats(values: Sequence[int]) -> list[int]:
    """What is said twice in a row is one message that came again."""
    return [value for value, _ in itertools.groupby(values)]


def _counts(values: Sequence[int], full: int) -> tuple[bool, int | None]:
    """Whether each is one more than the one before it, and where it was seen to begin anew below ``full``."""
    wrap: int | None = None
    steps = 0
    for before, after in itertools.pairwise(values):
        if after == before + 1:
            steps += 1
        elif after == 0 and before == max(values):
            wrap = before + 1
        else:
            return False, None
    return steps >= _COUNTED, None if wrap == full else wrap


def _is_text(messages: Sequence[bytes]) -> bool:
    """Whether most of what is said are characters: only then are digits digits."""
    data = b"".join(messages)
    return 4 * sum(0x20 <= byte < 0x7F for byte in data) > 3 * len(data)


def _spans(columns: tuple[Column, ...], text: bool, first: int) -> list[Span]:
    """The pieces of a burst whose first byte is ``first``."""
    spans: list[Span] = []
    at = 0
    while at < len(columns):
        digits = _decimal(columns, at) if text else None
        span = _wide_counter(columns, at) or digits or _wide_value(columns, at) or _single(columns, at)
        spans.append(replace(span, start=first + at))
        at += span.size
    return spans


def _wide_counter(columns: tuple[Column, ...], at: int) -> Span | None:
    """A counter of two bytes, of which both were seen to change."""
    for order, numbers in _pairs(columns, at):
        counts, wrap = _counts(_without_repeats(numbers), 65536)
        if counts:
            return Span(at, 2, ColumnKind.COUNTING, numbers, order, wrap=wrap)
    return None


def _wide_value(columns: tuple[Column, ...], at: int) -> Span | None:
    """A value of two bytes: it went one way in steps of less than 256, and the lower byte came round."""
    for order, numbers in _pairs(columns, at):
        steps = _without_repeats(numbers)
        changes = [after - before for before, after in itertools.pairwise(steps)]
        low = [number & 0xFF for number in steps]
        ways = {after > before for before, after in itertools.pairwise(low)}
        one_way = min(changes, default=0) > 0 or max(changes, default=0) < 0
        if one_way and len(changes) >= _COUNTED and len(ways) == 2 and max(map(abs, changes)) < 256:
            return Span(at, 2, ColumnKind.CHANGING, numbers, order)
    return None


def _pairs(columns: tuple[Column, ...], at: int) -> list[tuple[str, tuple[int, ...]]]:
    """Two neighbouring bytes that both change, as numbers in both orders."""
    pair = columns[at : at + 2]
    if len(pair) < 2 or any(column.kind in _SETTLED for column in pair):
        return []
    return [
        (order, tuple(h << 8 | lo for h, lo in zip(high.values, low.values, strict=True)))
        for order, (high, low) in (("big", pair), ("little", pair[::-1]))
    ]


def _decimal(columns: tuple[Column, ...], at: int) -> Span | None:
    """A number written in digits: changing columns in which nothing but digits stands."""
    size = 0
    for column in columns[at : at + 16]:
        if column.kind in _SETTLED:
            break
        if not all(0x30 <= value <= 0x39 for value in column.values):
            break
        size += 1
    if not size:
        return None
    rows = zip(*(column.values for column in columns[at : at + size]), strict=True)
    return Span(at, size, ColumnKind.CHANGING, tuple(int(bytes(row)) for row in rows), decimal_text=True)


def _single(columns: tuple[Column, ...], at: int) -> Span:
    column = columns[at]
    if column.kind in (ColumnKind.CONSTANT, ColumnKind.CHECK):
        size = 1
        while at + size < len(columns) and columns[at + size].kind is column.kind:
            size += 1
        return Span(at, size, column.kind)
    wrap = None
    if column.kind is ColumnKind.COUNTING:
        wrap = _counts(_without_repeats(column.values), 256)[1]
    elif column.kind is ColumnKind.TOGGLING and set(column.values) == {0, 1}:
        wrap = 2
    return Span(at, 1, column.kind, column.values, wrap=wrap)


_SETTLED = (ColumnKind.CONSTANT, ColumnKind.CHECK, ColumnKind.ADDRESS)
