"""Questions to the journal: what is found, and how long that may take."""

from __future__ import annotations

import asyncio
import sqlite3
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import journal
from controller.api import JournalEntry, JournalQuery
from controller.journal import Journal
from controller.journal_file import explained
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore
from controller.records import (
    Command,
    Direction,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    Traffic,
)
from profiles.errors import InputError, JournalError
from tests.controller.stores import CONFIRMED, ON, enter, found


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


UNITS = ("foyer-amp", "stage-lift")
COMMANDS = st.lists(
    st.tuples(
        st.sampled_from(UNITS),
        st.sampled_from(("power-on", "standby")),
        st.sampled_from(("Kim", "GRÜN", "100%", "a_b")),
        st.one_of(st.none(), st.sampled_from(Result)),
        st.integers(0, 30),
    ),
    max_size=25,
)
QUERIES = st.builds(
    JournalQuery,
    limit=st.integers(-1, 12),
    since=st.none() | st.integers(0, 30).map(float),
    until=st.none() | st.integers(0, 30).map(float),
    unit=st.none() | st.sampled_from((*UNITS, "nobody")),
    result=st.none() | st.sampled_from(Result).map(str),
    text=st.none() | st.sampled_from(("", "kim", "grün", "%", "_", "POWER", "screen", "sentence", "no-echo")),
)


@settings(max_examples=30, deadline=None)
@given(COMMANDS, st.lists(QUERIES, max_size=6))
def test_a_question_finds_what_a_plain_search_through_all_of_them_finds(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[str, str, str, Result | None, int]],
    queries: list[JournalQuery],
) -> None:
    path = tmp_path_factory.mktemp("questions") / "state" / "journal.sqlite"
    store = JournalStore(path, now=1.0)
    entries: list[tuple[float, JournalEntry]] = []
    for unit, action, name, result, now in rows:
        command = Command(unit, action, origin=Origin(OriginKind.SCREEN, name))
        outcome = None
        if result is not None:
            reason = Reason.NO_ECHO if result is Result.FAILED else None
            outcome = Outcome(command.id, result, reason, "A sentence.")
        enter(store, command, outcome, float(now))
        entries.insert(0, (float(now), JournalEntry(command, outcome)))
    answers = [found(path, query) for query in queries]
    store.close()
    for query, answer in zip(queries, answers, strict=True):
        expected = [entry for at, entry in entries if matches(query, at, entry)]
        assert answer == expected[: max(0, query.limit)]


def matches(query: JournalQuery, at: float, entry: JournalEntry) -> bool:
    command, outcome = entry.command, entry.outcome
    words = [command.unit, command.action, command.origin.kind, command.origin.name]
    if outcome is not None:
        words += [outcome.reason or "", outcome.text]
    return (
        (query.since is None or at >= query.since)
        and (query.until is None or at <= query.until)
        and query.unit in (None, command.unit)
        and (query.result is None or (outcome is not None and outcome.result == query.result))
        and (not query.text or any(query.text.casefold() in word.casefold() for word in words))
    )


def test_a_result_that_there_is_not_is_an_error(store: JournalStore, path: Path) -> None:
    with pytest.raises(InputError, match="no result is called 'perhaps'") as caught:
        found(path, JournalQuery(result="perhaps"))
    assert "confirmed" in caught.value.todo


def test_traffic_is_kept_in_its_order_and_comes_only_when_asked_for(store: JournalStore, path: Path) -> None:
    sent = Traffic("hall", 10.0, Direction.SENT, b"\xa5", command_id="on-1")
    wrong = Traffic("hall", 10.1, Direction.ECHOED, b"\xa7", (0.006,), fault="echo-wrong")
    later = Traffic("hall", 9.0, Direction.HEARD, b"\x00", unexplained=((0, 1),))
    failed = Outcome("on-1", Result.FAILED, Reason.ECHO_WRONG)
    with store.transaction():
        store.intent(ON, 10.0)
        store.outcome(failed, [sent, wrong])
    with store.transaction():
        store.keep_traffic("on-1", [later])
    assert found(path) == [JournalEntry(ON, failed)]
    assert found(path, JournalQuery(traffic=True)) == [JournalEntry(ON, failed, (sent, wrong, later))]
    with pytest.raises(InputError, match="no command"), store.transaction():
        store.keep_traffic("off-1", [later])


# How long they may take


async def test_a_disk_that_hangs_holds_up_no_question_for_ever(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = await Journal.open(path, clock=lambda: 5.0)
    await book.enter(ON, CONFIRMED)
    answers = threading.Event()

    def hang(*_: object) -> list[JournalEntry]:
        answers.wait()
        return []

    with monkeypatch.context() as patch:
        patch.setattr(JournalReader, "find", hang)
        patch.setattr(journal, "_ANSWER_WITHIN", 0.05)
        asked = [book.query(JournalQuery(unit=unit)) for unit in ("foyer-amp", "stage-lift")]
        told = await asyncio.gather(*asked, return_exceptions=True)
        assert ["gives no answer within 0.05 s" in str(error) for error in told] == [True, True]
        answers.set()
    (entry,) = await book.query(JournalQuery())
    assert entry.command == ON
    await book.close()


async def test_questions_that_wait_when_the_journal_closes_and_later_ones_are_told_so(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = await Journal.open(path, clock=lambda: 5.0)
    await book.enter(ON, CONFIRMED)
    assert len(await book.query(JournalQuery())) == 1
    begun, ended = asyncio.Event(), threading.Event()
    loop, interrupt = asyncio.get_running_loop(), JournalReader.interrupt

    def search(*_: object) -> list[JournalEntry]:
        loop.call_soon_threadsafe(begun.set)
        ended.wait()
        with explained(path):
            raise sqlite3.OperationalError("interrupted")

    def end(reader: JournalReader) -> None:
        interrupt(reader)
        ended.set()

    monkeypatch.setattr(JournalReader, "find", search)
    monkeypatch.setattr(JournalReader, "interrupt", end)
    waiting = [asyncio.create_task(book.query(JournalQuery())) for _ in range(3)]
    given_up = asyncio.create_task(book.query(JournalQuery()))
    await begun.wait()
    given_up.cancel()
    await book.close()
    told = await asyncio.gather(*waiting, return_exceptions=True)
    assert [(type(each), str(each)) for each in told] == [(JournalError, str(told[0]))] * 3
    assert "the journal is closed" in str(told[0])
    with pytest.raises(asyncio.CancelledError):
        await given_up
    with pytest.raises(JournalError, match="the journal is closed"):
        await book.query(JournalQuery())
    await book.close()


def test_a_question_that_takes_too_long_is_given_up(store: JournalStore) -> None:
    reader = JournalReader(store.path)
    ended: list[BaseException] = []

    def ask() -> None:
        with pytest.raises(JournalError, match="interrupt") as caught, explained(store.path):
            reader._connection.execute(
                "WITH RECURSIVE n(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n) SELECT count(*) FROM n"
            ).fetchall()
        ended.append(caught.value)

    asking = threading.Thread(target=ask)
    asking.start()
    while asking.is_alive():
        reader.interrupt()
        asking.join(0.01)
    reader.close()
    assert len(ended) == 1
