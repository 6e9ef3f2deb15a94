"""A command and its outcome, entered in a journal's store and found again."""

from __future__ import annotations

from pathlib import Path

from controller.api import JournalEntry, JournalQuery
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore
from controller.records import Command, LagFigures, Origin, OriginKind, Outcome, Result

ON = Command("foyer-amp", "power-on", {"ramp": 2.5}, Origin(OriginKind.SCREEN, "kim"), "on-1", at=10.0)
CONFIRMED = Outcome(
    "on-1",
    Result.CONFIRMED,
    text="all 4 echoes came back",
    frames=4,
    echoed=4,
    attempts=1,
    lag_ms=LagFigures(6.2, 6.3, 6.9),
    units_answering=2,
    at=10.1,
)


def enter(store: JournalStore, command: Command, outcome: Outcome | None = None, now: float = 0.0) -> None:
    """Enter a new command, and what became of it."""
    with store.transaction():
        assert store.intent(command, now) is None
        if outcome is not None:
            store.outcome(outcome)


ALL = JournalQuery()


def found(path: Path, query: JournalQuery = ALL) -> list[JournalEntry]:
    """What another connection finds."""
    reader = JournalReader(path)
    try:
        return reader.find(query)
    finally:
        reader.close()
