"""States set right by hand are in the journal, with who said so; nothing is sent for them."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.journal import Journal
from controller.records import Command, Known, Outcome, Result, Traffic
from profiles.errors import BadValue, JournalError
from tests.controller.halls import ADA, Watch, act, ring, running, state
from tui.telling import entry_lines


async def test_the_journal_says_who_set_what_by_hand(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        found = await controller.presume("mixer", "volume", 12, ADA)
        (entry,) = await controller.journal(JournalQuery(result="presumed"))
        await watch.end()
        command = entry.command
        assert (command.unit, command.action, command.by_hand) == ("mixer", "", True)
        assert (command.parameters, command.origin) == ({"volume": 12}, ADA)
        assert entry.outcome is not None
        assert (entry.outcome.result, entry.outcome.frames) == (Result.PRESUMED, 0)
        assert found.command_id == command.id
        assert watch.of(Traffic) == []
        (line,) = entry_lines(entry)
        assert "mixer volume=12: presumed: set by hand; nothing was sent" in line
        assert "by screen Ada" in line


async def test_what_can_not_be_is_in_no_journal(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        with pytest.raises(BadValue):
            await controller.presume("mixer", "volume", 64, ADA)
        assert await controller.journal(JournalQuery()) == []


async def test_a_disk_that_takes_nothing_keeps_nobody_from_saying_how_the_gear_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:

        async def full(journal: Journal, command: Command, outcome: Outcome) -> None:
            raise JournalError("the disk is full", where=str(journal.path))

        # A mock: a disk that fills up at this moment can't be had otherwise.
        monkeypatch.setattr(Journal, "enter", full)
        found = await controller.presume("mixer", "volume", 12, ADA)
        assert (found.value, found.known) == (12, Known.PRESUMED)
        assert [alert.id for alert in await controller.alerts()] == ["journal-site"]


async def test_a_restart_takes_it_for_nothing_that_was_sent(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    loaded.site.units["mixer"] = loaded.site.units["mixer"].model_copy(update={"minimum_off_s": 3600.0})
    async with running(loaded, tmp_path / "state") as controller:
        await controller.presume("mixer", "power", False, ADA)
    async with running(loaded, tmp_path / "state") as controller:
        assert (await state(controller, "mixer", "power")).known is Known.UNKNOWN
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
