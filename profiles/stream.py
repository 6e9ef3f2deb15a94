"""Finding messages in a stream of frames, without trusting the gaps between them.

In lockstep round a ring frames lie several frame times apart, adapters deliver in batches, and a saturated
line never pauses: so dead time is only a hint. Messages are looked for at every place; what can't be part
of one is told as unknown at once, and after noise the next message is found where it begins.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

from profiles.template import ByteTemplate, Reading

__all__ = ["Found", "StreamMatcher"]

K = TypeVar("K")

_Read = tuple[K, ByteTemplate, Reading]

_KEPT_READINGS = 1024
"""Messages whose reading is kept."""


@dataclass(frozen=True, slots=True)
class Found(Generic[K]):
    """A stretch of the stream, and what it is."""

    key: K | None
    """The template's key, or None for bytes that no template explains."""
    start: int
    """Index of the first byte, counted from the stream's beginning."""
    data: bytes
    reading: Reading | None
    """What the bytes say; None where no template explains them."""


class StreamMatcher(Generic[K]):
    """Cuts a stream into messages of known templates and unknown bytes.

    Where several templates match at one place, the one that leaves least open wins (more constant
    places), then the longer one, then the one that was given first.

    Args:
        templates: (key, template) pairs.
        burst_gap: seconds of idle line after which a message is taken as it stands, though a longer one
            might have begun with it.
        give_up: seconds of idle line after which a half message is told as unknown.
    """

    def __init__(
        self,
        templates: Sequence[tuple[K, ByteTemplate]],
        *,
        burst_gap: float = 0.04,
        give_up: float | None = None,
    ) -> None:
        self._burst_gap = burst_gap
        self._give_up = max(burst_gap * 4, 0.25) if give_up is None else give_up
        ordered = sorted(templates, key=lambda pair: (_openness(pair[1]), -pair[1].size))
        self._templates = [
            (key, template, re.compile(template.pattern, re.DOTALL)) for key, template in ordered
        ]
        self._any = _union([template.pattern for _, template in ordered], numbered=True)
        self._read: dict[bytes, _Read[K]] = {}
        self._begun = _union([t.prefix_pattern for _, t in ordered if t.size > 1])
        self._longest = max((template.size for _, template in ordered), default=1)
        self._held = b""
        self._start = 0
        self._last_at: float | None = None

    @property
    def held(self) -> int:
        """Bytes that are not told yet, because they may be the beginning of a message."""
        return len(self._held)

    @property
    def deadline(self) -> float | None:
        """When ``tick`` should next be called, on the clock of ``feed``; None while nothing is held."""
        if not self._held or self._last_at is None:
            return None
        complete = self._any is not None and self._any.match(self._held) is not None
        return self._last_at + (self._burst_gap if complete else self._give_up)

    def feed(self, data: bytes, now: float) -> list[Found[K]]:
        """Take bytes that have arrived by ``now`` (seconds) and tell what is settled."""
        self._held += data
        self._last_at = now
        return self._settle(final=False, drop_halves=False)

    def tick(self, now: float) -> list[Found[K]]:
        """Tell what the idle line up to ``now`` settles."""
        if not self._held or self._last_at is None:
            return []
        idle = now - self._last_at
        # The deadline is worked out by adding; compare the same way, or rounding makes it miss by a hair.
        if now >= self._last_at + self._give_up:
            return self._settle(final=True, drop_halves=True)
        if idle >= self._burst_gap or now >= self._last_at + self._burst_gap:
            return self._settle(final=True, drop_halves=False)
        return []

    def _settle(self, *, final: bool, drop_halves: bool) -> list[Found[K]]:
        data = self._held
        out: list[Found[K]] = []
        unknown_from = place = 0
        # Before the tail that is shorter than the longest message nothing can be a half one.
        tail = len(data) - self._longest + 1
        while place < len(data):
            match = self._any.search(data, place) if self._any else None
            match_at = len(data) if match is None else match.start()
            half_at = None
            if match_at >= tail and not drop_halves:
                half_at = self._next_half(data, max(place, tail))
            if half_at is not None and (half_at < match_at or (half_at == match_at and not final)):
                place = half_at
                break
            if match is None:
                place = len(data)
                break
            found = self._read_at(data, match)
            if found is None:
                place = match_at + 1
                continue
            key, template, reading = found
            if match_at > unknown_from:
                out.append(self._unknown(data, unknown_from, match_at))
            place = unknown_from = match_at + template.size
            out.append(Found(key, self._start + match_at, data[match_at:place], reading))
        if place > unknown_from:
            out.append(self._unknown(data, unknown_from, place))
        self._held = data[place:]
        self._start += place
        return out

    def _next_half(self, data: bytes, place: int) -> int | None:
        """Where the earliest unfinished message begins."""
        found = self._begun.search(data, place) if self._begun else None
        return found.start() if found else None

    def _read_at(self, data: bytes, match: re.Match[bytes]) -> _Read[K] | None:
        """The message at a place where some template matches, its check apart."""
        piece = match.group()
        known = self._read.get(piece)
        if known is not None:
            return known
        first = (match.lastindex or 1) - 1
        key, template, _ = self._templates[first]
        reading = template.read(piece)
        if reading is not None:
            # Gear repeats itself. What a message says can be kept by its bytes alone: they decide which
            # template comes first among those of their length.
            if len(self._read) >= _KEPT_READINGS:
                self._read.clear()
            self._read[piece] = key, template, reading
            return key, template, reading
        place = match.start()
        for key, template, pattern in self._templates[first + 1 :]:
            if pattern.match(data, place):
                reading = template.read(data[place : place + template.size])
                if reading is not None:
                    return key, template, reading
        return None

    def _unknown(self, data: bytes, start: int, stop: int) -> Found[K]:
        return Found(None, self._start + start, data[start:stop], None)


def _union(patterns: list[bytes], *, numbered: bool = False) -> re.Pattern[bytes] | None:
    opening = b"(" if numbered else b"(?:"
    return re.compile(b"|".join(opening + p + b")" for p in patterns), re.DOTALL) if patterns else None


def _openness(template: ByteTemplate) -> int:
    """How much a template leaves open: the sum over its places of the bytes that can stand there."""
    return sum(len(s) - 1 for s in template.sets) - 256 * template.size
