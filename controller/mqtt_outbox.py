"""What waits to be published: of values only the newest, of what passes a bounded number. Pure."""

from __future__ import annotations

from itertools import islice

from controller.homie_devices import Publication, Waits

__all__ = ["Outbox"]


class Outbox:
    """Publications in their order, while the broker is slower than what happens.

    Args:
        size: how many ``Waits.BOUNDED`` ones may wait.
    """

    def __init__(self, size: int = 2000) -> None:
        self._size = size
        self._waiting: dict[str | int, Publication] = {}
        self._bounded: dict[str | int, None] = {}
        self._number = 0
        self.dropped = 0
        """Publications that were dropped."""

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, publication: Publication) -> None:
        """Append one."""
        self._number += 1
        if publication.waits is Waits.NEWEST:
            self._waiting.pop(publication.topic, None)
            self._waiting[publication.topic] = publication
            return
        self._waiting[self._number] = publication
        if publication.waits is Waits.BOUNDED:
            self._bounded[self._number] = None
            if len(self._bounded) > self._size:
                oldest = next(iter(self._bounded))
                del self._bounded[oldest], self._waiting[oldest]
                self.dropped += 1

    def take(self, most: int) -> list[Publication]:
        """Take out up to so many, in their order."""
        taken = []
        for key in list(islice(self._waiting, most)):
            self._bounded.pop(key, None)
            taken.append(self._waiting.pop(key))
        return taken
