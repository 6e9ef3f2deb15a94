"""The journal of a controller that does not run: its table, and what was only logged when it ended."""

from __future__ import annotations

from pathlib import Path

from controller.api import JournalEntry, JournalQuery
from controller.journal_intents import logged_intents
from controller.journal_reader import JournalReader
from controller.journal_text import search_words
from controller.records import Command, Result
from profiles.errors import InputError

__all__ = ["find_offline"]


def find_offline(path: Path, query: JournalQuery) -> list[JournalEntry]:
    """The commands that were asked for, the last one entered first; the log of intents is only read.

    A command that a killed controller had only logged is among them, without an outcome: the next controller
    enters it as ``interrupted``.

    Args:
        path: the journal's file; there need not be one.
        query: which commands.

    Raises:
        InputError: the query names a result that there is not.
        JournalError: it can't be read.
    """
    if query.result is not None and query.result not in list(Result):
        raise InputError(f"no result is called {query.result!r}", todo=f"use one of {', '.join(Result)}")
    # Read before the table: what is entered in between is then in both, and not in neither.
    logged = [entry for entry in logged_intents(path) if _asked_for(*entry, query)]
    if not path.exists():
        return [JournalEntry(command, None) for command, _ in reversed(logged)][: max(0, query.limit)]
    reader = JournalReader(path)
    try:
        only_logged = [
            JournalEntry(command, None)
            for command, _ in reversed(logged)
            if not reader.find(JournalQuery(1, command_id=command.id))
        ]
        return [*only_logged, *reader.find(query)][: max(0, query.limit)]
    finally:
        reader.close()


def _asked_for(command: Command, at: float, query: JournalQuery) -> bool:
    words = search_words(command.unit, command.action, command.origin.kind, command.origin.name)
    return (
        query.result is None
        and (query.since is None or at >= query.since)
        and (query.until is None or at <= query.until)
        and query.unit in (None, command.unit)
        and query.command_id in (None, command.id)
        and (not query.text or query.text.casefold() in words)
    )
