"""Numbers out of text, many at a time."""

from __future__ import annotations

import warnings
from collections.abc import Sequence

import numpy as np

from profiles.bench.edges import FloatArray
from profiles.bench.readers.shape import TableShape, number, split_fields

__all__ = ["NumberReader"]


class NumberReader:
    """Reads blocks of whole lines of a table; counts what it had to drop."""

    def __init__(self, shape: TableShape) -> None:
        self._shape = shape
        self._width = len(shape.columns)
        self.dropped = 0
        """Lines that were no row of values."""
        self.first_dropped = ""
        table = bytearray(range(256))
        if shape.decimal == ",":
            table[ord(",")] = ord(".")
        if shape.delimiter != " ":
            table[ord(shape.delimiter)] = ord(" ")
        if shape.quoted:
            table[ord('"')] = ord(" ")
        self._table = bytes(table)
        # A comma that is both a delimiter and, in quotation marks, a decimal sign needs the slow way.
        self._slow = shape.words or (shape.quoted and shape.delimiter == ",")

    def columns(self, block: bytes) -> Sequence[FloatArray]:
        """The values of a block of lines, an array a column; nan for a missing one."""
        values = None if self._slow else self._fast(block)
        rows = self._careful(block) if values is None else values
        return list(rows.T)

    def _fast(self, block: bytes) -> FloatArray | None:
        """All numbers in one go, or None where not every line has one for each column."""
        lines = block.count(b"\n") + (not block.endswith(b"\n"))
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            try:
                values = np.fromstring(block.translate(self._table), np.float64, sep=" ")
            except (ValueError, DeprecationWarning):
                return None
        if len(values) != lines * self._width:
            return None
        rows: FloatArray = values.reshape(lines, self._width)
        return rows

    def _careful(self, block: bytes) -> FloatArray:
        shape = self._shape
        places = [column.field for column in shape.columns]
        rows = []
        for line in block.decode("latin-1").splitlines():
            fields = split_fields(line, shape.delimiter)
            values = []
            for place in places:
                text = fields[place] if place < len(fields) else ""
                value = number(text, shape.decimal) if text else float("nan")
                if value is None:
                    break
                values.append(value)
            if len(values) == len(places) and any(value == value for value in values):
                rows.append(values)
            elif line.strip():
                self.dropped += 1
                self.first_dropped = self.first_dropped or line.strip()[:60]
        return np.array(rows, np.float64).reshape(len(rows), len(places))
