"""The captures that lie on the bench, and which of their lines is read. Pure.

A capture stays where it could not be read: its settings may be what was missing, and its words say why.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from profiles.bench.capture import Capture
from profiles.bench.comparison import Comparison, compare, read_alike
from profiles.bench.decoding import DecodedChannel, DecodeOptions, Decoding, decode
from profiles.bench.readers.opening import read_capture
from profiles.bench.readers.packed import name_unpacked
from tui.bench_model import Reader
from tui.bench_reading import Reading, Slots
from tui.bench_work import Turn

__all__ = ["BenchDesk", "BenchLine", "Laid", "OnBench", "lay_over", "read_and_decode"]


@dataclass(eq=False)
class OnBench:
    """A capture on the bench."""

    path: Path
    options: DecodeOptions = field(default_factory=DecodeOptions)
    capture: Capture | None = None
    """As it was read; None while or where it could not be."""
    read_with: float | None = None
    """The time between rows that it was read with."""
    decoding: Decoding | None = None
    problem: str = ""
    """Why it could not be read."""

    @property
    def name(self) -> str:
        """Its file's name."""
        return self.path.name


@dataclass(frozen=True, slots=True)
class BenchLine:
    """One line of a capture."""

    capture: OnBench
    channel: DecodedChannel | None
    """None where the capture could not be read, or not yet."""
    alone: bool
    """Whether the capture has no other."""

    @property
    def label(self) -> str:
        """What it is called."""
        stem = name_unpacked(self.capture.path).stem
        return stem if self.channel is None or self.alone else f"{stem} {self.channel.name}"

    @property
    def key(self) -> tuple[int, str]:
        """What it is known by, whatever its decoding becomes."""
        return id(self.capture), self.channel.name if self.channel is not None else ""


@dataclass(frozen=True, slots=True)
class Laid:
    """A line that is laid over another one, byte by byte."""

    line: BenchLine
    slots: Slots
    comparison: Comparison


class BenchDesk:
    """What lies on the bench."""

    def __init__(self) -> None:
        self.captures: list[OnBench] = []
        self._key: tuple[int, str] = (0, "")
        self._readers: dict[tuple[int, str], Reader] = {}
        self.laid: Laid | None = None

    def put(self, path: Path, options: DecodeOptions | None = None) -> OnBench:
        """Put a capture on the bench, in sight; one that lies there already is brought into sight."""
        for each in self.captures:
            if each.path.absolute() == path.absolute():
                self._see(each)
                return each
        added = OnBench(path, options or DecodeOptions())
        self.captures.append(added)
        self._see(added)
        return added

    def _see(self, capture: OnBench) -> None:
        line = next((line for line in self.lines if line.capture is capture), None)
        if line is not None:
            self.choose(line)

    def take_away(self, capture: OnBench) -> None:
        """Take a capture off the bench."""
        at = self.captures.index(capture)
        del self.captures[at]
        self._readers = {key: reader for key, reader in self._readers.items() if key[0] != id(capture)}
        if self.laid is not None and self.laid.line.capture is capture:
            self.laid = None
        if self.captures:
            self._see(self.captures[min(at, len(self.captures) - 1)])

    def was_decoded(self, capture: OnBench, raw: Capture, decoding: Decoding) -> None:
        """A capture has been read; whoever reads in it stays as near to the place as can be."""
        line = self.line
        shown = line is not None and line.capture is capture
        capture.capture, capture.decoding, capture.problem = raw, decoding, ""
        capture.read_with = capture.options.sample_interval
        for key, reader in list(self._readers.items()):
            if key[0] == id(capture):
                del self._readers[key]
                channel = next((each for each in decoding.channels if each.name == key[1]), None)
                if channel is not None:
                    self._readers[key] = _moved(reader, Reader(Slots(Reading(channel))))
        if shown and self._key not in [line.key for line in self.lines]:
            self._see(capture)
        if self.laid is not None and (shown or self.laid.line.capture is capture):
            self.laid = None

    @property
    def lines(self) -> list[BenchLine]:
        """Every line of every capture; of one that can't be read, one without a channel."""
        found = []
        for capture in self.captures:
            channels = capture.decoding.channels if capture.decoding is not None else ()
            found += [BenchLine(capture, channel, len(channels) == 1) for channel in channels]
            if not channels:
                found.append(BenchLine(capture, None, True))
        return found

    @property
    def line(self) -> BenchLine | None:
        """The line that is read."""
        lines = self.lines
        return next((line for line in lines if line.key == self._key), lines[0] if lines else None)

    def choose(self, line: BenchLine) -> None:
        """Read another line."""
        if line.key != self._key:
            self.laid = None
        self._key = line.key

    @property
    def reader(self) -> Reader | None:
        """Where one reads in the line; None where there is nothing to read."""
        line = self.line
        if line is None or line.channel is None:
            return None
        if line.key not in self._readers:
            self._readers[line.key] = Reader(Slots(Reading(line.channel)))
        return self._readers[line.key]

    @property
    def others(self) -> list[BenchLine]:
        """The lines that can be laid over the one that is read."""
        line = self.line
        return [
            other
            for other in self.lines
            if other.channel is not None and line is not None and other.key != line.key
        ]

    def lay(self, laid: Laid) -> None:
        """Lay a line over the one that is read."""
        line, reader = self.line, self.reader
        if line is None or reader is None:
            return
        self.laid = laid
        self._readers[line.key] = _moved(reader, Reader(laid.slots))

    def lift(self) -> None:
        """Take it off again."""
        line, reader = self.line, self.reader
        self.laid = None
        if line is not None and line.channel is not None and reader is not None:
            self._readers[line.key] = _moved(reader, Reader(Slots(Reading(line.channel))))


def _moved(old: Reader, new: Reader) -> Reader:
    """A reader at the byte that another one read, as closely."""
    byte = old.byte if old.shown is old.slots.reading else None
    if byte is not None and len(new.slots):
        at = old.slots.reading.span(byte)[0]
        new.go(new.slots.of_byte(new.slots.reading.at(at + new.slots.reading.bit(0) / 4)))
        new.zoom = min(0, old.zoom)
        new.zoom = max(new.zoom, new.widest)
    return new


def read_and_decode(capture: OnBench, options: DecodeOptions, turn: Turn) -> tuple[Capture, Decoding]:
    """Read a capture, where that is still to be done, and decode it. For a thread of its own.

    Raises:
        LinewardenError: it can't be.
        Ended: nobody waits for it any more.
    """
    raw = capture.capture
    if raw is None or capture.read_with != options.sample_interval:
        turn.tell("reading")

        def reading(done: int, of: int) -> None:
            turn.tell(f"reading, {100 * done // max(of, 1)} % of {of / 1e6:.0f} MB")

        raw = read_capture(capture.path, sample_interval=options.sample_interval, progress=reading)
    turn.tell("finding the line")
    decoding = decode(
        raw, options, lambda done, of: turn.tell(f"finding the line, channel {done + 1} of {of}")
    )
    turn.tell("")
    return raw, decoding


def lay_over(line: BenchLine, other: BenchLine) -> Laid | None:
    """Compare a line with another one as its replay. For a thread of its own.

    Raises:
        LinewardenError: one of them has nothing to compare.
    """
    if line.channel is None or other.channel is None or other.capture.capture is None:
        return None
    replay = read_alike(other.capture.capture, other.channel, line.channel, line.capture.options)
    comparison = compare(line.channel.main, replay.main)
    slots = Slots(Reading(line.channel), comparison, Reading(replay))
    return Laid(BenchLine(other.capture, replay, other.alone), slots, comparison)
