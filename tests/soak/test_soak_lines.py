"""Ten minutes of noise on one bus, and ten minutes of sixteen buses with faults at random.

The controller runs in a process of its own, and so does each chain, behind a real pty.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import time
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.journal_reader import JournalReader
from controller.local_client import LocalClient
from controller.records import Command, Known, LinkState, Outcome, Result
from tests.controller.faults.chain_process import Chain, chain
from tests.controller.halls import ADA, chain_text
from tests.soak.processes import Held, Running, check_nothing_grew, running
from tests.tui.conftest import Desk

pytestmark = [pytest.mark.soak, pytest.mark.timeout(3600)]

MINUTES = 10
PROFILE = (
    chain_text(9600)
    .replace("hold_off_ms = 500.0", "hold_off_ms = 0.0")
    .replace("timeout_ms = 250.0", "timeout_ms = 150.0")
)
WARM, WARM_COMMANDS = 0.25, 3000
"""The part of the time, and the commands, after which what the controller holds is measured first. It keeps
the last 1000 commands at hand, and some more in its parts: until then it grows (measured: 46 MB to 50)."""


def write_site(folder: Path, buses: int) -> Path:
    """A site of so many rings of four."""
    text = '[site]\nid = "larkfield-hall"\n[journal]\nmost_mb = 200\n'
    for bus in range(buses):
        text += (
            f'[buses.bus-{bus}]\nport = "{folder}/{bus}/adapter"\nprofile = "{folder}/{bus}/profile.toml"\n'
            'topology = "ring"\nunits_expected = 4\nadapter_latency_ms = 0.0\nadapter_jitter_ms = 5.0\n'
        )
        for unit in range(1, 5):
            text += f'[units.unit-{bus}-{unit}]\nbus = "bus-{bus}"\naddress = {unit}\n'
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    return path


class Asking:
    """Commands without end, and what became of each."""

    def __init__(self, client: LocalClient, until: float) -> None:
        self._client = client
        self._until = until
        self.told: dict[str, Outcome] = {}
        self.results: Counter[str] = Counter()
        self.retried = 0

    async def ask(self, unit: str, action: str) -> Outcome:
        command = Command(unit, action, origin=ADA)
        outcome = await self._client.submit(command)
        assert command.id not in self.told
        self.told[command.id] = outcome
        self.results[outcome.reason.value if outcome.reason else outcome.result.value] += 1
        self.retried += outcome.attempts > 1
        return outcome

    async def keep_on(self, bus: int, pause: float, dice: random.Random) -> None:
        while time.monotonic() < self._until:
            unit, action = dice.randint(1, 4), dice.choice(("power-on", "standby", "mute-on", "ask-power"))
            outcome = await self.ask(f"unit-{bus}-{unit}", action)
            assert outcome.result in (Result.CONFIRMED, Result.FAILED), outcome
            await asyncio.sleep(dice.uniform(0, 2 * pause))


def check_journal(state: Path, told: dict[str, Outcome]) -> None:
    """Everything that was told is in the journal, as it was told."""
    reader = JournalReader(state / "journal.sqlite")
    entries = {entry.command.id: entry.outcome for entry in reader.find(JournalQuery(limit=1_000_000))}
    reader.close()
    assert all(outcome is not None for outcome in entries.values())
    missing = [identity for identity, outcome in told.items() if entries.get(identity) != outcome]
    assert missing == []


async def check_every_unit_is_as_it_is_confirmed(
    asking: Asking, client: LocalClient, chains: list[Chain]
) -> None:
    """All faults are over: each unit obeys, is confirmed, and says itself that it is so; no alert is left."""
    for bus, line in enumerate(chains):
        for unit in range(1, 5):
            for _ in range(3):
                outcome = await asking.ask(f"unit-{bus}-{unit}", "power-on" if unit % 2 else "standby")
                if outcome.result is Result.CONFIRMED:
                    break
                await asyncio.sleep(1.0)
            assert outcome.result is Result.CONFIRMED, outcome
        for unit, words in enumerate(line.states(), 1):
            assert f"power = {'true' if unit % 2 else 'false'}" in words
            known = (await client.states())[f"unit-{bus}-{unit}"]["power"]
            assert (known.value, known.known is Known.UNKNOWN) == (bool(unit % 2), False)
    assert await client.alerts() == []


async def held_when_warm(
    controller: Running, asking: Asking, tasks: Sequence[asyncio.Task[None]], began: float, seconds: float
) -> Held:
    """What the controller holds when it has worked for a while, and at the latest in half of the time."""
    while True:
        done, _ = await asyncio.wait(tasks, timeout=seconds / 60, return_when=asyncio.FIRST_EXCEPTION)
        passed = (time.monotonic() - began) / seconds
        if done or passed > 0.5 or (passed > WARM and len(asking.told) >= WARM_COMMANDS):
            return await held_when_all_are_up(controller)


async def held_when_all_are_up(controller: Running) -> Held:
    """What it holds while no port is pulled out or being opened: both change what it holds, for a while."""
    while True:
        up_before = await _all_up(controller.client)
        held = controller.held()
        opening = any(name.startswith("open ") for name in held.threads)
        if up_before and not opening and await _all_up(controller.client):
            return held
        await asyncio.sleep(0.05)


async def _all_up(client: LocalClient) -> bool:
    return all(status.link is LinkState.UP for status in await client.buses())


async def test_ten_minutes_of_noise(tmp_path: Path, scale: float, figures: Callable[[str], None]) -> None:
    dice = random.Random()
    seconds = MINUTES * 60 * scale
    (tmp_path / "desk").mkdir()
    with chain(tmp_path / "0", PROFILE) as line, contextlib.closing(Desk(tmp_path / "desk")) as desk:
        async with running(desk, write_site(tmp_path, 1), tmp_path / "state") as controller:
            began = time.monotonic()
            asking = Asking(controller.client, began + seconds)
            line.order(f"noise 0.01 at {dice.randint(1, 4)} seed {dice.randint(1, 1000)}")
            task = asyncio.create_task(asking.keep_on(0, 0.0, dice))
            warm = await held_when_warm(controller, asking, [task], began, seconds)
            await task
            last = controller.held()
            line.order("clear all")
            await check_every_unit_is_as_it_is_confirmed(asking, controller.client, [line])
        check_journal(tmp_path / "state", asking.told)
    figures(
        f"{seconds / 60:.1f} min of noise at 1 %: {len(asking.told)} commands, {dict(asking.results)}, "
        f"{asking.retried} said again; {warm} when warm, {last} at the end"
    )
    check_nothing_grew(warm, last)


FAULTS = (
    "cut {unit}",
    "no-mains {unit}",
    "corrupt {n} xor 10",
    "drop {n}",
    "double {n}",
    "delay {n} 170ms",
    "noise 0.02 at {unit} seed {n}",
    "slow {unit} 2ms",
    "unplug",
)


async def break_at_random(line: Chain, until: float, dice: random.Random, done: Counter[str]) -> None:
    """One fault after another on one line, each for a while."""
    while time.monotonic() < until:
        await asyncio.sleep(dice.uniform(0.5, 6.0))
        fault = dice.choice(FAULTS).format(unit=dice.randint(1, 4), n=dice.randint(1, 9))
        done[fault.split()[0]] += 1
        if fault == "unplug":
            await asyncio.to_thread(line.unplug)
            await asyncio.sleep(dice.uniform(0.1, 2.0))
            await asyncio.to_thread(line.plug)
        else:
            await asyncio.to_thread(line.order, fault)
            await asyncio.sleep(dice.uniform(0.1, 2.0))
            await asyncio.to_thread(line.order, "clear all")


async def test_ten_minutes_of_sixteen_buses(
    tmp_path: Path, scale: float, figures: Callable[[str], None]
) -> None:
    dice = random.Random()
    seconds = MINUTES * 60 * scale
    buses = 16
    done: Counter[str] = Counter()
    (tmp_path / "desk").mkdir()
    with contextlib.ExitStack() as stack:
        chains = [stack.enter_context(chain(tmp_path / str(bus), PROFILE)) for bus in range(buses)]
        desk = stack.enter_context(contextlib.closing(Desk(tmp_path / "desk")))
        async with running(desk, write_site(tmp_path, buses), tmp_path / "state") as controller:
            until = time.monotonic() + seconds
            asking = Asking(controller.client, until)
            tasks = [asyncio.create_task(asking.keep_on(bus, 0.5, dice)) for bus in range(buses)]
            tasks += [asyncio.create_task(break_at_random(line, until, dice, done)) for line in chains]
            warm = await held_when_warm(controller, asking, tasks, until - seconds, seconds)
            await asyncio.gather(*tasks)
            last = await held_when_all_are_up(controller)
            await check_every_unit_is_as_it_is_confirmed(asking, controller.client, chains)
        check_journal(tmp_path / "state", asking.told)
    figures(
        f"{seconds / 60:.1f} min of {buses} buses: {len(asking.told)} commands, {dict(asking.results)}; "
        f"faults {dict(done)}; {warm} when warm, {last} at the end"
    )
    check_nothing_grew(warm, last)
