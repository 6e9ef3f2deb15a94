"""The journal for asyncio: order, group commits, what is owed, and how it ends."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from controller import journal_store
from controller.api import JournalEntry, JournalQuery
from controller.journal import Journal, Learned
from controller.journal_store import JournalStore
from controller.records import (
    Command,
    Direction,
    Event,
    Known,
    Lock,
    Outcome,
    Reason,
    Result,
    StateChange,
    StateValue,
    Traffic,
)
from profiles.errors import InputError, JournalDamaged, JournalError


class Clock:
    """Time that stands until it is moved."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
async def journal(path: Path, clock: Clock) -> AsyncIterator[Journal]:
    journal = await Journal.open(path, clock=clock)
    yield journal
    await journal.close()


def command(identity: str) -> Command:
    return Command("foyer-amp", "power-on", id=identity)


async def test_a_command_from_intent_to_outcome(journal: Journal) -> None:
    on, failed = command("1"), Outcome("1", Result.FAILED, Reason.NO_ECHO, "no echo came back")
    traffic = [Traffic("hall", float(number), Direction.SENT, b"\xa5") for number in range(3)]
    assert await journal.intent(on) is None
    assert await journal.intent(on) == JournalEntry(on, None)
    assert await journal.query(JournalQuery()) == [JournalEntry(on, None)]
    assert await journal.outcome(failed, traffic[:2]) == failed
    await journal.keep_traffic("1", traffic[2:])
    assert await journal.intent(on) == JournalEntry(on, failed)
    assert await journal.outcome(Outcome("1", Result.SENT)) == failed
    assert await journal.query(JournalQuery(traffic=True)) == [JournalEntry(on, failed, tuple(traffic))]
    with pytest.raises(JournalError, match="no command '2'"):
        await journal.keep_traffic("2", traffic)


async def test_a_refused_command_is_entered_at_once_with_its_outcome(journal: Journal) -> None:
    refused = Outcome("1", Result.REFUSED, Reason.LOCKED)
    assert await journal.enter(command("1"), refused) is None
    assert await journal.enter(command("1"), Outcome("1", Result.SENT)) == JournalEntry(command("1"), refused)
    assert await journal.query(JournalQuery()) == [JournalEntry(command("1"), refused)]


async def test_commands_keep_their_order_whoever_waits(journal: Journal) -> None:
    names = [str(number) for number in range(600)]
    await asyncio.gather(*(journal.intent(command(name)) for name in names))
    await asyncio.gather(*(journal.outcome(Outcome(name, Result.SENT)) for name in names))
    entries = await journal.query(JournalQuery(limit=1000))
    assert [entry.command.id for entry in entries] == names[::-1]
    assert all(entry.outcome == Outcome(entry.command.id, Result.SENT) for entry in entries)


async def test_one_id_many_times_at_once_goes_ahead_once(journal: Journal) -> None:
    answers = await asyncio.gather(*(journal.intent(command("1")) for _ in range(50)))
    assert answers.count(None) == 1
    assert answers.count(JournalEntry(command("1"), None)) == 49


async def test_a_request_that_fails_spoils_none_of_those_beside_it(journal: Journal) -> None:
    await asyncio.gather(*(journal.intent(command(str(number))) for number in range(0, 100, 2)))
    results = await asyncio.gather(
        *(journal.outcome(Outcome(str(number), Result.SENT)) for number in range(100)), return_exceptions=True
    )
    for number, result in enumerate(results):
        if number % 2:
            assert isinstance(result, JournalError)
            assert "no command" in result.what
        else:
            assert result == Outcome(str(number), Result.SENT)
    assert len(await journal.query(JournalQuery(result="sent", limit=100))) == 50
    assert journal.owed == 0


async def test_a_counter_never_gives_a_number_twice(journal: Journal, path: Path, clock: Clock) -> None:
    numbers = await asyncio.gather(*(journal.next_counter("hall", "serial", 3, 1000) for _ in range(300)))
    assert numbers == list(range(3, 303))
    await journal.close()
    again = await Journal.open(path, clock=clock)
    assert await again.next_counter("hall", "serial", 3, 1000) == 303
    await again.close()


