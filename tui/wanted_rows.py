"""Which rows of a traffic store are shown: all, or those that a filter has found so far. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from tui.traffic_store import TrafficStore, Wanted

__all__ = ["WantedRows"]


class WantedRows:
    """Follows a store through a filter; old rows are looked through a slice at a time.

    Args:
        store: the rows.
    """

    def __init__(self, store: TrafficStore) -> None:
        self._store = store
        self.wanted = Wanted()
        self._search: Iterator[list[int]] | None = None
        self._found: list[int] = []
        self._upto = 0
        self._dropped = store.dropped

    @property
    def searching(self) -> bool:
        """Whether there are old rows that have not been looked at yet."""
        return self._search is not None

    def want(self, wanted: Wanted) -> None:
        """Begin anew with another filter; the newest slice is looked through at once."""
        self.wanted = wanted
        self._found, self._upto, self._dropped = [], len(self._store), self._store.dropped
        self._search = None if wanted.everything else self._store.find(wanted)
        self.search_on()

    def search_on(self) -> None:
        """Look through one more slice of old rows."""
        rows = next(self._search, None) if self._search is not None else None
        if rows is None:
            self._search = None
        else:
            self._found[:0] = reversed(rows)

    def rows(self, count: int) -> list[int] | None:
        """The rows among the first ``count``, oldest first; None for all of them."""
        if self.wanted.everything:
            return None
        if self._store.dropped != self._dropped:
            # Rows were let go, so all the others have other numbers now.
            self.want(self.wanted)
        for row in range(self._upto, count):
            if self._store.fits(row, self.wanted):
                self._found.append(row)
        self._upto = max(self._upto, count)
        return self._found
