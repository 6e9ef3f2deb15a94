"""The journal's store: what is entered is found again, once, and as it was."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller import journal_store
from controller.api import JournalEntry, JournalQuery
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore, Learned
from controller.records import (
    Command,
    Direction,
    Known,
    LagFigures,
    Lock,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    StateValue,
    Traffic,
)
from profiles.errors import InputError, JournalError
from tests.controller.from_hints import values_of

ON = Command("foyer-amp", "power-on", {"ramp": 2.5}, Origin(OriginKind.SCREEN, "kim"), "on-1", at=10.0)
CONFIRMED = Outcome(
    "on-1",
    Result.CONFIRMED,
    text="all 4 echoes came back",
    frames=4,
    echoed=4,
    attempts=1,
    lag_ms=LagFigures(6.2, 6.3, 6.9),
    units_answering=2,
    at=10.1,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[JournalStore]:
    store = JournalStore(path, now=1.0)
    yield store
    store.close()


def enter(store: JournalStore, command: Command, outcome: Outcome | None = None, now: float = 0.0) -> None:
    with store.transaction():
        assert store.intent(command, now) is None
        if outcome is not None:
            store.outcome(outcome)


ALL = JournalQuery()


def found(path: Path, query: JournalQuery = ALL) -> list[JournalEntry]:
    reader = JournalReader(path)
    try:
        return reader.find(query)
    finally:
        reader.close()


# One id is one command


def test_a_new_command_goes_ahead_and_its_id_a_second_time_does_not(store: JournalStore) -> None:
    with store.transaction():
        assert store.intent(ON, 10.0) is None
    with store.transaction():
        assert store.intent(ON, 10.5) == JournalEntry(ON, None)
        store.outcome(CONFIRMED)
    with store.transaction():
        assert store.intent(ON, 11.0) == JournalEntry(ON, CONFIRMED)


def test_another_command_under_a_known_id_changes_nothing(store: JournalStore, path: Path) -> None:
    enter(store, ON, CONFIRMED)
    with store.transaction():
        assert store.intent(Command("stage-lift", "up", id="on-1"), 12.0) == JournalEntry(ON, CONFIRMED)
    assert found(path) == [JournalEntry(ON, CONFIRMED)]


def test_two_equal_commands_with_two_ids_are_two(store: JournalStore, path: Path) -> None:
    enter(store, Command("foyer-amp", "power-on"))
    enter(store, Command("foyer-amp", "power-on"))
    assert len(found(path)) == 2


def test_the_first_outcome_stays(store: JournalStore, path: Path) -> None:
    enter(store, ON, CONFIRMED)
    with store.transaction():
        assert store.outcome(Outcome("on-1", Result.CANCELLED)) == CONFIRMED
    assert found(path) == [JournalEntry(ON, CONFIRMED)]


def test_an_outcome_of_no_command_is_refused(store: JournalStore) -> None:
    with pytest.raises(InputError, match="no command 'on-1' is in the journal"), store.transaction():
        store.outcome(CONFIRMED)


def test_a_transaction_in_which_something_is_raised_leaves_nothing(store: JournalStore, path: Path) -> None:
    def enter_and_fail() -> None:
        with store.transaction():
            store.intent(ON, 10.0)
            raise KeyError("a fault in between")

    with pytest.raises(KeyError, match="a fault in between"):
        enter_and_fail()
    assert found(path) == []
    enter(store, ON, CONFIRMED)
    assert len(found(path)) == 1


@given(
    command=values_of(Command), outcome=values_of(Outcome), traffic=st.lists(values_of(Traffic), max_size=3)
)
def test_whatever_a_command_says_is_found_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, command: Command, outcome: Outcome, traffic: list[Traffic]
) -> None:
    path = tmp_path_factory.mktemp("any") / "state" / "journal.sqlite"
    store = JournalStore(path, now=1.0)
    outcome = Outcome(
        **{**{name: getattr(outcome, name) for name in Outcome.__slots__}, "command_id": command.id}
    )
    with store.transaction():
        store.intent(command, 5.0)
        store.outcome(outcome, traffic)
    entries = found(path, JournalQuery(command_id=command.id, traffic=True))
    store.close()
    assert entries == [JournalEntry(command, outcome, tuple(traffic))]


@pytest.mark.parametrize("odd", ["\ud800 half a pair", "nul \0 inside", "'; DROP TABLE commands; --", ""])
def test_text_that_is_no_plain_word_is_kept_as_it_is(store: JournalStore, path: Path, odd: str) -> None:
    command = Command(odd, odd, {odd: odd}, Origin(OriginKind.MQTT, odd, claimed=True), id=f"id {odd}")
    outcome = Outcome(command.id, Result.REFUSED, Reason.NOT_KNOWN, odd)
    enter(store, command, outcome)
    entry = JournalEntry(command, outcome)
    assert found(path, JournalQuery(unit=odd)) == [entry]
    assert found(path, JournalQuery(text=odd)) == [entry]
    assert found(path, JournalQuery(command_id=command.id)) == [entry]


# Questions


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


# What is kept beside commands


def test_states_locks_and_learned_values_are_there_after_a_restart(store: JournalStore, path: Path) -> None:
    on = StateValue(True, Known.CONFIRMED, 10.0, command_id="on-1")
    level = StateValue(12, Known.OBSERVED, 11.0, last_known=9)
    older = Lock("b", "hall", "kim", "rewiring", 5.0)
    newer = Lock("a", "foyer-amp", "kim", "new fuse", 6.0)
    learned = Learned(20.0, 0.001, 0.0002, 9.8)
    with store.transaction():
        store.set_states({("foyer-amp", "power"): on, ("foyer-amp", "volume"): level})
        store.add_lock(newer)
        store.add_lock(older)
        store.learn("hall", learned)
    store.close()
    again = JournalStore(path, now=30.0)
    assert again.states() == {"foyer-amp": {"power": on, "volume": level}}
    assert again.locks() == [older, newer]
    assert again.learned() == {"hall": learned}
    with again.transaction():
        assert again.remove_lock("b")
        assert not again.remove_lock("b")
    assert again.locks() == [newer]
    again.close()


def test_a_counter_goes_up_by_one_wraps_to_nought_and_goes_on_after_a_restart(
    store: JournalStore, path: Path
) -> None:
    with store.transaction():
        assert [store.next_counter("hall", "serial", 2, 4) for _ in range(4)] == [2, 3, 0, 1]
        assert store.next_counter("foyer-amp", "serial", 0, 256) == 0
    store.close()
    again = JournalStore(path, now=2.0)
    with again.transaction():
        assert again.next_counter("hall", "serial", 2, 4) == 2
        assert again.next_counter("foyer-amp", "serial", 0, 256) == 1
        assert again.next_counter("hall", "other", 7, 8) == 7
        # A profile that now wraps earlier begins anew instead of sending what it can't say.
        assert again.next_counter("hall", "serial", 1, 3) == 1
    again.close()


# A restart


def test_what_was_under_way_is_interrupted_after_a_restart_and_told_once(
    store: JournalStore, path: Path
) -> None:
    enter(store, ON)
    enter(store, Command("stage-lift", "up", id="up-1"), Outcome("up-1", Result.ANSWERED))
    store.close()
    again = JournalStore(path, now=77.0)
    (entry,) = again.interrupted
    assert entry.command == ON
    assert entry.outcome is not None
    assert (entry.outcome.result, entry.outcome.at) == (Result.INTERRUPTED, 77.0)
    assert entry.outcome.look_at == "the unit itself"
    assert found(path, JournalQuery(command_id="on-1")) == [entry]
    with again.transaction():
        assert again.intent(ON, 78.0) == entry
    again.close()
    third = JournalStore(path, now=99.0)
    assert third.interrupted == ()
    third.close()


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
