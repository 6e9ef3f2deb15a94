"""Numbers out of text by polars, where that optional package is installed (``pip install linewarden[fast]``).

It gives what the plain way gives, or nothing: a block that is not all numbers, one for each column in each
line, is left to the plain way.
"""

from __future__ import annotations

import importlib
from collections import deque
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

from profiles.bench.edges import FloatArray
from profiles.bench.readers.shape import TableShape

__all__ = ["FastParse", "fast_parse", "parsed"]

_THREADS = 3
"""Blocks that are parsed at once; polars itself uses all processors for each. With three, none of two
processors waits while the rows of one are taken (measured: a tenth less than with two)."""

FastParse = Callable[[bytes], Sequence[FloatArray] | None]
"""The columns of a block of whole lines, or None where the plain way has to read it."""


def fast_parse(shape: TableShape) -> FastParse | None:
    """How to read blocks of such a table fast; None where polars is not installed, or can't read it.

    Args:
        shape: the table's.
    """
    # Quotation marks, words, and blanks as delimiters are few, and not worth a second set of rules.
    every = [column.field for column in shape.columns] == list(range(len(shape.columns)))
    if shape.words or shape.quoted or shape.delimiter == " " or shape.delimiter == shape.decimal or not every:
        return None
    try:
        polars = importlib.import_module("polars")
    except ImportError:
        return None
    return _Parse(polars, shape)


def parsed(
    blocks: Iterable[bytes], parse: FastParse | None
) -> Generator[tuple[bytes, Sequence[FloatArray] | None]]:
    """Each block with what is in it, the next ones being parsed meanwhile.

    Args:
        blocks: of whole lines.
        parse: how; None gives each block with nothing in it, to be read the plain way.
    """
    if parse is None:
        for block in blocks:
            yield block, None
        return
    waiting: deque[tuple[bytes, Future[Sequence[FloatArray] | None]]] = deque()
    with ThreadPoolExecutor(_THREADS, "table") as pool:
        for block in blocks:
            waiting.append((block, pool.submit(parse, block)))
            if len(waiting) > _THREADS:
                first, columns = waiting.popleft()
                yield first, columns.result()
        for first, columns in waiting:
            yield first, columns.result()


class _Parse:
    """Reads blocks; any thread may call it."""

    def __init__(self, polars: Any, shape: TableShape) -> None:
        self._polars = polars
        self._delimiter = shape.delimiter
        self._comma = shape.decimal == ","
        self._columns = {str(index): polars.Float64 for index in range(len(shape.columns))}

    def __call__(self, block: bytes) -> Sequence[FloatArray] | None:
        lines = block.count(b"\n") + (not block.endswith(b"\n"))
        try:
            table = self._polars.read_csv(
                block,
                has_header=False,
                separator=self._delimiter,
                decimal_comma=self._comma,
                quote_char=None,
                schema=self._columns,
            )
        except self._polars.exceptions.PolarsError:
            return None
        if table.height != lines:
            return None
        columns = [table.to_series(index) for index in range(table.width)]
        if any(column.null_count() for column in columns):
            return None
        return [column.to_numpy() for column in columns]
