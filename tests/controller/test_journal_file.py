"""Opening the journal's file: whose it is, what is no journal, and what to do with a damaged one."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.journal_file import VERSION, set_aside
from controller.journal_store import JournalStore
from controller.records import Command, Lock, Outcome, Result
from profiles.errors import JournalDamaged, JournalError

LOCK = Lock("lock-1", "foyer-amp", "kim", "new fuse", 3.0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A journal of 200 commands and a lock, closed."""
    path = tmp_path / "state" / "journal.sqlite"
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.add_lock(LOCK)
        for number in range(200):
            store.intent(Command("foyer-amp", "power-on", id=str(number)), float(number))
            store.outcome(Outcome(str(number), Result.CONFIRMED, text="all echoes came back " * 5))
    store.close()
    return path


def root_page(path: Path, name: str) -> int:
    connection = sqlite3.connect(path)
    (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    connection.close()
    return int(page)


def overwrite_page(path: Path, page: int) -> None:
    with path.open("r+b") as file:
        file.seek((page - 1) * 4096)
        file.write(b"\xaa" * 4096)


@pytest.mark.skipif(os.name != "posix", reason="file modes mean nothing elsewhere")
def test_folder_and_file_are_their_owners_only(path: Path) -> None:
    assert path.parent.stat().st_mode & 0o777 == 0o700
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.add_lock(LOCK)
    modes = {file.name: file.stat().st_mode & 0o777 for file in path.parent.iterdir()}
    store.close()
    assert modes == {"journal.sqlite": 0o600, "journal.sqlite-wal": 0o600, "journal.sqlite-shm": 0o600}


@pytest.mark.skipif(os.name != "posix", reason="file modes mean nothing elsewhere")
def test_a_file_that_others_could_read_is_closed_to_them(path: Path) -> None:
    path.chmod(0o644)
    JournalStore(path, now=1.0).close()
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_closed_journal_is_one_file(path: Path) -> None:
    assert [file.name for file in path.parent.iterdir()] == ["journal.sqlite"]


def test_a_journal_of_a_newer_program_is_left_as_it_is(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    before = path.read_bytes()
    for begin_anew in (False, True):
        with pytest.raises(JournalError, match="a newer one wrote it") as caught:
            JournalStore(path, now=1.0, begin_anew=begin_anew)
        assert str(path) in str(caught.value)
        assert "newer version" in caught.value.todo
    assert path.read_bytes() == before


def test_another_programs_database_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "state" / "recipes.sqlite"
    path.parent.mkdir(mode=0o700)
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(JournalError, match="another program's database"):
        JournalStore(path, now=1.0, begin_anew=True)
    assert path.read_bytes() == before


def test_an_empty_file_becomes_a_journal(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.touch(mode=0o600)
    store = JournalStore(path, now=1.0)
    assert store.faults() == []
    store.close()


def test_a_folder_in_the_files_place_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    path.mkdir()
    with pytest.raises(JournalError, match="is a folder"):
        JournalStore(path, now=1.0)


def test_a_file_in_the_folders_place_is_told(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("no folder")
    with pytest.raises(JournalError, match="is no folder"):
        JournalStore(tmp_path / "state" / "journal.sqlite", now=1.0)
    assert (tmp_path / "state").read_text() == "no folder"


# Damage


def garbage(path: Path) -> None:
    path.write_bytes(b"this is no database, and never was\n" * 200)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def open_index_overwritten(path: Path) -> None:
    overwrite_page(path, root_page(path, "commands_open"))


def entry_that_is_none(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO states VALUES ('foyer-amp', 'power', '{\"value\": ')")
    connection.commit()
    connection.close()


def locks_overwritten(path: Path) -> None:
    overwrite_page(path, root_page(path, "locks"))


LOCKS_READABLE: dict[Callable[[Path], None], bool] = {
    garbage: False,
    cut_short: False,
    locks_overwritten: False,
    open_index_overwritten: True,
    entry_that_is_none: True,
}


@pytest.mark.parametrize("damage", LOCKS_READABLE, ids=lambda damage: damage.__name__)
def test_a_damaged_journal_is_told_and_stays_as_it_is(path: Path, damage: Callable[[Path], None]) -> None:
    damage(path)
    before = path.read_bytes()
    with pytest.raises(JournalDamaged, match="the journal is damaged") as caught:
        JournalStore(path, now=1.0)
    assert caught.value.where == str(path)
    assert "begin a new one" in caught.value.todo
    assert path.read_bytes() == before


@pytest.mark.parametrize("damage", LOCKS_READABLE, ids=lambda damage: damage.__name__)
def test_a_new_one_is_begun_when_told_to_and_the_damaged_one_kept_beside_it(
    path: Path, damage: Callable[[Path], None]
) -> None:
    damage(path)
    before = path.read_bytes()
    store = JournalStore(path, now=1.0, begin_anew=True)
    with store.transaction():
        assert store.intent(Command("foyer-amp", "power-on", id="7"), 5.0) is None
    assert store.set_aside == path.with_name("journal-damaged-1.sqlite")
    assert store.set_aside.read_bytes() == before
    assert store.locks_rescued is LOCKS_READABLE[damage]
    assert store.locks() == ([LOCK] if LOCKS_READABLE[damage] else [])
    store.close()
    garbage(path)
    second = JournalStore(path, now=1.0, begin_anew=True)
    assert second.set_aside == path.with_name("journal-damaged-2.sqlite")
    second.close()
    assert path.with_name("journal-damaged-1.sqlite").read_bytes() == before


def test_the_log_of_a_damaged_journal_goes_with_it(path: Path) -> None:
    """Left behind, SQLite would write it into the new file."""
    for suffix in ("-wal", "-shm"):
        Path(f"{path}{suffix}").write_text(suffix)
    aside = set_aside(path)
    assert sorted(file.name for file in path.parent.iterdir()) == [
        f"journal-damaged-1.sqlite{suffix}" for suffix in ("", "-shm", "-wal")
    ]
    assert Path(f"{aside}-wal").read_text() == "-wal"


def test_after_a_crash_the_whole_file_is_looked_through(path: Path) -> None:
    """A damaged page that opening would not come by: found only because the last run did not end cleanly."""
    overwrite_page(path, root_page(path, "commands_by_unit"))
    JournalStore(path, now=1.0).close()
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.add_lock(LOCK)
    log = Path(f"{path}-wal").read_bytes()
    store.close()
    Path(f"{path}-wal").write_bytes(log)
    with pytest.raises(JournalDamaged):
        JournalStore(path, now=1.0)


def test_damage_that_shows_later_is_told_as_such(path: Path) -> None:
    overwrite_page(path, root_page(path, "sqlite_autoindex_commands_1"))
    store = JournalStore(path, now=1.0)
    with pytest.raises(JournalDamaged), store.transaction():
        store.intent(Command("foyer-amp", "power-on"), 5.0)
    assert store.faults()
    store.close()


def test_another_program_that_writes_into_it_is_named_as_the_trouble(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.journal_file._PATIENCE", 0.01)
    store = JournalStore(path, now=1.0)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(JournalError, match="another program holds the journal"), store.transaction():
        store.intent(Command("foyer-amp", "power-on", id="now"), 5.0)
    other.execute("ROLLBACK")
    other.close()
    with store.transaction():
        assert store.intent(Command("foyer-amp", "power-on", id="now"), 5.0) is None
    store.close()
