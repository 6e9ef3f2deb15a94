"""How long a site takes to answer, and whether it does. Pure: times are handed in, monotonic seconds."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["RoundTrips", "Trip"]

_ASK_EVERY = 5.0
_SILENT_AFTER = 3.0
"""Seconds: an answer that takes longer is one that does not come."""


@dataclass(slots=True)
class Trip:
    """What is known of the way to one site and back."""

    seconds: float | None = None
    """The last answer's round trip."""
    word: str = ""
    """What was asked last and is not answered yet."""
    asked_at: float | None = None
    unanswered_since: float | None = None
    """When the first question was asked that is not answered, nor any after it."""


class RoundTrips:
    """Asks each site for a sign of life, and measures.

    Args:
        name: what tells our questions from those of others.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._number = 0
        self._trips: dict[str, Trip] = {}
        self.last_command: tuple[str, float] | None = None
        """The site of the last command, and the seconds from sending it to its outcome here."""

    def of(self, site: str) -> Trip:
        """What is known of a site's way."""
        return self._trips.setdefault(site, Trip())

    def due(self, site: str, now: float) -> bool:
        """Whether it is time to ask."""
        asked_at = self.of(site).asked_at
        return asked_at is None or now - asked_at >= _ASK_EVERY

    def ask(self, site: str, now: float) -> str:
        """The next question: a word that the site gives back."""
        self._number += 1
        trip = self.of(site)
        if trip.unanswered_since is None:
            trip.unanswered_since = now
        trip.word, trip.asked_at = f"{self._name}:{self._number}", now
        return trip.word

    def answered(self, site: str, word: str, now: float) -> bool:
        """A site gave a word back; whether it was our newest question's."""
        trip = self.of(site)
        if not word or word != trip.word or trip.asked_at is None:
            return False
        trip.seconds, trip.word, trip.unanswered_since = now - trip.asked_at, "", None
        return True

    def silent_for(self, site: str, now: float) -> float | None:
        """For how long a site has not answered; None while nothing speaks against it."""
        since = self.of(site).unanswered_since
        return now - since if since is not None and now - since >= _SILENT_AFTER else None

    def forget(self) -> None:
        """A new connection: questions that were under way are answered no more."""
        for trip in self._trips.values():
            trip.word, trip.asked_at, trip.unanswered_since, trip.seconds = "", None, None, None
