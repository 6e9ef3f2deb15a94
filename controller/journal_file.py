"""The journal's file: its layout, opening it, and what to say when SQLite can't."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from controller.state_folder import private_file, private_folder
from profiles.errors import ControllerError, JournalDamaged, JournalError

__all__ = ["VERSION", "beside", "connect", "damaged", "explained", "open_file", "set_aside"]

VERSION = 1
"""The layout that this program writes; kept as the file's ``user_version``."""

_APPLICATION = 0x4C574A31
"""Marks the file as a journal ("LWJ1"), so that no other SQLite file is taken for one."""

_LAYOUT = """
CREATE TABLE commands (
    n INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    at REAL NOT NULL,
    unit TEXT NOT NULL,
    command TEXT NOT NULL,
    result TEXT,
    outcome TEXT,
    words TEXT NOT NULL
);
CREATE INDEX commands_by_time ON commands (at);
CREATE INDEX commands_by_unit ON commands (unit);
CREATE INDEX commands_open ON commands (n) WHERE outcome IS NULL;
CREATE TABLE traffic (
    command INTEGER NOT NULL REFERENCES commands (n) ON DELETE CASCADE,
    record TEXT NOT NULL
);
CREATE INDEX traffic_by_command ON traffic (command);
CREATE TABLE states (
    unit TEXT NOT NULL, state TEXT NOT NULL, value TEXT NOT NULL, PRIMARY KEY (unit, state)
) WITHOUT ROWID;
CREATE TABLE counters (
    scope TEXT NOT NULL, name TEXT NOT NULL, next INTEGER NOT NULL, PRIMARY KEY (scope, name)
) WITHOUT ROWID;
CREATE TABLE locks (id TEXT PRIMARY KEY, lock TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE learned (bus TEXT PRIMARY KEY, learned TEXT NOT NULL) WITHOUT ROWID;
"""

_PATIENCE = 2.0
"""Seconds to wait for another program that writes into the file, such as a backup."""
_CHECKED_AFTER_A_CRASH = 64 << 20
"""Bytes up to which a file that was not closed is read through on opening: half a second at most."""


def connect(path: Path) -> sqlite3.Connection:
    """A connection with the settings that every one to the journal has; statements commit one by one."""
    connection = sqlite3.connect(path, timeout=_PATIENCE, isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA foreign_keys = ON")
    # Moving the log's pages into the file is done when nobody waits, never in the middle of a commit.
    connection.execute("PRAGMA wal_autocheckpoint = 0")
    return connection


def open_file(path: Path) -> sqlite3.Connection:
    """Open the journal at ``path``, made where there is none; folder and file are its owner's only.

    Raises:
        JournalError: it is damaged, was written by a newer program, is none, or can't be opened.
    """
    try:
        private_folder(path.parent)
    except ControllerError as error:
        raise JournalError(error.what, where=error.where, todo=error.todo) from error
    if path.is_dir():
        raise JournalError("is a folder, not a journal", where=str(path), todo="name a file")
    try:
        os.close(private_file(path))
    except OSError as error:
        raise JournalError(
            f"can't be opened to write: {error.strerror}", where=str(path), todo="check permissions and disk"
        ) from error
    with explained(path):
        unclean = _size(beside(path, "-wal")) > 0
        with contextlib.ExitStack() as undo:
            connection = connect(path)
            undo.callback(connection.close)
            _settle_layout(connection, path)
            # A commit is with the operating system when it returns: a killed process loses nothing. What must
            # outlive a power cut too is flushed by `JournalStore.flush`, outside of SQLite's write lock.
            connection.execute("PRAGMA synchronous = NORMAL")
            if unclean and _size(path) <= _CHECKED_AFTER_A_CRASH:
                found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
                if found != "ok":
                    raise damaged(path, found)
            undo.pop_all()
        return connection


def _settle_layout(connection: sqlite3.Connection, path: Path) -> None:
    """See that the file is a journal of this layout; an empty one becomes it."""
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if (application, version, tables) != (0, 0, 0):
        if application != _APPLICATION:
            raise JournalError(
                "is another program's database, not a journal", where=str(path), todo="name another file"
            )
        if version > VERSION:
            raise JournalError(
                f"has layout {version}, and this program knows {VERSION}: a newer one wrote it",
                where=str(path),
                todo="use that newer version, or move the file away to begin a new journal",
            )
        if version < VERSION:
            raise damaged(path, f"it says that its layout is {version}")
    else:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise JournalError(
            "lies where SQLite can't keep a write-ahead log (a network share?)",
            where=str(path),
            todo="put the state folder on a local disk with `--state`",
        )
    if not tables:
        connection.executescript(
            f"BEGIN IMMEDIATE; {_LAYOUT} PRAGMA application_id = {_APPLICATION};"
            f" PRAGMA user_version = {VERSION}; COMMIT;"
        )


def set_aside(path: Path) -> Path:
    """Rename a damaged journal so that a new one can begin; returns where it is now. Nothing is deleted.

    Raises:
        JournalError: it can't be renamed.
    """
    number = 1
    while (aside := path.with_name(f"{path.stem}-damaged-{number}{path.suffix}")).exists():
        number += 1
    try:
        # The log goes first: left beside a new file, it would be taken for that file's.
        for suffix in ("-intents", "-wal", "-shm", ""):
            with contextlib.suppress(FileNotFoundError):
                beside(path, suffix).rename(beside(aside, suffix))
    except OSError as error:
        raise JournalError(f"can't be set aside: {error.strerror}", where=str(path)) from error
    return aside


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn whatever SQLite raises into a ``JournalError``: the one boundary where that happens."""
    try:
        yield
    except sqlite3.Error as error:
        raise _explanation(path, error) from error


def damaged(path: Path, found: str) -> JournalDamaged:
    """The error of a file whose content can't be what was written."""
    return JournalDamaged(
        f"the journal is damaged ({found})",
        where=str(path),
        todo="begin a new one: the damaged file is kept beside it, with what it knew",
    )


def _explanation(path: Path, error: sqlite3.Error) -> JournalError:
    name = getattr(error, "sqlite_errorname", None) or type(error).__name__
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")):
        return damaged(path, str(error))
    if name.startswith("SQLITE_FULL"):
        what, todo = "the disk is full", "free some space; the journal goes on by itself"
    elif name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        what, todo = f"can't be written: {error}", "check the permissions and whether the disk is read-only"
    elif name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        what, todo = "another program holds the journal", "close whatever has the file open"
    elif name.startswith("SQLITE_IOERR"):
        what = f"the disk does not take or give what it should ({name})"
        todo = "check that it has space and is sound; the journal goes on by itself"
    else:
        what, todo = f"the journal does not do what it should ({name}: {error})", ""
    return JournalError(what, where=str(path), todo=todo)


def beside(path: Path, suffix: str) -> Path:
    """The path of what SQLite keeps beside the file: ``-wal`` or ``-shm``."""
    return path.with_name(path.name + suffix)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0
