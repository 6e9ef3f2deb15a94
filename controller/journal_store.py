"""The journal's store: what is written and read, in SQLite, without threads or event loops.

How long what is written lasts:

- A commit is with the operating system before ``transaction`` ends: it outlives ``kill -9`` at any moment.
- After ``flush`` it outlives a power cut as well. SQLite could flush in each commit (``synchronous=FULL``),
  and would hold its write lock meanwhile, so that an intent would wait for another command's outcome to
  reach the disk: measured on a fast virtual disk, 0.05 ms a commit without and 0.26 ms with it; an SD card
  takes tens of milliseconds (common practice, no source). So commits are made with ``synchronous=NORMAL``,
  and ``flush`` does for the write-ahead log what FULL would, in another thread.
- One connection writes and moves the log's pages into the file. SQLite before 3.51.3 can damage a file when
  two do it at once (sqlite.org/wal.html, "The WAL-Reset Bug"); ``JournalReader`` only reads.
"""

from __future__ import annotations

import contextlib
import math
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.api import JournalEntry
from controller.journal_file import beside, explained, open_file, set_aside
from controller.journal_intents import IntentLog
from controller.journal_reader import entry_of, from_text, interruption, locks_in, rescued_locks, states_in
from controller.journal_retention import delete_oldest, delete_probes, used_bytes
from controller.journal_text import as_text, search_words, storable
from controller.records import Command, Lock, Outcome, StateValue, Traffic
from profiles.errors import InputError, JournalDamaged, JournalError

__all__ = ["JournalStore", "Learned"]

_FREED_AT_ONCE = 2000
"""The most pages that are given back at a time."""

_to_disk = getattr(os, "fdatasync", os.fsync)


@dataclass(frozen=True, slots=True)
class Learned:
    """What a bus's traffic has taught of its line and adapter; None where it is not known."""

    at: float
    """UTC seconds when it was learned."""
    latency_s: float | None = None
    """The adapter's least latency."""
    jitter_s: float | None = None
    hop_bits: float | None = None
    """One hop in bit times."""


