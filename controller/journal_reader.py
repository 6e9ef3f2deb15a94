"""Questions to the journal, on a connection that only reads: a long search holds up no command."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import Any, TypeVar

from controller.api import JournalEntry, JournalQuery
from controller.journal_file import connect, damaged, explained
from controller.records import Command, Lock, Outcome, Result, StateValue, Traffic, from_json
from profiles.errors import InputError, JournalError

__all__ = [
    "JournalReader",
    "entry_of",
    "from_text",
    "interruption",
    "locks_in",
    "rescued_locks",
    "states_in",
]

_MOST_ENTRIES = 100_000

R = TypeVar("R")


class JournalReader:
    """Reads the journal beside its one writer. For one thread."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with explained(path):
            self._connection = connect(path)
            self._connection.execute("PRAGMA query_only = ON")

    def find(self, query: JournalQuery) -> list[JournalEntry]:
        """The commands that were asked for and what became of them, the last one entered first.

        ``since`` and ``until`` are held against the time at which the journal got the command, which no
        sender's clock can shift.

        Raises:
            InputError: there is no such result.
            JournalError: it can't be read.
        """
        conditions, values = _conditions(query)
        where = f"WHERE {' AND '.join(conditions)} " if conditions else ""
        statement = f"SELECT n, command, outcome FROM commands {where}ORDER BY n DESC LIMIT ?"  # noqa: S608 -- made of the fixed pieces below
        with explained(self.path):
            limit = max(0, min(query.limit, _MOST_ENTRIES))
            rows = self._connection.execute(statement, (*values, limit)).fetchall()
            return [
                entry_of(row[1:], self.path, self._traffic(row[0]) if query.traffic else ()) for row in rows
            ]

    def states(self) -> dict[str, dict[str, StateValue]]:
        """The last known states, by unit and state."""
        with explained(self.path):
            return states_in(self._connection, self.path)

    def locks(self) -> list[Lock]:
        """The service locks that stand, oldest first."""
        with explained(self.path):
            return locks_in(self._connection, self.path)

    def _traffic(self, number: int) -> tuple[Traffic, ...]:
        rows = self._connection.execute(
            "SELECT record FROM traffic WHERE command = ? ORDER BY rowid", (number,)
        ).fetchall()
        return tuple(from_text(Traffic, record, self.path) for (record,) in rows)

    def interrupt(self) -> None:
        """End the question that is under way with an error; any thread may call this."""
        self._connection.interrupt()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()


def states_in(connection: sqlite3.Connection, path: Path) -> dict[str, dict[str, StateValue]]:
    """The last known states in a journal, by unit and state."""
    states: dict[str, dict[str, StateValue]] = {}
    for unit, state, value in connection.execute("SELECT unit, state, value FROM states"):
        states.setdefault(unit, {})[state] = from_text(StateValue, value, path)
    return states


def locks_in(connection: sqlite3.Connection, path: Path) -> list[Lock]:
    """The service locks in a journal, oldest first."""
    found = [from_text(Lock, lock, path) for (lock,) in connection.execute("SELECT lock FROM locks")]
    return sorted(found, key=lambda lock: (lock.at, lock.id))


def _conditions(query: JournalQuery) -> tuple[list[str], list[Any]]:
    wanted: list[tuple[str, Any]] = []
    if query.since is not None:
        wanted.append(("at >= ?", query.since))
    if query.until is not None:
        wanted.append(("at <= ?", query.until))
    if query.unit is not None:
        wanted.append(("unit = ?", query.unit))
    if query.result is not None:
        if query.result not in list(Result):
            raise InputError(f"no result is called {query.result!r}", todo=f"use one of {', '.join(Result)}")
        wanted.append(("result = ?", query.result))
    if query.text:
        wanted.append(("instr(words, ?) > 0", query.text.casefold()))
    if query.command_id is not None:
        wanted.append(("id = ?", query.command_id))
    return [condition for condition, _ in wanted], [
        value.encode("utf-8", "backslashreplace").decode() if isinstance(value, str) else value
        for _, value in wanted
    ]


def entry_of(row: tuple[str, str | None], path: Path, traffic: tuple[Traffic, ...] = ()) -> JournalEntry:
    """A command's row as an entry."""
    command, outcome = row
    return JournalEntry(
        from_text(Command, command, path),
        None if outcome is None else from_text(Outcome, outcome, path),
        traffic,
    )


def from_text(kind: type[R], text: str, path: Path) -> R:
    """What the store wrote as text.

    Raises:
        JournalDamaged: it is none of that kind.
    """
    try:
        return from_json(kind, json.loads(text))
    except (InputError, ValueError) as error:
        raise damaged(path, f"an entry {error}") from error


def interruption(command_id: str, now: float) -> Outcome:
    """What becomes of a command that is found without an outcome."""
    return Outcome(
        command_id,
        Result.INTERRUPTED,
        text="the controller ended while it was under way; what became of it is not known",
        look_at="the unit itself",
        at=now,
    )


def rescued_locks(path: Path) -> list[Lock] | None:
    """The service locks in a damaged journal; None where they can't be read."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as connection:
            rows = connection.execute("SELECT lock FROM locks").fetchall()
        return [from_text(Lock, lock, path) for (lock,) in rows]
    except (sqlite3.Error, JournalError):
        return None
