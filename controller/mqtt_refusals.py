"""Which publications the broker has refused to take; only MQTT 5 tells."""

from __future__ import annotations

from collections import Counter, deque

__all__ = ["Refusals"]


class Refusals:
    """Refusals by topic, so that one of another topic is never taken for one's own.

    Args:
        most: how many publications may be out at the same time without having been acknowledged.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._topics: dict[int, str] = {}
        self._refused: deque[int] = deque(maxlen=most)
        self._early: deque[int] = deque(maxlen=most)
        """Refused before their own ``handed`` came."""
        self._by_topic: Counter[str] = Counter()

    def handed(self, number: int, topic: str) -> None:
        """A publication has gone out under this packet identifier."""
        self._topics.pop(number, None)
        self._topics[number] = topic
        if len(self._topics) > self._most:
            del self._topics[next(iter(self._topics))]
        self._count()
        if number in self._early:
            self._early.remove(number)
            self._by_topic[self._topics.pop(number)] += 1

    def refused(self, number: int) -> None:
        """The broker did not take this one.

        Any thread may say so, and before ``handed``: a packet's number is known only once it is out.
        """
        self._refused.append(number)

    @property
    def total(self) -> int:
        """How many publications were refused so far."""
        self._count()
        return self._by_topic.total()

    def of(self, topic: str) -> int:
        """How many publications at a topic were refused so far."""
        self._count()
        return self._by_topic[topic]

    def _count(self) -> None:
        while self._refused:
            number = self._refused.popleft()
            topic = self._topics.pop(number, None)
            if topic is None:
                self._early.append(number)
            else:
                self._by_topic[topic] += 1
