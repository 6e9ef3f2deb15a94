"""The numbers of a message's counters: kept by the journal, over restarts."""

from __future__ import annotations

import asyncio

from controller.guard import Cleared
from controller.journal import Journal
from profiles.errors import JournalError
from profiles.parts import CounterPart

__all__ = ["PATIENCE", "Counting"]

PATIENCE = 2.0
"""Seconds that what takes energy away waits for a journal that does not answer."""


class Counting:
    """Takes numbers for one bus.

    Args:
        journal: keeps them.
        bus: the bus's id.
    """

    def __init__(self, journal: Journal, bus: str) -> None:
        self._journal = journal
        self._bus = bus
        self._last: dict[tuple[str, str], int] = {}

    async def numbers(self, cleared: Cleared) -> dict[str, int]:
        """A fresh number for each counter of a command's message.

        Where the journal can't be written, what takes energy away goes on from the last number it had.

        Raises:
            JournalError: the journal can't be written, and the command does not de-energise.
        """
        if cleared.action is None:
            return {}
        found = {}
        for counter in cleared.action.send.counters:
            scope = cleared.command.unit if counter.per == "unit" else self._bus
            key = (scope, counter.name)
            try:
                async with asyncio.timeout(PATIENCE if cleared.de_energises else None):
                    number = await self._journal.next_counter(
                        scope, counter.name, counter.start, counter.wrap
                    )
            except (JournalError, TimeoutError):
                if not cleared.de_energises:
                    raise
                number = self._following(key, counter)
            self._last[key] = found[counter.name] = number
        return found

    def _following(self, key: tuple[str, str], counter: CounterPart) -> int:
        last = self._last.get(key)
        return counter.start if last is None else (last + 1) % counter.wrap
