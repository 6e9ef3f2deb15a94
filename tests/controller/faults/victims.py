"""``linewarden run`` in a process of its own, to be killed, and what must be so afterwards."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
from collections import Counter
from collections.abc import AsyncIterator
from pathlib import Path

from controller.api import JournalQuery
from controller.journal_reader import JournalReader
from controller.journal_store import JournalStore
from controller.local_client import LocalClient
from controller.records import Command, Outcome, Result
from profiles.errors import ControllerAway
from tests.controller.faults.chain_process import Chain, chain, long_action, site_on
from tests.controller.halls import ADA
from tests.tui.conftest import Desk, Program

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


async def verify_killed_often(folder: Path, times: int, dice: random.Random) -> Counter[Result]:
    """Kill a commanding controller again and again; what became of the commands that were in hand."""
    open_ones: Counter[Result] = Counter()
    with chain(folder, PROFILE) as line, contextlib.closing(desk_in(folder)) as desk:
        site_on(folder, PROFILE)
        for _ in range(times):
            victim = Victim(desk, folder)
            async with victim.client() as client:
                await check_nothing_moves(line, client)
                units = [f"unit-{number}" for number in (1, 2, 3)]
                working = [asyncio.create_task(victim.command(client, unit)) for unit in units]
                await asyncio.sleep(dice.uniform(0.05, 1.0))
                victim.kill()
                await asyncio.gather(*working)
            assert len(victim.asked) - len(victim.told) == 3
            open_ones += check_journal(victim)
    return open_ones
