"""The controller's process is killed at random moments: nothing is lost or half, nothing moves by itself."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from controller.api import JournalQuery, ProfileText
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore
from controller.local_client import LocalClient
from controller.records import Command, Outcome, Result
from profiles.checking import load_profile
from profiles.errors import ControllerAway, LinewardenError
from tests.controller.faults.chain_process import Chain, chain, long_action, site_on
from tests.controller.halls import ADA
from tests.tui.conftest import Desk, Program

pytestmark = pytest.mark.slow

PROFILE = long_action(retries=1, baud=9600)
"""20 frames take 0.1 s."""


class Victim:
    """``linewarden run`` in a process of its own, and what it has acknowledged to us."""

    def __init__(self, desk: Desk, folder: Path) -> None:
        self.state = folder / "state"
        self._program: Program = desk.start(
            "run", "--site", str(folder / "site.toml"), "--state", str(self.state)
        )
        self.asked: list[str] = []
        self.told: dict[str, Outcome] = {}

    @contextlib.asynccontextmanager
    async def client(self) -> AsyncIterator[LocalClient]:
        """A front end of it, once it runs."""
        await asyncio.to_thread(self._program.until, "running; nothing was sent")
        async with await LocalClient.connect(self.state) as client:
            yield client

    async def command(self, client: LocalClient, unit: str) -> None:
        """Command without end, until it is killed."""
        with contextlib.suppress(ControllerAway):
            for turn in range(1_000_000):
                action = ("long-on", "standby", "ask-power")[turn % 3]
                command = Command(unit, action, origin=ADA)
                self.asked.append(command.id)
                outcome = await client.submit(command)
                self.told[command.id] = outcome

    def kill(self) -> None:
        """End it as no process can prevent."""
        assert self._program.end(signal.SIGKILL) == -signal.SIGKILL


def desk_in(folder: Path) -> Desk:
    """Where the controller is started; the chain's own folder is another."""
    (folder / "desk").mkdir()
    return Desk(folder / "desk")


def check_journal(victim: Victim) -> Counter[Result]:
    """Opened again, it is sound, and every command in it has an outcome: the one that was told."""
    store = JournalStore(victim.state / "journal.sqlite", now=1.0)
    assert store.faults() == []
    store.close()
    reader = JournalReader(victim.state / "journal.sqlite")
    entries = {entry.command.id: entry.outcome for entry in reader.find(JournalQuery(limit=100_000))}
    reader.close()
    assert all(outcome is not None for outcome in entries.values())
    for identity, told in victim.told.items():
        assert entries[identity] == told
    return Counter(
        outcome.result
        for identity, outcome in entries.items()
        if outcome is not None and identity in set(victim.asked) - victim.told.keys()
    )


async def check_nothing_moves(line: Chain, client: LocalClient) -> None:
    """A controller that has started sends nothing by itself."""
    assert all(status.counters["bytes_sent"] == 0 for status in await client.buses())
    line.order("clear all")
    before = len(line.happenings)
    await asyncio.sleep(0.3)
    line.order("clear all")
    assert line.happenings[before:] == []
    assert all(status.counters["bytes_sent"] == 0 for status in await client.buses())


async def test_killed_while_it_commands(tmp_path: Path) -> None:
    dice = random.Random(4)
    open_ones: Counter[Result] = Counter()
    desk = desk_in(tmp_path)
    with chain(tmp_path, PROFILE) as line, contextlib.closing(desk):
        site_on(tmp_path, PROFILE)
        for _ in range(8):
            victim = Victim(desk, tmp_path)
            async with victim.client() as client:
                await check_nothing_moves(line, client)
                working = [asyncio.create_task(victim.command(client, f"unit-{unit}")) for unit in (1, 2, 3)]
                await asyncio.sleep(dice.uniform(0.05, 1.0))
                victim.kill()
                await asyncio.gather(*working)
            assert len(victim.asked) - len(victim.told) == 3
            open_ones += check_journal(victim)
    # What was in hand was marked, or had ended without our having been told.
    assert open_ones[Result.INTERRUPTED] >= 8
    print(f"8 kills while commanding: in hand were {dict(open_ones)}")


async def test_killed_while_it_saves_a_profile(tmp_path: Path) -> None:
    dice = random.Random(5)
    desk = desk_in(tmp_path)
    texts = [PROFILE + f"\n# version {'x' * 200_000} {number}\n" for number in (1, 2)]
    saved = 0

    async def save(client: LocalClient) -> None:
        nonlocal saved
        with contextlib.suppress(ControllerAway):
            there: ProfileText = await client.profile("profile.toml")
            for turn in range(1_000_000):
                there = await client.put_profile("profile.toml", texts[turn % 2], there.revision)
                saved += 1

    with chain(tmp_path, PROFILE), contextlib.closing(desk):
        site_on(tmp_path, PROFILE)
        for _ in range(6):
            victim = Victim(desk, tmp_path)
            async with victim.client() as client:
                saving = asyncio.create_task(save(client))
                await asyncio.sleep(dice.uniform(0.1, 0.9))
                victim.kill()
                await saving
            text = (tmp_path / "profile.toml").read_text(encoding="utf-8")
            assert text in (PROFILE, *texts)
            assert load_profile(text, "profile.toml").actions
            check_journal(victim)
    assert saved >= 6
    print(f"6 kills while saving: {saved} saves, the file was whole each time")


async def test_a_killed_controller_can_be_followed_by_another_at_once(tmp_path: Path) -> None:
    desk = desk_in(tmp_path)
    with chain(tmp_path, PROFILE), contextlib.closing(desk):
        site_on(tmp_path, PROFILE)
        victim = Victim(desk, tmp_path)
        async with victim.client() as client:
            lock = await client.lock("unit-1", "Kim", "rewiring")
            victim.kill()
        with pytest.raises(LinewardenError):
            await LocalClient.connect(victim.state)
        again = Victim(desk, tmp_path)
        async with again.client() as client:
            assert [each.id for each in await client.locks()] == [lock.id]
            refused = await client.submit(Command("unit-1", "long-on", origin=ADA))
            assert refused.result is Result.REFUSED
            assert (await client.submit(Command("unit-2", "long-on", origin=ADA))).result is Result.CONFIRMED
