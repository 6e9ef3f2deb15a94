"""Traffic as a person reads it: one row a saying, a million of them in bounded memory. Pure.

A *saying* is what somebody said at one time on one bus: the frames of one attempt of our own command with
what came back of each, or a delivery of what others said. Rows are kept in columns; the words of a meaning
are kept once. When the store is full the oldest tenth is let go, and counted.
"""

from __future__ import annotations

import enum
from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from controller.records import Direction, Outcome, Reason, Traffic
from tui.row_search import RowSearch

__all__ = ["Saying", "Tick", "TrafficStore", "Wanted"]


class Tick(enum.IntEnum):
    """What became of one frame."""

    NONE = 0
    """Heard from others: there is nothing to come back."""
    OUT = 1
    """Sent; nothing has come back yet, or nothing will."""
    BACK = 2
    """Its echo came back right."""
    MISSING = 3
    """Its echo never came."""
    WRONG = 4
    """It is not what it should be."""
    LATE = 5
    """It came too late."""
    STRANGE = 6
    """Nothing that the profile knows explains it."""


@dataclass(slots=True)
class Saying:
    """One row."""

    at: float
    """UTC seconds of its last byte."""
    began: float
    """UTC seconds of its first delivery."""
    bus: str
    direction: Direction
    """``sent`` for our own, with or without an echo; ``heard``; ``passed_on``."""
    meaning: str
    """Empty where nothing explains it."""
    data: bytearray
    ticks: bytearray
    """One ``Tick`` a byte."""
    lags: array[float]
    """Seconds a byte; nan where there is none."""
    fault: str = ""
    attempt: int = 0
    """Which attempt of our own command this is, counted from 1; 0 for what others said."""
    unexplained: bool = False


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which rows are shown."""

    bus: str = ""
    """A bus's id; empty for all."""
    words: str = ""
    """Found in the meaning, whatever its case; hexadecimal digit pairs are looked for in the bytes too."""

    @property
    def everything(self) -> bool:
        """Whether nothing is left out."""
        return not self.bus and not self.words.strip()

    @property
    def data(self) -> bytes:
        """The words as bytes, where they can be read so."""
        try:
            return bytes.fromhex(self.words)
        except ValueError:
            return b""


_NAN = float("nan")
_LONGEST_HALF = 256
"""Bytes of a half message after which it is a row of its own."""


@dataclass(slots=True)
class _Words:
    """Texts by number: each is kept once."""

    texts: list[str] = field(default_factory=list)
    numbers: dict[str, int] = field(default_factory=dict)

    def number(self, text: str) -> int:
        found = self.numbers.get(text)
        if found is None:
            found = self.numbers[text] = len(self.texts)
            self.texts.append(text)
        return found


