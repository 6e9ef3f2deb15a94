"""What is wrong now: alerts that are raised once and clear by themselves when the cause is over."""

from __future__ import annotations

from collections.abc import Callable

from controller.records import Alert, Record

__all__ = ["AlertBook"]


class AlertBook:
    """The alerts that stand.

    Args:
        publish: who is told of a new, changed or cleared alert.
        utc: the time, in UTC seconds.
    """

    def __init__(self, publish: Callable[[Record], None], utc: Callable[[], float]) -> None:
        self._publish = publish
        self._utc = utc
        self._standing: dict[str, Alert] = {}

    def standing(self) -> list[Alert]:
        """All alerts, oldest first."""
        return sorted(self._standing.values(), key=lambda alert: alert.since)

    def set(self, kind: str, target: str, text: str | None, look_at: str = "") -> None:
        """Raise, change or clear (``text`` None) the alert of that kind for a target."""
        identity = f"{kind}-{target}"
        old = self._standing.get(identity)
        if text is None:
            if old is not None:
                del self._standing[identity]
                self._publish(Alert(identity, target, old.since, old.text, old.look_at, over=True))
            return
        alert = Alert(identity, target, old.since if old else self._utc(), text, look_at)
        if alert != old:
            self._standing[identity] = alert
            self._publish(alert)
