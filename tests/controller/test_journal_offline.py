"""The journal while no controller runs: what a killed one had only logged is found as well."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.journal_intents import SUFFIX, intent_line
from controller.journal_offline import find_offline
from controller.journal_store import JournalStore
from controller.journal_text import as_text
from controller.records import Command, Outcome, Result
from profiles.errors import InputError
from tests.controller.halls import ADA


def line(identity: str, unit: str = "mixer", at: float = 6.0) -> bytes:
    return intent_line(as_text(Command(unit, "power-on", {}, ADA, identity)), at)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """As a controller leaves it that is killed: two in the table, one of these and two more in the log."""
    path = tmp_path / "state" / "journal.sqlite"
    store = JournalStore(path, now=1.0)
    with store.transaction():
        for number, identity in enumerate(("a", "b")):
            store.intent(Command("mixer", "mute-on", {}, ADA, identity), 4.0 + number)
            store.outcome(Outcome(identity, Result.CONFIRMED, at=4.5 + number))
    store.close()
    log = line("b", at=5.0) + line("c") + line("d", "foyer-amp", 7.0) + line("e")[:30]
    path.with_name(path.name + SUFFIX).write_bytes(log)
    return path


@pytest.mark.parametrize(
    ("query", "found"),
    [
        (JournalQuery(), "dcba"),
        (JournalQuery(3), "dcb"),
        (JournalQuery(1), "d"),
        (JournalQuery(0), ""),
        (JournalQuery(unit="mixer"), "cba"),
        (JournalQuery(result="confirmed"), "ba"),
        (JournalQuery(result="failed"), ""),
        (JournalQuery(since=5.0), "dcb"),
        (JournalQuery(until=6.0), "cba"),
        (JournalQuery(text="POWER"), "dc"),
        (JournalQuery(text="foyer"), "d"),
        (JournalQuery(command_id="c"), "c"),
        (JournalQuery(command_id="e"), ""),
    ],
    ids=str,
)
def test_what_is_only_logged_is_found_as_what_is_in_the_table(
    path: Path, query: JournalQuery, found: str
) -> None:
    entries = find_offline(path, query)
    assert "".join(entry.command.id for entry in entries) == found
    assert {entry.command.id for entry in entries if entry.outcome is None} == set(found) & set("cd")


def test_the_log_stays_as_it_is_for_the_next_controller(path: Path) -> None:
    log = path.with_name(path.name + SUFFIX)
    before = log.read_bytes()
    find_offline(path, JournalQuery())
    assert log.read_bytes() == before
    store = JournalStore(path, now=9.0)
    assert [entry.command.id for entry in store.interrupted] == ["c", "d"]
    store.close()
    ended = find_offline(path, JournalQuery(result="interrupted"))
    assert [entry.command.id for entry in ended] == ["d", "c"]


def test_there_need_not_be_a_table(path: Path) -> None:
    path.unlink()
    assert "".join(entry.command.id for entry in find_offline(path, JournalQuery())) == "dcb"
    assert "".join(entry.command.id for entry in find_offline(path, JournalQuery(2))) == "dc"
    assert find_offline(path.with_name("other.sqlite"), JournalQuery()) == []
    assert not path.exists()


def test_a_result_that_there_is_not_is_refused(path: Path) -> None:
    with pytest.raises(InputError, match="no result is called 'perhaps'"):
        find_offline(path, JournalQuery(result="perhaps"))
