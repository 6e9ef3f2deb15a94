"""CSV and its relatives: a row an instant, a column a channel, read in blocks to spare memory."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

from profiles.bench.capture import Capture, Channel, ChannelKind, TimeBase
from profiles.bench.edges import FloatArray
from profiles.bench.readers.columns import LogicColumn, TimeColumn, VoltageColumn
from profiles.bench.readers.fast import fast_parse, parsed
from profiles.bench.readers.numbers import NumberReader
from profiles.bench.readers.shape import Column, Role, TableShape, split_fields, table_shape
from profiles.errors import FileUnreadable

__all__ = ["FAST_FROM", "read_table"]

Progress = Callable[[int, int], None]

_HEAD = 1 << 16
_BLOCK = 1 << 22
FAST_FROM = 1 << 24
"""Bytes from which the fast way is taken: for less, loading it takes longer than it saves."""
_PLAIN = re.compile(r"[+-]?\d*\.?(\d*)(?:[eE]([+-]?\d{1,4}))?")


def read_table(
    path: Path, *, sample_interval: float | None = None, progress: Progress | None = None
) -> Capture:
    """Read a table of measured values.

    Args:
        path: the file.
        sample_interval: seconds between rows, for a file that doesn't say.
        progress: told how many bytes of how many were read; what it raises ends the reading.

    Raises:
        FileUnreadable: it is no such table, or has no time, or its time can't be.
    """
    voltages: set[int] = set()
    while True:
        reading = _Reading(path, sample_interval, voltages)
        surprise = reading.run(progress)
        if surprise is None:
            return reading.capture()
        # A column of noughts and ones turned out to have other values further down.
        voltages.add(surprise)


class _Reading:
    """One pass over a file."""

    def __init__(self, path: Path, sample_interval: float | None, voltages: set[int]) -> None:
        self.path = path
        self.size = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(_HEAD)
        whole = head if len(head) == self.size else head[: head.rfind(b"\n") + 1] or head
        self.shape = table_shape(
            whole.decode("utf-8-sig" if _is_utf8(whole) else "latin-1", errors="replace"), str(path)
        )
        lines = whole.splitlines(keepends=True)
        self.offset = sum(len(line) for line in lines[: self.shape.header_lines])
        if not self.offset and whole.startswith(b"\xef\xbb\xbf"):
            self.offset = 3
        self.interval = sample_interval or self.shape.interval
        self.numbers = NumberReader(self.shape)
        for index, column in enumerate(self.shape.columns):
            if index in voltages:
                column.role = Role.VOLTAGE
        self.time_index = next(iter(self.shape.with_role(Role.TIME)), None)
        if sample_interval is not None and self.time_index is not None:
            self.shape.columns[self.time_index].role = Role.INDEX
            self.time_index = None
        row_length = max((len(whole) - self.offset) / max(len(lines) - self.shape.header_lines, 1), 2.0)
        self.expected = int((self.size - self.offset) / row_length * 1.03) + 16
        self.time: TimeColumn | None = None
        if self.time_index is not None:
            self.time = TimeColumn(self.shape.columns[self.time_index].scale, str(path))
        elif self.interval is None:
            raise FileUnreadable(
                "it has no column of times and says no sample interval",
                where=str(path),
                todo="give the seconds between two samples with --sample-interval" + _comma_hint(self.shape),
            )
        self.voltages = {
            index: VoltageColumn(self.shape.columns[index].scale, self.expected)
            for index in self.shape.with_role(Role.VOLTAGE)
        }
        self.logic = {index: LogicColumn() for index in self.shape.with_role(Role.LOGIC)}
        self.rows = 0
        self.cut = False

    def run(self, progress: Progress | None = None) -> int | None:
        """Read the file; a column's index where it is no logic level after all."""
        parse = fast_parse(self.shape) if self.size >= FAST_FROM else None
        with self.path.open("rb") as file:
            file.seek(self.offset)
            with contextlib.closing(parsed(self._whole_lines(file, progress), parse)) as blocks:
                for block, fast in blocks:
                    surprise = self._take(block, self.numbers.columns(block) if fast is None else fast)
                    if surprise is not None:
                        return surprise
        return None

    def _whole_lines(self, file: BinaryIO, progress: Progress | None) -> Iterator[bytes]:
        for block in _blocks(file):
            if progress is not None:
                progress(file.tell(), self.size)
            if not block.endswith(b"\n"):
                block = self._without_cut(block)
            if block and not block.isspace():
                yield block

    def _take(self, block: bytes, columns: Sequence[FloatArray]) -> int | None:
        self.rows += len(columns[0])
        if self.time is not None and self.time_index is not None:
            self.time.add(columns[self.time_index], self._quantum(block))
        for index, column in self.voltages.items():
            column.add(columns[index])
        for index, level in self.logic.items():
            if not level.add(columns[index]):
                return index
        return None

    def _without_cut(self, block: bytes) -> bytes:
        """The last line left out where it ends in the middle."""
        before, _, line = block.rpartition(b"\n")
        fields = split_fields(line.decode("latin-1"), self.shape.delimiter)
        if len([text for text in fields if text]) < len(self.shape.columns):
            self.cut = bool(line.strip())
            return before + b"\n" if before else b""
        return block

    def _quantum(self, block: bytes) -> float:
        """What the last digit of a time is worth, as it is written in some lines of a block."""
        place = self.shape.columns[self.time_index or 0].field
        worth: list[float] = []
        for part in range(8, 0, -1):
            # Trailing noughts may be left off, so the line with the most digits says it.
            end = block.rfind(b"\n", 0, max(len(block) * part // 8, 1))
            line = block[block.rfind(b"\n", 0, max(end, 0)) + 1 : end if end > 0 else len(block)]
            fields = split_fields(line.decode("latin-1"), self.shape.delimiter)
            text = fields[place].replace(",", ".") if place < len(fields) else ""
            found = _PLAIN.fullmatch(text)
            if found and text.strip("0.") != "":
                worth.append(float(f"1e{int(found.group(2) or 0) - len(found.group(1))}"))
        return min(worth, default=0.0)

    def capture(self) -> Capture:
        """What was read."""
        if not self.rows:
            raise FileUnreadable("there are no rows of numbers in it", where=str(self.path))
        base = self.time.finished() if self.time is not None else TimeBase(self.interval or 0.0, self.rows)
        notes = self._notes(base)
        channels = [
            self._channel(index, column, base)
            for index, column in enumerate(self.shape.columns)
            if column.role in (Role.VOLTAGE, Role.LOGIC)
        ]
        if not channels:
            raise FileUnreadable(
                "it has times and nothing else", where=str(self.path), todo="export the channels too"
            )
        return Capture(
            str(self.path), "a table of measured values", tuple(channels), notes, "", self.shape.details
        )

    def _channel(self, index: int, column: Column, base: TimeBase) -> Channel:
        name = (
            re.sub(r"\s*[(\[{].*?[)\]}]\s*$", "", column.name)
            or f"channel {index + (self.time_index is None)}"
        )
        if column.role is Role.LOGIC:
            level = self.logic[index]
            notes = (f"{level.missing} missing values taken for the level before",) if level.missing else ()
            how = "a logic level" if base.times is None else "a logic level, a row a change"
            return Channel(
                name,
                ChannelKind.LOGIC,
                f"{column.label}: {how}",
                base,
                None,
                level.finished(base),
                notes=notes,
            )
        voltage = self.voltages[index]
        notes = (f"{voltage.missing} missing values taken for the one before",) if voltage.missing else ()
        unit = f"in {column.unit}" if column.unit else "no unit, taken for volts"
        return Channel(
            name,
            ChannelKind.VOLTAGE,
            f"{column.label}: a voltage, {unit}",
            base,
            voltage.finished(),
            notes=notes,
        )

    def _notes(self, base: TimeBase) -> tuple[str, ...]:
        shape = self.shape
        signs = {"\t": "tab", " ": "blanks"}
        notes = [f"delimiter {signs.get(shape.delimiter, shape.delimiter)}, decimal sign {shape.decimal!r}"]
        if shape.header_lines:
            notes.append(f"{shape.header_lines} lines above the values")
        if self.time_index is not None:
            column = shape.columns[self.time_index]
            unit = f"in {column.unit}" if column.unit else "no unit, taken for seconds"
            spaced = f"every {base.interval:.6g} s" if base.times is None else "not evenly spaced"
            notes.append(f"{column.label}: the time, {unit}, {spaced}")
        else:
            notes.append(f"no column of times: one row every {base.interval:.6g} s")
        for index, column in enumerate(shape.columns):
            if column.role in (Role.INDEX, Role.IGNORED) and index != self.time_index:
                notes.append(f"{column.label}: ignored, it only counts or repeats the time")
        gaps = base.gaps()
        if gaps:
            notes.append(f"{len(gaps)} gaps in which nothing was recorded, the first at {gaps[0][0]:.6g} s")
        if self.numbers.dropped:
            notes.append(
                f"{self.numbers.dropped} lines are no values, such as {self.numbers.first_dropped!r}"
            )
        if self.cut:
            notes.append("the file is cut off in the middle of a line: that line is left out")
        return tuple(notes)


def _comma_hint(shape: TableShape) -> str:
    if shape.delimiter == "," and shape.decimal == "." and len(shape.columns) >= 4:
        return "; if its decimal sign is a comma, its delimiter has to be another sign"
    return ""


def _is_utf8(head: bytes) -> bool:
    try:
        head[: max(len(head) - 4, 0)].decode()
    except UnicodeDecodeError as error:
        return error.start > len(head) - 8
    return True


def _blocks(file: BinaryIO) -> Iterator[bytes]:
    """Blocks of whole lines; only the last may end without a line's end."""
    while block := file.read(_BLOCK):
        yield block if block.endswith(b"\n") else block + file.readline()
