"""Intents that are logged before they are in the journal's table: none is lost, and none comes twice."""

from __future__ import annotations

import asyncio
import errno
import os
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from controller.api import JournalQuery
from controller.journal import Journal
from controller.journal_intents import SUFFIX, IntentLog, intent_line, logged_intents
from controller.journal_store import JournalStore
from controller.journal_text import as_text
from controller.journal_writer import JournalWriter
from controller.records import Command, Outcome, Result
from profiles.errors import JournalDamaged, JournalError
from tests.controller.halls import ADA, RING, ring, running, state, until


def line(identity: str, at: float = 5.0) -> bytes:
    return intent_line(as_text(Command("foyer-amp", "power-on", {"level": 3}, ADA, identity)), at)


def left(path: Path) -> bytes:
    log = path.with_name(path.name + SUFFIX)
    return log.read_bytes() if log.exists() else b""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


def test_what_only_the_log_has_was_interrupted(path: Path) -> None:
    JournalStore(path, now=1.0).close()
    path.with_name(path.name + SUFFIX).write_bytes(line("a") + line("b", 6.0))
    store = JournalStore(path, now=7.0)
    assert [(e.command.id, e.outcome and e.outcome.result) for e in store.interrupted] == [
        ("a", Result.INTERRUPTED),
        ("b", Result.INTERRUPTED),
    ]
    assert store.interrupted[0].command.parameters == {"level": 3}
    store.close()
    assert left(path) == b""
    again = JournalStore(path, now=8.0)
    assert again.interrupted == ()
    again.close()


def test_what_the_table_has_as_well_keeps_its_outcome(path: Path) -> None:
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.intent(Command("foyer-amp", "power-on", {"level": 3}, ADA, "a"), 5.0)
        store.outcome(Outcome("a", Result.CONFIRMED, at=5.1))
    store.close()
    # As a process leaves it that is killed before it empties the log.
    path.with_name(path.name + SUFFIX).write_bytes(line("a"))
    again = JournalStore(path, now=8.0)
    assert again.interrupted == ()
    with again.transaction():
        assert again.outcome(Outcome("a", Result.FAILED)).result is Result.CONFIRMED
    again.close()


@pytest.mark.parametrize(
    "content",
    [line("a")[:-1], line("a")[:20], b"no intent\n", b"\0" * 4096, b"1.0 {}\n", b"\xff\xfe\n1.0 [1]\n"],
    ids=["no_end", "cut_off", "text", "zeros", "no_command", "no_text"],
)
def test_a_line_that_is_none_is_passed_over(path: Path, content: bytes) -> None:
    JournalStore(path, now=1.0).close()
    path.with_name(path.name + SUFFIX).write_bytes(line("whole") + content)
    store = JournalStore(path, now=7.0)
    assert [entry.command.id for entry in store.interrupted] == ["whole"]
    store.close()


def test_a_damaged_journal_takes_its_log_with_it(path: Path) -> None:
    JournalStore(path, now=1.0).close()
    path.with_name(path.name + SUFFIX).write_bytes(line("a"))
    path.write_bytes(b"SQLite format 3\0" + b"\xff" * 4096)
    store = JournalStore(path, now=2.0, begin_anew=True)
    assert store.interrupted == ()
    assert store.set_aside is not None
    assert store.set_aside.with_name(store.set_aside.name + SUFFIX).read_bytes() == line("a")
    store.close()


