"""Housekeeping of a running journal: what goes for its age or size, and an alert before the disk is full."""

from __future__ import annotations

import asyncio
import shutil
import threading
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from controller import journal_watch
from controller.api import JournalQuery
from controller.journal import Journal
from controller.journal_retention import SCHEDULED
from controller.journal_watch import JournalWatch, Keeping
from controller.records import Command, Origin, OriginKind, Outcome, Result
from controller.site import load_site
from profiles.errors import FileFaults
from tests.controller.halls import RING, ring, running, write_site

DAY = 86_400.0


class Clocks:
    """A wall clock that can be set, and one that nobody sets; both move by being slept on."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.offset = 1.7e9
        self._left = 0
        self._go = asyncio.Event()
        self._done = asyncio.Event()

    def utc(self) -> float:
        return self.now + self.offset

    def steady(self) -> float:
        return self.now

    async def sleep(self, seconds: float) -> None:
        """Between two looks."""
        if self._left == 0:
            self._go.clear()
            self._done.set()
            await self._go.wait()
        self._left -= 1
        self.now += seconds

    async def look(self, times: int) -> None:
        """Let so many looks happen; returns when the last one is over."""
        self._left = times
        self._done.clear()
        self._go.set()
        await self._done.wait()


async def enter(
    journal: Journal, name: str, *, probe: bool = False, result: Result = Result.CONFIRMED
) -> None:
    kind = OriginKind.PROBE if probe else OriginKind.SCREEN
    await journal.intent(Command("mixer", "ask-power", origin=Origin(kind), id=name))
    await journal.outcome(Outcome(name, result))


async def names(journal: Journal) -> list[str]:
    return sorted(entry.command.id for entry in await journal.query(JournalQuery(limit=10_000)))


def no_alert(*_: object) -> None:
    pass


async def test_what_is_old_goes_and_what_is_under_way_stays(tmp_path: Path) -> None:
    clocks = Clocks()
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=clocks.utc)
    await enter(journal, "old")
    await journal.intent(Command("mixer", "power-on", id="under way"))
    clocks.now += 40 * DAY
    await enter(journal, "new")
    watch = JournalWatch(
        journal, no_alert, Keeping(30 * DAY), utc=clocks.utc, steady=clocks.steady, sleep=clocks.sleep
    )
    watch.start()
    await clocks.look(2)
    assert await names(journal) == ["new", "old", "under way"]  # the clock is not trusted yet
    await clocks.look(120)
    assert await names(journal) == ["new", "under way"]
    await watch.close()
    await journal.close()


async def test_a_clock_that_was_set_makes_nothing_old_for_a_day(tmp_path: Path) -> None:
    clocks = Clocks()
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=clocks.utc)
    await enter(journal, "of today")
    watch = JournalWatch(
        journal, no_alert, Keeping(30 * DAY), utc=clocks.utc, steady=clocks.steady, sleep=clocks.sleep
    )
    watch.start()
    clocks.offset += 3650 * DAY
    await clocks.look(23 * 60)
    assert await names(journal) == ["of today"]
    clocks.offset -= 3650 * DAY
    await clocks.look(26 * 60)
    assert await names(journal) == ["of today"]
    await watch.close()
    await journal.close()


async def test_good_scheduled_probes_go_after_a_day_and_nothing_else_does(tmp_path: Path) -> None:
    clocks = Clocks()
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=clocks.utc)
    await enter(journal, f"{SCHEDULED}1", probe=True)
    await enter(journal, f"{SCHEDULED}2", probe=True, result=Result.FAILED)
    await enter(journal, f"{SCHEDULED}3")  # an id that somebody else has chosen
    await enter(journal, "by hand", probe=True)
    clocks.now += 2 * DAY
    await enter(journal, f"{SCHEDULED}4", probe=True)
    assert await journal.retain(probes_older_than_s=DAY) == 1
    assert await names(journal) == ["by hand", *(f"{SCHEDULED}{n}" for n in (2, 3, 4))]
    await journal.close()


async def test_space_that_runs_out_is_told_before_it_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Usage(NamedTuple):
        free: int

    free = [1 << 30]
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(free[0]))
    told: list[tuple[Any, ...]] = []
    clocks = Clocks()
    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=clocks.utc)
    watch = JournalWatch(
        journal, lambda *words: told.append(words), utc=clocks.utc, steady=clocks.steady, sleep=clocks.sleep
    )
    watch.start()
    for megabytes in (1024, 12, 70, 90):
        free[0] = megabytes << 20
        told.clear()
        await clocks.look(1)
        if megabytes == 12:
            assert told[-1][:3] == ("disk", "site", "12 MB are left on the disk that the journal is on")
        elif megabytes == 70:
            assert told == []  # neither too little nor enough: it stays as it was
        else:
            assert told[-1][2] is None
    await watch.close()
    await journal.close()


async def test_a_disk_that_hangs_holds_up_one_thread_and_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers, asked = threading.Event(), []

    class Usage(NamedTuple):
        free: int

    def hang(folder: Path) -> Usage:
        asked.append(folder)
        answers.wait()
        return Usage(5 << 30)

    journal = await Journal.open(tmp_path / "state" / "journal.sqlite", clock=lambda: 5.0)
    watch = JournalWatch(journal, no_alert)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", hang)
        patch.setattr(journal_watch, "_DISK_ANSWERS_WITHIN", 0.01)
        told = await asyncio.gather(*(watch.free() for _ in range(20)), watch.free())
        assert told == [None] * 21
        assert await watch.free() is None
        assert len(asked) <= 1
        answers.set()
    while await watch.free() is None:
        pass
    await watch.close()
    await journal.close()


async def test_the_site_says_how_much_is_kept(tmp_path: Path) -> None:
    loaded = ring(tmp_path, RING + "[journal]\nkeep_days = 90.0\nmost_mb = 64\n")
    async with running(loaded, tmp_path / "state") as controller:
        assert controller._watch.keeping == Keeping(90 * DAY, 64 << 20)
    with pytest.raises(FileFaults, match="keep_days"):
        load_site(write_site(tmp_path, RING + "[journal]\nkeep_days = 0.5\n"))
