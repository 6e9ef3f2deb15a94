"""Which rows of a traffic store are shown: all, or those that a filter has found so far. Pure."""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import overload

from tui.traffic_store import TrafficStore, Wanted

__all__ = ["FoundRows", "WantedRows"]


class FoundRows(Sequence[int]):
    """Rows that a filter has found, oldest first; both ends grow, and neither moves the others."""

    def __init__(self) -> None:
        self._earlier = array("q")
        """Those found by looking back, newest first."""
        self._later = array("q")

    def __len__(self) -> int:
        return len(self._earlier) + len(self._later)

    @overload
    def __getitem__(self, place: int) -> int: ...
    @overload
    def __getitem__(self, place: slice) -> list[int]: ...
    def __getitem__(self, place: int | slice) -> int | list[int]:
        """The row at a place.

        Raises:
            IndexError: there is no such place.
        """
        if isinstance(place, slice):
            return [self[each] for each in range(*place.indices(len(self)))]
        earlier = len(self._earlier)
        if not 0 <= place < len(self):
            raise IndexError(place)
        return self._earlier[earlier - 1 - place] if place < earlier else self._later[place - earlier]

    def look_back(self, rows: Iterable[int]) -> None:
        """Rows before all others, newest first."""
        self._earlier.extend(rows)

    def append(self, row: int) -> None:
        """A row behind all others."""
        self._later.append(row)


class WantedRows:
    """Follows a store through a filter; old rows are looked through a slice at a time.

    Args:
        store: the rows.
    """

    def __init__(self, store: TrafficStore) -> None:
        self._store = store
        self.wanted = Wanted()
        self._search: Iterator[Sequence[int]] | None = None
        self._found = FoundRows()
        self._upto = 0
        self._dropped = store.dropped

    @property
    def searching(self) -> bool:
        """Whether there are old rows that have not been looked at yet."""
        return self._search is not None

    def want(self, wanted: Wanted) -> None:
        """Begin anew with another filter; the newest slice is looked through at once."""
        self.wanted = wanted
        self._found, self._upto, self._dropped = FoundRows(), len(self._store), self._store.dropped
        self._search = None if wanted.everything else self._store.find(wanted)
        self.search_on()

    def search_on(self) -> None:
        """Look through one more slice of old rows."""
        if self._store.dropped != self._dropped:
            # Rows were let go, so all the others have other numbers now.
            self.want(self.wanted)
            return
        rows = next(self._search, None) if self._search is not None else None
        if rows is None:
            self._search = None
        else:
            self._found.look_back(rows)

    def search_while(self, still: Callable[[], bool]) -> None:
        """Look through old rows, a slice after the other, as long as it is said."""
        while self._search is not None and still():
            self.search_on()

    def rows(self, count: int) -> FoundRows | None:
        """The rows among the first ``count``, oldest first; None for all of them."""
        if self.wanted.everything:
            return None
        if self._store.dropped != self._dropped:
            self.want(self.wanted)
        for row in range(self._upto, count):
            if self._store.fits(row, self.wanted):
                self._found.append(row)
        self._upto = max(self._upto, count)
        return self._found