def test_of_a_line_that_the_disk_does_not_take_nothing_stays(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.parent.mkdir()
    log = IntentLog(path)
    log.append(line("a"))
    real = os.write

    def full(handle: int, data: bytes) -> int:
        real(handle, data[:10])
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(JournalError, match="does not take"):
            log.append(line("b"))
    assert left(path) == line("a")
    log.append(line("c"))
    assert left(path) == line("a") + line("c")
    log.close()


def stuck(*_: object) -> None:
    """A disk that does not do it."""
    raise OSError(errno.EIO, os.strerror(errno.EIO))


@pytest.mark.parametrize("part", [1, 10, len(line("b")) - 1], ids=str)
def test_a_part_of_a_line_that_stays_spoils_no_other(
    path: Path, monkeypatch: pytest.MonkeyPatch, part: int
) -> None:
    """A disk that takes a part of a line, and then does not let it be taken away either."""
    path.parent.mkdir()
    log = IntentLog(path)
    log.append(line("a"))
    real = os.write

    def torn(handle: int, data: bytes) -> int:
        real(handle, data[:part])
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(os, "ftruncate", stuck)
        with patch.context() as once:
            once.setattr(os, "write", torn)
            with pytest.raises(JournalError, match="does not take"):
                log.append(line("b"))
            with pytest.raises(JournalError, match="does not take"):
                log.append(line("b"))
        log.append(line("c"))
        log.append(line("d"))
    log.append(line("e"))
    log.close()
    assert [command.id for command, _ in logged_intents(path)] == ["a", "c", "d", "e"]


def test_a_disk_that_is_sick_twice_and_then_well_loses_no_line(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is well again cuts back to the last whole line, not to the end of what was torn."""
    path.parent.mkdir()
    log = IntentLog(path)
    log.append(line("a"))
    real = os.write

    with monkeypatch.context() as patch:
        patch.setattr(os, "ftruncate", stuck)
        patch.setattr(os, "write", lambda handle, data: real(handle, data[: len(data) // 2]))
        for name in "bc":
            with pytest.raises(JournalError, match="does not take"):
                log.append(line(name))
    log.append(line("d"))
    log.close()
    assert [command.id for command, _ in logged_intents(path)] == ["a", "d"]


@pytest.mark.parametrize("part", [1, 20, len(line("b")) - 1], ids=str)
def test_a_line_goes_where_a_killed_process_left_a_part_of_one(path: Path, part: int) -> None:
    path.parent.mkdir()
    path.with_name(path.name + SUFFIX).write_bytes(line("a") + line("b")[:part])
    log = IntentLog(path)
    log.append(line("c"))
    assert left(path) == line("a") + line("c")
    log.clear()
    log.close()
    assert left(path) == b""


async def test_a_new_command_is_in_the_log_at_once_and_then_in_the_table(path: Path) -> None:
    journal = await Journal.open(path, clock=lambda: 5.0)
    command = Command("foyer-amp", "power-on", {"level": 3}, ADA, "a")
    assert journal.log_intent(command)
    assert left(path) == line("a")
    await journal.outcome(Outcome("a", Result.SENT))
    (found,) = await journal.query(JournalQuery())
    assert found.command == command
    assert found.outcome is not None
    assert found.outcome.result is Result.SENT
    await journal.close()
    assert left(path) == b""


async def test_it_is_in_the_table_before_long_though_nothing_follows(path: Path) -> None:
    journal = await Journal.open(path, clock=lambda: 5.0)
    assert journal.log_intent(Command("foyer-amp", "power-on", id="a"))
    seen: list[str] = []
    while not seen:
        seen = [entry.command.id for entry in await journal.query(JournalQuery())]
    assert seen == ["a"]
    await journal.close()


async def test_nothing_is_logged_while_the_disk_is_at_work(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    held, flushing = threading.Event(), threading.Event()
    real = JournalStore.flush

    def flush(store: JournalStore) -> None:
        flushing.set()
        held.wait(20)
        real(store)

    monkeypatch.setattr(JournalStore, "flush", flush)
    journal = await Journal.open(path, clock=lambda: 5.0)
    assert await journal.intent(Command("foyer-amp", "power-on", id="a")) is None
    outcome = asyncio.create_task(journal.outcome(Outcome("a", Result.SENT)))
    assert await asyncio.to_thread(flushing.wait, 20)
    assert not journal.log_intent(Command("foyer-amp", "power-on", id="b"))
    assert left(path) == b""
    assert await journal.intent(Command("foyer-amp", "power-on", id="b")) is None
    held.set()
    await outcome
    await journal.close()


KILLED = """
import asyncio, os, signal, sys
from pathlib import Path
from typing import Any
from controller.journal import Journal
from controller.records import Command
async def main():
    journal = await Journal.open(Path(sys.argv[1]), clock=lambda: 5.0)
    assert journal.log_intent(Command("foyer-amp", "power-on", id="a"))
    os.kill(os.getpid(), signal.SIGKILL)
asyncio.run(main())
"""


@pytest.mark.skipif(os.name != "posix", reason="kills with a signal")
def test_a_logged_intent_outlives_kill_9_at_the_very_next_moment(path: Path) -> None:
    ended = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert ended.returncode == -9
    store = JournalStore(path, now=9.0)
    assert [entry.command.id for entry in store.interrupted] == ["a"]
    store.close()


async def test_a_new_command_of_a_running_controller_has_one_outcome_and_one_entry(tmp_path: Path) -> None:
    async with running(ring(tmp_path, RING), tmp_path / "state") as controller:
        commands = [Command("mixer", "mute-on", origin=ADA) for _ in range(20)]
        outcomes = [controller.begin(command, new=True) for command in commands]
        # A second time it is known: the same command, and the same outcome.
        assert controller.begin(commands[0], new=True) is outcomes[0]
        results = [(await outcome).result for outcome in outcomes]
        assert results == [Result.CONFIRMED] * 20
        entries = await controller.journal(JournalQuery())
        assert {entry.command.id for entry in entries} == {command.id for command in commands}
        assert all(entry.outcome is not None for entry in entries)


async def test_a_question_finds_what_is_only_logged_so_far(path: Path) -> None:
    journal = await Journal.open(path, clock=lambda: 5.0)
    assert journal.log_intent(Command("foyer-amp", "power-on", id="a"))
    found = [(entry.command.id, entry.outcome) for entry in await journal.query(JournalQuery())]
    assert found == [("a", None)]
    await journal.close()


async def test_the_log_is_emptied_when_what_was_owed_is_in_the_table(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = await Journal.open(path, clock=lambda: 5.0)
    assert journal.log_intent(Command("foyer-amp", "power-on", id="a"))
    with monkeypatch.context() as patch:
        patch.setattr(JournalStore, "intent", takes_no_more)
        with pytest.raises(JournalError):
            await journal.outcome(Outcome("a", Result.SENT))
        assert left(path)
    await until(lambda: not journal.owed)
    await journal.remove_lock("none")
    # Else, once it is forgotten, a killed process would find it again as interrupted.
    await until(lambda: not left(path))
    assert [entry.command.id for entry in await journal.query(JournalQuery())] == ["a"]
    await journal.close()


def takes_no_more(*_: object) -> None:
    raise JournalError("the disk is full")


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="counts open files")
def test_a_journal_that_can_not_be_opened_leaves_no_file_open(path: Path) -> None:
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.intent(Command("foyer-amp", "power-on", id="a"), 5.0, "{}")
    store.close()
    path.with_name(path.name + SUFFIX).write_bytes(line("b"))
    with pytest.raises(JournalDamaged):
        JournalStore(path, now=2.0)
    open_files = [link.readlink().name for link in Path("/proc/self/fd").iterdir() if link.is_symlink()]
    assert path.name + SUFFIX not in open_files


@pytest.mark.parametrize("way", ["its_id_may_be_known", "the_disk_is_at_work"])
async def test_no_command_overtakes_one_that_is_still_being_entered(
    way: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, tries = JournalWriter.log, 0

    def log(writer: JournalWriter, *what: Any) -> bool:
        nonlocal tries
        tries += 1
        return not (way == "the_disk_is_at_work" and tries == 1) and real(writer, *what)

    monkeypatch.setattr(JournalWriter, "log", log)
    async with running(ring(tmp_path, RING), tmp_path / "state") as controller:
        commands = [Command("mixer", "set-volume", {"level": level}, ADA) for level in (10, 20)]
        outcomes = [
            controller.begin(commands[0], new=way == "the_disk_is_at_work"),
            controller.begin(commands[1], new=True),
        ]
        assert [(await outcome).result for outcome in outcomes] == [Result.CONFIRMED] * 2
        assert (await state(controller, "mixer", "volume")).value == 20