class TrafficStore:
    """Rows of traffic, oldest first.

    Args:
        most: how many rows are held.
    """

    def __init__(self, most: int = 1_000_000) -> None:
        self._most = most
        self._words = _Words()
        self._at = array("d")
        self._began = array("d")
        self._bus = array("I")
        self._kind = array("B")
        self._meaning = array("I")
        self._fault = array("I")
        self._attempt = array("B")
        self._stop = array("Q")
        self._data = bytearray()
        self._ticks = bytearray()
        self._lags = array("f")
        self._open: dict[str, Saying] = {}
        self.dropped = 0
        """Rows that were let go because the store was full."""
        self.revision = 0
        """Goes up whenever anything changes."""

    def __len__(self) -> int:
        return len(self._at) + len(self._open)

    @property
    def sealed(self) -> int:
        """How many rows, the first ones, will not change any more."""
        return len(self._at)

    def __getitem__(self, row: int) -> Saying:
        """A row; sayings that are not ended yet come last.

        Raises:
            IndexError: there is no such row.
        """
        sealed = len(self._at)
        if row < 0 or row >= len(self):
            raise IndexError(row)
        if row >= sealed:
            return list(self._open.values())[row - sealed]
        start, stop = (self._stop[row - 1] if row else 0), self._stop[row]
        texts = self._words.texts
        kind = self._kind[row]
        return Saying(
            self._at[row],
            self._began[row],
            texts[self._bus[row]],
            _DIRECTIONS[kind & 0x0F],
            texts[self._meaning[row]],
            self._data[start:stop],
            self._ticks[start:stop],
            self._lags[start:stop],
            texts[self._fault[row]],
            self._attempt[row],
            bool(kind & _UNEXPLAINED),
        )

    def add(self, record: Traffic) -> None:
        """Take a traffic record in."""
        self.revision += 1
        if record.direction is Direction.SENT and record.command_id:
            self._sent(record, record.command_id)
        elif record.direction is Direction.ECHOED and record.command_id:
            self._echoed(record, record.command_id)
        else:
            self._heard(record)

    def ended(self, outcome: Outcome) -> None:
        """A command is over: its saying is complete, and what has not come back never will."""
        saying = self._open.pop(outcome.command_id, None)
        if saying is None:
            return
        self.revision += 1
        if outcome.result.value == "confirmed" or outcome.reason in _ENDS_WITH_ECHO:
            missing = Tick.LATE if outcome.reason is Reason.ECHO_LATE else Tick.MISSING
            saying.ticks = saying.ticks.replace(bytes((Tick.OUT,)), bytes((missing,)))
        if outcome.reason is not None and not outcome.result.good:
            saying.fault = outcome.reason.value
        self._seal(saying)

    def _sent(self, record: Traffic, command_id: str) -> None:
        saying = self._open.get(command_id)
        if saying is not None and record.attempt not in (None, saying.attempt):
            saying.ticks = saying.ticks.replace(bytes((Tick.OUT,)), bytes((Tick.MISSING,)))
            self._seal(self._open.pop(command_id))
            saying = None
        if saying is None:
            saying = self._open[command_id] = self._begin(record, Direction.SENT)
        size = len(record.data)
        known = len(saying.data)
        saying.data += record.data
        # An echo may be told before the frame that it is of, when both were gathered in one hand-over.
        ahead = len(saying.ticks) - known
        saying.ticks += bytes((Tick.OUT,)) * max(0, size - ahead)
        saying.lags.extend([_NAN] * max(0, size - ahead))
        saying.at = record.at

    def _echoed(self, record: Traffic, command_id: str) -> None:
        saying = self._open.get(command_id)
        if saying is None:
            saying = self._open[command_id] = self._begin(record, Direction.SENT)
        place = saying.ticks.find(Tick.OUT)
        place = len(saying.ticks) if place < 0 else place
        lags = record.lags or (None,) * len(record.data)
        for lag in lags:
            if place == len(saying.ticks):
                saying.ticks.append(Tick.OUT)
                saying.lags.append(_NAN)
            saying.ticks[place] = Tick.BACK
            saying.lags[place] = _NAN if lag is None else lag
            place += 1
        saying.at = record.at

    def _heard(self, record: Traffic) -> None:
        key = f"{record.direction.value} {record.bus}"
        saying = self._open.pop(key, None) or self._begin(record, record.direction)
        known = len(saying.data)
        saying.data += record.data
        saying.lags.extend([_NAN] * len(record.data))
        saying.ticks += bytes((_TICK_OF_FAULT.get(record.fault or "", Tick.NONE),)) * len(record.data)
        for start, stop in record.unexplained:
            # What began in an earlier delivery began with the saying.
            first = known + start if start else 0
            saying.ticks[first : known + stop] = bytes((Tick.STRANGE,)) * (known + stop - first)
        saying.at = record.at
        saying.meaning = record.meaning or ""
        saying.fault = record.fault or ""
        saying.unexplained = bool(record.unexplained)
        half = not (saying.meaning or saying.fault or saying.unexplained)
        if half and len(saying.data) < _LONGEST_HALF:
            # The beginning of a message, delivered in pieces: the rest will say what it is.
            self._open[key] = saying
        else:
            self._seal(saying)

    def _begin(self, record: Traffic, direction: Direction) -> Saying:
        return Saying(
            record.at,
            record.at,
            record.bus,
            direction,
            record.meaning or "",
            bytearray(),
            bytearray(),
            array("f"),
            record.fault or "",
            (record.attempt or 1) if direction is Direction.SENT else 0,
        )

    def _seal(self, saying: Saying) -> None:
        number = self._words.number
        self._at.append(saying.at)
        self._began.append(saying.began)
        self._bus.append(number(saying.bus))
        kind = _DIRECTIONS.index(saying.direction) | (_UNEXPLAINED if saying.unexplained else 0)
        self._kind.append(kind)
        self._meaning.append(number(saying.meaning))
        self._fault.append(number(saying.fault))
        self._attempt.append(min(saying.attempt, 255))
        self._data += saying.data
        self._ticks += saying.ticks[: len(saying.data)]
        self._lags.extend(saying.lags[: len(saying.data)])
        self._stop.append(len(self._data))
        if len(self._at) > self._most:
            self._let_go(max(1, self._most // 10))

    def _let_go(self, rows: int) -> None:
        cut = self._stop[rows - 1]
        for column in (
            self._at,
            self._began,
            self._bus,
            self._kind,
            self._meaning,
            self._fault,
            self._attempt,
        ):
            del column[:rows]
        self._stop = array("Q", (stop - cut for stop in self._stop[rows:]))
        del self._data[:cut]
        del self._ticks[:cut]
        del self._lags[:cut]
        self.dropped += rows
        self._forget_words()

    def _forget_words(self) -> None:
        """Keep only the texts that a row still has: over years there may be no end of them."""
        old, self._words = self._words, _Words()
        used = sorted({*self._bus, *self._meaning, *self._fault})
        new = {number: self._words.number(old.texts[number]) for number in used}
        for name in ("_bus", "_meaning", "_fault"):
            setattr(self, name, array("I", (new[number] for number in getattr(self, name))))

    # Finding

    def row_at(self, instant: float) -> int:
        """The first row that ended at or after a UTC instant."""
        return max(0, bisect_right(self._at, instant - 1e-9))

    def find(self, wanted: Wanted, *, slice_rows: int = 20_000) -> Iterator[Sequence[int]]:
        """The rows that are wanted, newest first, slice by slice, so that keys are answered in between.

        It holds until rows are let go.
        """
        for row in range(len(self) - 1, len(self._at) - 1, -1):
            if self._fits(self[row], wanted):
                yield [row]
        bus = self._words.numbers.get(wanted.bus) if wanted.bus else None
        if wanted.bus and bus is None:
            return
        search = RowSearch(
            self._words.texts,
            self._bus,
            self._meaning,
            self._stop,
            self._data,
            bus,
            wanted.words.strip().casefold(),
            wanted.data,
        )
        stop = len(self._at)
        while stop > 0:
            start = max(0, stop - slice_rows)
            yield search.rows(start, stop)[::-1].tolist()
            stop = start

    def fits(self, row: int, wanted: Wanted) -> bool:
        """Whether one row is wanted."""
        return self._fits(self[row], wanted)

    @staticmethod
    def _fits(saying: Saying, wanted: Wanted) -> bool:
        if wanted.bus and saying.bus != wanted.bus:
            return False
        words = wanted.words.strip().casefold()
        return (
            not words
            or words in saying.meaning.casefold()
            or bool(wanted.data and wanted.data in saying.data)
        )


_DIRECTIONS = (Direction.SENT, Direction.HEARD, Direction.PASSED_ON, Direction.ECHOED)
_UNEXPLAINED = 0x10
_ENDS_WITH_ECHO = frozenset((Reason.NO_ECHO, Reason.ECHO_STOPPED, Reason.ECHO_LATE, Reason.ECHO_WRONG))
_TICK_OF_FAULT = {
    "echo-late": Tick.LATE,
    "echo-wrong": Tick.WRONG,
    "echo-early": Tick.WRONG,
    "echo-doubled": Tick.WRONG,
    "collision": Tick.WRONG,
    "stray": Tick.WRONG,
    "bad-reply": Tick.WRONG,
}
