"""The journal's store: what is entered is found again, once, and as it was."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.api import JournalEntry, JournalQuery
from controller.journal_store import JournalStore, Learned
from controller.records import (
    Command,
    Known,
    Lock,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    StateValue,
    Traffic,
)
from profiles.errors import InputError
from tests.controller.from_hints import values_of
from tests.controller.stores import CONFIRMED, ON, enter, found


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "journal.sqlite"


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
