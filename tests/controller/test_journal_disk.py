"""A disk that is full: the one who asked is told, nothing is damaged, and the journal goes on by itself."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.api import JournalEntry, JournalQuery
from controller.journal import Journal
from controller.journal_store import JournalStore
from controller.records import Command, Direction, Known, Lock, Outcome, Reason, Result, StateValue, Traffic
from profiles.errors import JournalError

resource = pytest.importorskip("resource", reason="there are no limits on files elsewhere")


@contextlib.contextmanager
def disk_that_takes_no_more(size: int = 0) -> Iterator[None]:
    """No file grows past ``size`` bytes: writes beyond it fail in the operating system."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def command(identity: str) -> Command:
    return Command("foyer-amp", "power-on", id=identity)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


def test_a_full_file_is_told_and_what_was_there_stays(path: Path) -> None:
    """By SQLite's own limit on pages, as where the disk has no more of them."""
    store = JournalStore(path, now=1.0)
    (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
    store._connection.execute(f"PRAGMA max_page_count = {pages + 3}")
    entered = []

    def enter_until_full() -> None:
        for number in range(10_000):
            with store.transaction():
                store.intent(command(str(number)), 1.0)
            entered.append(str(number))

    with pytest.raises(JournalError, match="the disk is full") as caught:
        enter_until_full()
    assert caught.value.where == str(path)
    assert "goes on by itself" in caught.value.todo
    assert entered
    assert store.faults() == []
    store._connection.execute("PRAGMA max_page_count = 1000000")
    with store.transaction():
        assert store.intent(command("more"), 1.0) is None
    assert [row[0] for row in store._all("SELECT id FROM commands ORDER BY n")] == [*entered, "more"]
    store.close()


def test_after_a_write_that_failed_the_store_is_whole_and_goes_on(path: Path) -> None:
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.intent(command("before"), 1.0)
    size = Path(f"{path}-wal").stat().st_size
    record = Traffic("hall", 1.0, Direction.HEARD, bytes(300))

    def enter_much(attempt: int) -> None:
        with store.transaction():
            for number in range(100):
                store.intent(command(f"{attempt} {number}"), 1.0)
                store.keep_traffic(f"{attempt} {number}", [record])

    for attempt in range(20):
        with disk_that_takes_no_more(size + 1000 * attempt), pytest.raises(JournalError):
            enter_much(attempt)
    assert store.faults() == []
    with store.transaction():
        assert store.intent(command("after"), 1.0) is None
    store.close()
    again = JournalStore(path, now=1.0)
    assert [entry.command.id for entry in again.interrupted] == ["before", "after"]
    assert again.faults() == []
    again.close()


def test_a_full_disk_on_opening_is_told_and_the_marks_are_made_later(path: Path) -> None:
    store = JournalStore(path, now=1.0)
    names = [f"open {number}" for number in range(300)]
    with store.transaction():
        for name in names:
            store.intent(command(name), 1.0)
    store.close()
    with disk_that_takes_no_more(), pytest.raises(JournalError):
        JournalStore(path, now=2.0)
    # Enough for what SQLite shares between connections, and too little for as many marks.
    with disk_that_takes_no_more(32768):
        store = JournalStore(path, now=3.0)
        assert [entry.command.id for entry in store.interrupted] == names
        assert store._all("SELECT DISTINCT result FROM commands") == [(None,)]
    with store.transaction():
        entry = store.intent(command("open 0"), 4.0)
    assert store._all("SELECT DISTINCT result FROM commands") == [("interrupted",)]
    assert entry is not None
    assert entry.outcome is not None
    assert (entry.outcome.result, entry.outcome.at) == (Result.INTERRUPTED, 3.0)
    store.close()


async def test_what_the_disk_did_not_take_is_entered_when_it_does(path: Path) -> None:
    journal = await Journal.open(path, clock=lambda: 50.0)
    await journal.intent(command("under way"))
    sent = Outcome("under way", Result.SENT)
    refused = Outcome("too late", Result.REFUSED, Reason.JOURNAL)
    off = Outcome("off", Result.CONFIRMED)
    with disk_that_takes_no_more():
        with pytest.raises(JournalError):
            await journal.outcome(sent)
        with pytest.raises(JournalError):
            await journal.intent(command("too late"))
        with pytest.raises(JournalError):
            await journal.outcome(refused)
        # De-energising goes ahead without the journal.
        with pytest.raises(JournalError):
            await journal.intent(command("off"))
        with pytest.raises(JournalError):
            await journal.outcome(off)
        with pytest.raises(JournalError):
            await journal.add_lock(Lock("a", "hall", "kim", "rewiring", 1.0))
        assert journal.locks() == []
        assert journal.owed == 3
        assert await journal.query(JournalQuery()) == [JournalEntry(command("under way"), None)]
    assert await journal.intent(command("next")) is None
    assert journal.owed == 0
    assert await journal.query(JournalQuery()) == [
        JournalEntry(command("next"), None),
        JournalEntry(command("off"), off),
        JournalEntry(command("too late"), refused),
        JournalEntry(command("under way"), sent),
    ]
    await journal.close()


async def test_one_that_can_never_be_entered_holds_up_none_of_the_others(
    path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    journal = await Journal.open(path, clock=lambda: 50.0)
    for identity in ("1", "2"):
        await journal.intent(command(identity))
    with disk_that_takes_no_more():
        for identity in ("1", "of no command", "2"):
            with pytest.raises(JournalError):
                await journal.outcome(Outcome(identity, Result.SENT))
    assert await journal.intent(command("3")) is None
    assert journal.owed == 0
    entries = await journal.query(JournalQuery(result="sent"))
    assert [entry.command.id for entry in entries] == ["2", "1"]
    assert "can't be entered" in caplog.text
    await journal.close()


async def test_what_is_owed_is_entered_without_anyone_asking(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.journal_writer._IDLE", 0.01)
    journal = await Journal.open(path, clock=lambda: 50.0)
    await journal.intent(command("1"))
    with disk_that_takes_no_more(), pytest.raises(JournalError):
        await journal.outcome(Outcome("1", Result.SENT))
    entries: list[JournalEntry] = []
    for _ in range(3000):
        entries = await journal.query(JournalQuery())
        if entries[0].outcome is not None:
            break
    assert entries == [JournalEntry(command("1"), Outcome("1", Result.SENT))]
    await journal.close()


async def test_noted_states_wait_for_the_disk(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = await Journal.open(path, clock=lambda: 50.0)
    await journal.intent(command("1"))
    on, off = StateValue(True, Known.OBSERVED, 1.0), StateValue(False, Known.OBSERVED, 2.0)
    journal._noted = {("foyer-amp", "power"): on, ("stage-lift", "power"): on}
    with disk_that_takes_no_more():
        await journal._write_notes()
    journal._noted[("foyer-amp", "power")] = off
    await journal.close()
    store = JournalStore(path, now=1.0)
    assert store.states() == {"foyer-amp": {"power": off}, "stage-lift": {"power": on}}
    store.close()


SMALL_DISK = """
import asyncio, json, sys
from pathlib import Path
from controller.api import JournalQuery
from controller.journal import Journal
from controller.journal_store import JournalStore
from controller.records import Command, Outcome, Result
from profiles.errors import JournalError

async def main():
    folder = Path(sys.argv[1])
    ballast = folder / "ballast"
    ballast.write_bytes(bytes(200_000))
    path = folder / "state" / "journal.sqlite"
    journal = await Journal.open(path, clock=lambda: 50.0)
    taken, errors, number = [], set(), 0
    async def command():
        nonlocal number
        number += 1
        try:
            await journal.intent(Command("foyer-amp", "power-on", id=str(number)))
            taken.append(str(number))
        except JournalError as error:
            errors.add(error.what)
        try:
            await journal.outcome(Outcome(str(number), Result.SENT))
        except JournalError as error:
            errors.add(error.what)
    while not errors:
        await command()
    for _ in range(30):
        await command()
    owed = journal.owed
    ballast.unlink()
    await command()
    entries = await journal.query(JournalQuery(limit=10_000))
    await journal.close()
    store = JournalStore(path, now=1.0)
    print(json.dumps({
        "errors": sorted(errors), "commands": number, "taken": len(taken), "owed": owed,
        "entries": sorted(int(entry.command.id) for entry in entries),
        "ended": sum(entry.outcome is not None for entry in entries),
        "faults": store.faults(), "interrupted": len(store.interrupted),
    }))
    store.close()

asyncio.run(main())
"""


def test_a_disk_that_is_really_full_loses_nothing(tmp_path: Path) -> None:
    """On a file system of 600 kB in memory, which a person may mount in a name space of one's own."""
    unshare = shutil.which("unshare")
    if unshare is None:
        pytest.skip("needs unshare")
    mounted = f'mount -t tmpfs -o size=600k none "{tmp_path}" && exec "$0" -c "$1" "{tmp_path}"'
    isolated = [unshare, "--user", "--map-root-user", "--mount"]
    if subprocess.run([*isolated, "true"], check=False, capture_output=True).returncode:
        pytest.skip("needs name spaces for a file system of its own")
    run = subprocess.run(
        [*isolated, "sh", "-c", mounted, sys.executable, SMALL_DISK],
        check=False,
        capture_output=True,
        text=True,
    )
    assert run.stderr == ""
    told = json.loads(run.stdout)
    assert told["errors"] == ["the disk is full"]
    assert told["owed"] >= 30
    assert told["entries"] == list(range(1, told["commands"] + 1))
    assert told["ended"] == told["commands"] > told["taken"]
    assert (told["faults"], told["interrupted"]) == ([], 0)
