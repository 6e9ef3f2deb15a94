"""The journal's store kept small, and down to the disk."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from controller import journal_store
from controller.api import JournalQuery
from controller.journal_store import JournalStore
from controller.records import (
    Command,
    Direction,
    Outcome,
    Reason,
    Result,
    Traffic,
)
from profiles.errors import JournalError
from tests.controller.stores import CONFIRMED, ON, enter, found


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


# Keeping it small


def fill(store: JournalStore, count: int, *, first: int = 0) -> None:
    record = Traffic("hall", 1.0, Direction.HEARD, bytes(200))
    with store.transaction():
        for number in range(first, first + count):
            store.intent(Command("foyer-amp", "power-on", id=str(number)), float(number))
            store.outcome(Outcome(str(number), Result.FAILED, Reason.NO_ECHO), [record] * 3)


def forget_all(store: JournalStore, *, before: float | None = None, most_bytes: int | None = None) -> int:
    total = 0
    while True:
        with store.transaction():
            gone = store.forget(before=before, most_bytes=most_bytes, at_once=50)
        assert gone <= 50
        if not gone:
            return total
        total += gone


def test_what_is_old_goes_and_what_is_under_way_stays(store: JournalStore, path: Path) -> None:
    enter(store, ON)
    fill(store, 300)
    assert forget_all(store, before=200.0) == 200
    ids = [entry.command.id for entry in found(path, JournalQuery(limit=1000))]
    assert ids == [str(number) for number in range(299, 199, -1)] + ["on-1"]
    (kept,) = store._connection.execute("SELECT count(*) FROM traffic").fetchone()
    assert kept == 3 * 100


def test_a_journal_that_is_too_large_loses_its_oldest_and_its_file_shrinks(
    store: JournalStore, path: Path
) -> None:
    fill(store, 1500)
    store.tidy()
    before, size = store.size(), path.stat().st_size
    gone = forget_all(store, most_bytes=before // 2)
    store.tidy()
    assert store.size() <= before // 2
    assert path.stat().st_size < 0.7 * size
    remaining = [entry.command.id for entry in found(path, JournalQuery(limit=2000))]
    assert remaining == [str(number) for number in range(1499, gone - 1, -1)]
    assert store.faults() == []


def test_nothing_goes_where_no_limit_is_given_or_nothing_is_over_it(store: JournalStore) -> None:
    fill(store, 20)
    assert forget_all(store) == 0
    assert forget_all(store, before=-5.0, most_bytes=1 << 30) == 0
    enter(store, ON)
    assert forget_all(store, most_bytes=0) == 20


# Down to the disk


def test_flushing_reaches_for_the_disk(store: JournalStore, monkeypatch: pytest.MonkeyPatch) -> None:
    flushed: list[str] = []

    def to_disk(handle: int) -> None:
        link = Path(f"/proc/self/fd/{handle}")
        flushed.append(str(link.readlink()) if link.exists() else "")
        os.fsync(handle)

    monkeypatch.setattr(journal_store, "_to_disk", to_disk)
    enter(store, ON, CONFIRMED)
    assert flushed == []
    store.flush()
    store.flush()
    assert len(flushed) == 2
    assert flushed[0] in ("", f"{store.path}-wal")


def test_a_disk_that_fails_in_flushing_is_told(store: JournalStore, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(handle: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(journal_store, "_to_disk", fails)
    enter(store, ON, CONFIRMED)
    with pytest.raises(JournalError, match="does not take what is written: Input/output error"):
        store.flush()


@pytest.mark.skipif(os.name != "posix", reason="an open file can't be deleted elsewhere")
@pytest.mark.parametrize("suffix", ["", "-wal"])
def test_a_journal_that_was_deleted_under_us_is_told_and_not_written_on(
    store: JournalStore, path: Path, suffix: str
) -> None:
    enter(store, ON)
    store.flush()
    Path(f"{path}{suffix}").unlink()
    with store.transaction():
        store.outcome(CONFIRMED)
    with pytest.raises(JournalError, match="has been deleted or replaced while it was in use"):
        store.flush()