async def test_an_outcome_waits_for_the_disk_and_intents_do_not(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that takes its time, as an SD card does."""
    asked, may_go_on = threading.Event(), threading.Event()

    def slow(handle: int) -> None:
        asked.set()
        assert may_go_on.wait(30)

    monkeypatch.setattr(journal_store, "_to_disk", slow)
    await journal.intent(command("1"))
    outcome = asyncio.create_task(journal.outcome(Outcome("1", Result.SENT)))
    await asyncio.to_thread(asked.wait)
    for number in range(2, 20):
        assert await journal.intent(command(str(number))) is None
    assert not outcome.done()
    may_go_on.set()
    assert await outcome == Outcome("1", Result.SENT)


async def test_an_outcome_that_does_not_reach_the_disk_is_an_error(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(handle: int) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(journal_store, "_to_disk", fails)
    await journal.intent(command("1"))
    with pytest.raises(JournalError, match="Input/output error"):
        await journal.outcome(Outcome("1", Result.SENT))
    monkeypatch.undo()
    assert await journal.outcome(Outcome("1", Result.SENT)) == Outcome("1", Result.SENT)


async def test_a_cancelled_wait_still_enters_the_outcome(journal: Journal, path: Path, clock: Clock) -> None:
    await journal.intent(command("1"))
    waiting = asyncio.create_task(journal.outcome(Outcome("1", Result.SENT)))
    await asyncio.sleep(0)
    waiting.cancel()
    await asyncio.gather(waiting, return_exceptions=True)
    await journal.close()
    again = await Journal.open(path, clock=clock)
    assert again.interrupted == ()
    assert await again.intent(command("1")) == JournalEntry(command("1"), Outcome("1", Result.SENT))
    await again.close()


async def test_what_a_crash_left_open_is_told_on_opening(path: Path, clock: Clock) -> None:
    store = JournalStore(path, now=1.0)
    with store.transaction():
        store.intent(command("1"), 5.0)
    store.close()
    journal = await Journal.open(path, clock=clock)
    (entry,) = journal.interrupted
    assert entry.command == command("1")
    assert entry.outcome is not None
    assert (entry.outcome.result, entry.outcome.at) == (Result.INTERRUPTED, 1000.0)
    assert await journal.query(JournalQuery(result="interrupted")) == [entry]
    await journal.close()


# Beside commands


async def test_locks_and_what_was_learned_are_there_after_a_restart(
    journal: Journal, path: Path, clock: Clock
) -> None:
    first, second = Lock("a", "hall", "kim", "rewiring", 2.0), Lock("b", "hall", "jo", "new fuse", 1.0)
    learned = Learned(3.0, latency_s=0.001, jitter_s=0.0002, hop_bits=9.75)
    await journal.add_lock(first)
    await journal.add_lock(second)
    await journal.learn("hall", learned)
    assert journal.locks() == [second, first]
    assert await journal.remove_lock("a")
    assert not await journal.remove_lock("a")
    assert journal.learned("stage") is None
    await journal.close()
    again = await Journal.open(path, clock=clock)
    assert again.locks() == [second]
    assert again.learned("hall") == learned
    await again.close()


async def test_states_are_there_after_a_restart_noted_ones_too(
    journal: Journal, path: Path, clock: Clock
) -> None:
    power = StateValue(True, Known.CONFIRMED, 5.0)
    levels = [StateValue(number, Known.OBSERVED, float(number)) for number in range(500)]
    await journal.set_state("foyer-amp", "power", power)
    for level in levels:
        journal.note(StateChange("foyer-amp", "volume", level))
    journal.note(Event("hall", None, "seen", 1.0))
    expected = {"foyer-amp": {"power": power, "volume": levels[-1]}}
    assert journal.states() == expected
    await journal.close()
    again = await Journal.open(path, clock=clock)
    assert again.states() == expected
    await again.close()


async def test_noted_states_are_written_by_themselves(
    journal: Journal, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.journal._STATES_AFTER", 0.0)
    for number in range(3):
        value = StateValue(number, Known.OBSERVED, 1.0)
        journal.note(StateChange("foyer-amp", "volume", value))
        for _ in range(2000):
            if not journal._noted and journal._noting is None:
                break
            await asyncio.sleep(0.001)
        assert await journal._writer.ask(lambda store: store.states()) == {"foyer-amp": {"volume": value}}


async def test_what_is_old_or_too_much_goes(journal: Journal, clock: Clock) -> None:
    for number in range(450):
        clock.now = 1000.0 + number
        await journal.enter(command(str(number)), Outcome(str(number), Result.SENT))
    assert await journal.retain(older_than_s=199.0) == 250
    assert len(await journal.query(JournalQuery(limit=1000))) == 200
    assert await journal.retain(older_than_s=199.0, most_bytes=1 << 30) == 0
    assert await journal.retain(most_bytes=0) == 200
    assert await journal.query(JournalQuery()) == []


# Opening and closing


async def test_a_closed_journal_says_so_and_closing_again_does_nothing(journal: Journal) -> None:
    await journal.query(JournalQuery())
    await journal.close()
    await journal.close()
    with pytest.raises(JournalError, match="is closed"):
        await journal.intent(command("1"))


async def test_what_was_asked_before_closing_is_done(journal: Journal, path: Path, clock: Clock) -> None:
    work = [
        asyncio.create_task(journal.enter(command(str(n)), Outcome(str(n), Result.SENT))) for n in range(99)
    ]
    await asyncio.sleep(0)
    await journal.close()
    assert await asyncio.gather(*work) == [None] * 99
    again = await Journal.open(path, clock=clock)
    assert len(await again.query(JournalQuery(limit=1000))) == 99
    await again.close()


@pytest.fixture
def damaged(path: Path) -> Path:
    path.parent.mkdir(mode=0o700)
    path.write_bytes(b"no database at all, and long enough not to be taken for an empty one" * 9)
    return path


async def test_a_damaged_journal_is_begun_anew_only_when_told_to(damaged: Path, clock: Clock) -> None:
    with pytest.raises(JournalDamaged):
        await Journal.open(damaged, clock=clock)
    journal = await Journal.open(damaged, clock=clock, begin_anew=True)
    assert journal.set_aside is not None
    assert journal.set_aside.exists()
    assert not journal.locks_rescued
    assert await journal.intent(command("1")) is None
    await journal.close()


async def test_a_wrong_question_is_an_error_and_the_next_one_is_answered(journal: Journal) -> None:
    with pytest.raises(InputError, match="no result is called"):
        await journal.query(JournalQuery(result="perhaps"))
    assert await journal.query(JournalQuery()) == []
