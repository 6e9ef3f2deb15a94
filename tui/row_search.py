"""Which rows of traffic fit a filter: told from their columns, a slice at a time. Pure."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["RowSearch"]


@dataclass(slots=True)
class RowSearch:
    """Looks for rows of one bus, of meanings with certain words, or with certain bytes.

    The columns grow while it goes on: nothing is kept of them from one slice to the next.
    """

    texts: Sequence[str]
    """The words that ``meaning`` numbers."""
    bus_column: array[int]
    meaning_column: array[int]
    stops: array[int]
    """Where each row's bytes end in ``data``."""
    data: bytearray
    bus: int | None
    """The number of the bus; None for all."""
    words: str
    """Case-folded; empty for all."""
    bytes_too: bytes
    """What is looked for in the bytes as well; empty for nothing."""
    _fitting: dict[int, bool] = field(default_factory=dict)

    def rows(self, start: int, stop: int) -> NDArray[np.int64]:
        """The rows from ``start`` to before ``stop`` that fit, oldest first."""
        import numpy as np

        fit = np.ones(stop - start, dtype=bool)
        if self.words:
            numbers = np.frombuffer(self.meaning_column, np.uint32)[start:stop]
            distinct, place = np.unique(numbers, return_inverse=True)
            fit = np.array([self._fits(int(number)) for number in distinct], dtype=bool)[place]
            if self.bytes_too:
                fit[self._with_bytes(start, stop)] = True
        if self.bus is not None:
            fit &= np.frombuffer(self.bus_column, np.uint32)[start:stop] == self.bus
        return np.flatnonzero(fit) + start

    def _fits(self, number: int) -> bool:
        found = self._fitting.get(number)
        if found is None:
            found = self._fitting[number] = self.words in self.texts[number].casefold()
        return found

    def _with_bytes(self, start: int, stop: int) -> NDArray[np.int64]:
        """Places in the slice of rows in which the bytes stand; an occurrence across two rows is none."""
        import numpy as np

        stops = np.frombuffer(self.stops, np.uint64)[start:stop].astype(np.int64)
        begin = int(self.stops[start - 1]) if start else 0
        data = np.frombuffer(self.data, np.uint8)[begin : int(stops[-1])]
        size = len(self.bytes_too)
        if len(data) < size:
            return np.empty(0, dtype=np.int64)
        last = len(data) - size + 1
        hit = np.ones(last, dtype=bool)
        for offset, value in enumerate(self.bytes_too):
            hit &= data[offset : offset + last] == value
        at = np.flatnonzero(hit) + begin
        rows = np.searchsorted(stops, at, side="right")
        return rows[at + size <= stops[rows]]