class JournalStore:
    """The journal of one controller. The caller holds the state folder's ``Claim``.

    Methods that write are called inside ``with store.transaction():`` and take effect when it ends. Any
    thread may call, one at a time; ``flush`` may run beside the others.

    Args:
        path: the file; made where there is none.
        now: UTC seconds, for what is found open.
        begin_anew: whether a damaged journal is set aside and a new one begun in its place. Its service
            locks come along as far as they can still be read.

    Raises:
        JournalDamaged: the file is damaged, and ``begin_anew`` was not said.
        JournalError: it can't be opened, or a newer program wrote it.
    """

    interrupted: tuple[JournalEntry, ...]
    """Commands that were found without an outcome and now have ``interrupted`` for one."""
    set_aside: Path | None = None
    """Where a damaged journal now is."""
    locks_rescued: bool = True
    """False where a damaged journal's service locks could not be read: each has to be set again."""

    def __init__(self, path: Path, *, now: float, begin_anew: bool = False) -> None:
        self.path = path.resolve()
        self.untidied = 0
        """How much there is to tidy: transactions since the last time, and commands deleted."""
        self._log = -1
        try:
            self._open(now)
        except JournalDamaged:
            if not begin_anew:
                raise
            self.set_aside = set_aside(self.path)
            rescued = rescued_locks(self.set_aside)
            self._open(now)
            self.locks_rescued = rescued is not None
            with self.transaction():
                for lock in rescued or ():
                    self.add_lock(lock)

    def _open(self, now: float) -> None:
        with contextlib.ExitStack() as undo:
            self._connection = open_file(self.path)
            undo.callback(self._connection.close)
            self._intents = IntentLog(self.path)
            undo.callback(self._intents.close)
            with explained(self.path):
                found = self._connection.execute(
                    "SELECT command, outcome FROM commands WHERE outcome IS NULL ORDER BY n"
                ).fetchall()
                entries = [entry_of(row, self.path) for row in found]
                for read in (self.states, self.locks, self.learned):
                    read()
                self._left = [each for each in self._intents.left if not self._knows(each[0].id)]
            undo.pop_all()
        entries += [JournalEntry(command, None) for command, _ in self._left]
        ends = [interruption(entry.command.id, now) for entry in entries]
        self.interrupted = tuple(
            JournalEntry(entry.command, end) for entry, end in zip(entries, ends, strict=True)
        )
        self._unmarked = ends
        # On a full disk the marks wait for the first transaction that goes through.
        with contextlib.suppress(JournalError), self.transaction():
            pass
        self.intents_entered()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All that is written within is there when it ends, or, when anything is raised, none of it.

        Raises:
            JournalError: it can't be written. The store stays usable, and works again when the disk does.
        """
        with explained(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                for command, at in self._left:
                    self.intent(command, at)
                for outcome in self._unmarked:
                    self.outcome(outcome)
                yield
                self._connection.execute("COMMIT")
                self._left, self._unmarked = [], []
                self.untidied += 1
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    if self._connection.in_transaction:
                        self._connection.execute("ROLLBACK")
                raise

    # Commands

    def log_intent(self, line: bytes) -> None:
        """Write a line of ``journal_intents``, outside of a transaction: the command may go out on that.

        ``intent`` has to follow for the same command; ``intents_entered`` then says that it has.

        Raises:
            JournalError: the disk does not take it.
        """
        self._intents.append(line)

    def intents_entered(self) -> None:
        """Everything in the log of intents is in the table by now, and committed."""
        if not self._left:
            self._intents.clear()

    def _knows(self, command_id: str) -> bool:
        with explained(self.path):
            found = self._connection.execute("SELECT 1 FROM commands WHERE id = ?", (storable(command_id),))
            return found.fetchone() is not None

    def intent(self, command: Command, now: float, text: str = "") -> JournalEntry | None:
        """Enter a command.

        Args:
            command: the command.
            now: UTC seconds.
            text: the command as JSON, where that was made already.

        Returns:
            None where it is new. Otherwise what the journal has under its id, which stays as it is: the
            same id is the same command; an entry without an outcome is under way.
        """
        identity = storable(command.id)
        origin = command.origin
        row = (
            identity,
            now,
            storable(command.unit),
            text or as_text(command),
            search_words(command.unit, command.action, origin.kind, origin.name),
        )
        entered = self._connection.execute(
            "INSERT INTO commands (id, at, unit, command, words) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO NOTHING",
            row,
        )
        if entered.rowcount:
            return None
        earlier = self._connection.execute("SELECT command, outcome FROM commands WHERE id = ?", (identity,))
        return entry_of(earlier.fetchone(), self.path)

    def outcome(self, outcome: Outcome, traffic: Sequence[Traffic] = ()) -> Outcome:
        """Enter what became of a command, and the traffic around it.

        Returns:
            The outcome that stands: a command has one, and the first stays.

        Raises:
            InputError: no such command was entered.
        """
        number, standing = self._row(outcome.command_id)
        if standing is None:
            words = search_words(outcome.reason or "", outcome.text)
            self._connection.execute(
                "UPDATE commands SET result = ?, outcome = ?, words = words || char(10) || ? WHERE n = ?",
                (outcome.result.value, as_text(outcome), words, number),
            )
        self._keep(number, traffic)
        return outcome if standing is None else from_text(Outcome, standing, self.path)

    def keep_traffic(self, command_id: str, traffic: Sequence[Traffic]) -> None:
        """Keep more traffic with a command, such as what followed its failure.

        Raises:
            InputError: no such command was entered.
        """
        self._keep(self._row(command_id)[0], traffic)

    def _row(self, command_id: str) -> tuple[int, str | None]:
        found = self._connection.execute(
            "SELECT n, outcome FROM commands WHERE id = ?", (storable(command_id),)
        ).fetchone()
        if found is None:
            raise InputError(f"no command {command_id!r} is in the journal", where=str(self.path))
        row: tuple[int, str | None] = found
        return row

    def _keep(self, number: int, traffic: Sequence[Traffic]) -> None:
        self._connection.executemany(
            "INSERT INTO traffic (command, record) VALUES (?, ?)",
            [(number, as_text(record)) for record in traffic],
        )

    # States, counters, locks, learned values

    def set_states(self, values: dict[tuple[str, str], StateValue]) -> None:
        """Keep last known states, by (unit, state)."""
        self._connection.executemany(
            "INSERT OR REPLACE INTO states (unit, state, value) VALUES (?, ?, ?)",
            [(storable(unit), storable(state), as_text(value)) for (unit, state), value in values.items()],
        )

    def states(self) -> dict[str, dict[str, StateValue]]:
        """The last known states, by unit and state."""
        return states_in(self._connection, self.path)

    def next_counter(self, scope: str, name: str, start: int, wrap: int) -> int:
        """The number that is up for a counter of a bus's or unit's, and the one after it kept for the next.

        Args:
            scope: the bus's or unit's id.
            name: the counter's name in the profile.
            start: its first number.
            wrap: it goes on from ``wrap - 1`` to 0.
        """
        key = (storable(scope), storable(name))
        found = self._connection.execute("SELECT next FROM counters WHERE scope = ? AND name = ?", key)
        kept = found.fetchone()
        number: int = kept[0] if kept is not None and kept[0] < wrap else start
        self._connection.execute(
            "INSERT OR REPLACE INTO counters (scope, name, next) VALUES (?, ?, ?)",
            (*key, (number + 1) % wrap),
        )
        return number

    def add_lock(self, lock: Lock) -> None:
        """Keep a service lock."""
        self._connection.execute(
            "INSERT OR REPLACE INTO locks (id, lock) VALUES (?, ?)", (storable(lock.id), as_text(lock))
        )

    def remove_lock(self, lock_id: str) -> bool:
        """Forget a service lock; whether there was one."""
        removed = self._connection.execute("DELETE FROM locks WHERE id = ?", (storable(lock_id),))
        return removed.rowcount > 0

    def locks(self) -> list[Lock]:
        """The service locks that stand, oldest first."""
        return locks_in(self._connection, self.path)

    def learn(self, bus: str, learned: Learned) -> None:
        """Keep what was learned of a bus."""
        self._connection.execute(
            "INSERT OR REPLACE INTO learned (bus, learned) VALUES (?, ?)", (storable(bus), as_text(learned))
        )

    def learned(self) -> dict[str, Learned]:
        """What was learned, by bus."""
        return {
            bus: from_text(Learned, learned, self.path)
            for bus, learned in self._all("SELECT bus, learned FROM learned")
        }

    def _all(self, statement: str) -> list[Any]:
        with explained(self.path):
            return self._connection.execute(statement).fetchall()

    # Housekeeping

    def size(self) -> int:
        """Bytes in use, without what is kept free for reuse."""
        return used_bytes(self._connection, self.path)

    def forget(
        self,
        *,
        before: float | None,
        most_bytes: int | None,
        probes_before: float | None = None,
        at_once: int = 200,
    ) -> int:
        """Delete some of the oldest commands that are over, with their traffic.

        Args:
            before: UTC seconds; what was entered earlier goes.
            most_bytes: while the journal uses more, the oldest go.
            probes_before: UTC seconds; scheduled probes that found all well go where they are older.
            at_once: the most that one call deletes, so that nobody waits long.

        Returns:
            How many went; call again until it is 0.
        """
        too_large = most_bytes is not None and self.size() > most_bytes
        limit = math.inf if too_large else -math.inf if before is None else before
        gone = delete_oldest(self._connection, limit, at_once)
        if not gone and probes_before is not None:
            gone = delete_probes(self._connection, probes_before, at_once)
        self.untidied += gone
        return gone

    def tidy(self) -> None:
        """Move what the write-ahead log holds into the file, and give back what is free in it.

        To be called outside of a transaction and when nobody waits: it flushes.

        Raises:
            JournalError: it could not; nothing is lost, and it can be tried again.
        """
        checkpoint = "PRAGMA wal_checkpoint(PASSIVE)"
        self._all(checkpoint)
        if self._all("PRAGMA freelist_count") != [(0,)]:
            with explained(self.path):
                # As a script: a plain statement would be left after the first page that it frees.
                self._connection.executescript(f"PRAGMA incremental_vacuum({_FREED_AT_ONCE});")
            self._all(checkpoint)
        self.untidied = 0

    def flush(self) -> None:
        """Return when all that was committed before would outlive a power cut. May run beside the others.

        Raises:
            JournalError: the disk did not take it, or the file has been deleted or replaced.
        """
        log = beside(self.path, "-wal")
        try:
            if self._log < 0:
                self._log = os.open(log, os.O_RDWR | getattr(os, "O_BINARY", 0))
            _to_disk(self._log)
            kept = os.path.samestat(os.fstat(self._log), log.stat()) and self.path.exists()
        except FileNotFoundError:
            kept = False
        except OSError as error:
            raise JournalError(
                f"the disk does not take what is written: {error.strerror}",
                where=str(self.path),
                todo="check that it has space and is sound",
            ) from error
        if not kept:
            raise JournalError(
                "the journal's file has been deleted or replaced while it was in use",
                where=str(self.path),
                todo="restart the controller: it begins a new one",
            )

    def faults(self) -> list[str]:
        """Read the whole file and say what is damaged; empty where nothing is."""
        found = [text for (text,) in self._all("PRAGMA quick_check")]
        return [] if found == ["ok"] else found

    def close(self) -> None:
        """Close the file; its write-ahead log goes into it. A second time does nothing."""
        try:
            with explained(self.path):
                self._connection.close()
        finally:
            self._intents.close()
            if self._log >= 0:
                os.close(self._log)
                self._log = -1
