"""Getting a link's port open again: in a thread of its own, with back-off, until it succeeds.

An attempt may take seconds (a network port that nobody answers on), and so may closing what is left of a
lost port; meanwhile the link's own thread says at once of every order that there is no port.
"""

from __future__ import annotations

import random
import threading
from collections import deque
from collections.abc import Callable

from controller.ports import Port
from controller.threads import named_thread

__all__ = ["BACK_OFF", "PortOpener"]

BACK_OFF = (0.1, 0.2, 0.4, 0.8, 1.0)
"""Seconds before each attempt after a failure; the last one stays."""


class PortOpener:
    """Closes a lost port and opens it anew; each thing that happens is taken once.

    Args:
        opener: opens the port, or raises.
        wake: is called whenever there is something to take; from this opener's thread.
        name: the thread's name.
        lost: what is to be closed first, so that its device can come back under the same name.
        failures: how often in a row it went wrong before: the first attempt waits accordingly.
        spread: a factor around 1 for each wait, so that many links don't try in step.
    """

    def __init__(
        self,
        opener: Callable[[], Port],
        wake: Callable[[], None],
        name: str,
        *,
        lost: Port | None = None,
        failures: int = 0,
        spread: Callable[[], float] = lambda: random.uniform(0.8, 1.2),  # noqa: S311 -- only spreads attempts
    ) -> None:
        self._opener = opener
        self._wake = wake
        self._lost = lost
        self._failures = failures
        self._spread = spread
        self._happened: deque[Port | Exception] = deque()
        self._given_up = threading.Event()
        self._handing_over = threading.Lock()
        self._thread = named_thread(self._run, name)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def take(self) -> Port | Exception | None:
        """The open port, or why an attempt failed; None while there is no news."""
        return self._happened.popleft() if self._happened else None

    def give_up(self, patience: float) -> None:
        """Make no further attempt; a port that opens all the same is closed.

        Args:
            patience: seconds to wait for an attempt that is under way.
        """
        with self._handing_over:
            self._given_up.set()
            left = list(self._happened)
            self._happened.clear()
        for each in left:
            if not isinstance(each, Exception):
                each.close()
        if self._thread.ident is not None:
            self._thread.join(patience)

    def _run(self) -> None:
        lost, self._lost = self._lost, None
        if lost is not None:
            lost.close()
        while True:
            if self._failures:
                seconds = BACK_OFF[min(self._failures, len(BACK_OFF)) - 1] * self._spread()
                if self._given_up.wait(seconds):
                    return
            elif self._given_up.is_set():
                return
            self._failures += 1
            outcome: Port | Exception
            try:
                outcome = self._opener()
            except Exception as error:  # noqa: BLE001 -- the link is told of it, whatever it is
                outcome = error
            if not self._hand_over(outcome) or not isinstance(outcome, Exception):
                return

    def _hand_over(self, outcome: Port | Exception) -> bool:
        """Whether the link still wants it."""
        with self._handing_over:
            if not self._given_up.is_set():
                self._happened.append(outcome)
                self._wake()
                return True
        if not isinstance(outcome, Exception):
            outcome.close()
        return False
