"""What is wrong now: alerts that are raised once and clear by themselves when the cause is over."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from controller.records import Alert, Record

__all__ = ["AlertBook", "FaultAlert"]

_FAULT_STANDS = 300.0
"""Seconds after which a fault of this program is taken to be over, if no other one has come."""


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

    def forget(self, target: str) -> None:
        """Clear whatever stands of a target that is no longer watched."""
        for identity in [key for key, alert in self._standing.items() if alert.target == target]:
            self.set(identity.removesuffix(f"-{target}"), target, None)


class FaultAlert:
    """The alert that this program met a fault of its own; for the event loop.

    Args:
        alert: raises or clears an alert: (kind, target, text or None, what to look at).
        target: a bus, or the site.
        stands: seconds after which it is over.
    """

    def __init__(
        self,
        alert: Callable[[str, str, str | None, str], None],
        target: str,
        *,
        stands: float = _FAULT_STANDS,
    ) -> None:
        self._alert = alert
        self._target = target
        self._stands = stands
        self._over: asyncio.TimerHandle | None = None

    def met(self, error: BaseException) -> None:
        """A fault was met."""
        self._alert("fault", self._target, f"a fault of this program: {error!r}", "the log of the controller")
        self.close()
        self._over = asyncio.get_running_loop().call_later(self._stands, self._clear)

    def _clear(self) -> None:
        self._alert("fault", self._target, None, "")

    def close(self) -> None:
        """Clear nothing any more."""
        if self._over is not None:
            self._over.cancel()
            self._over = None
