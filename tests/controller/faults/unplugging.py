"""An adapter that is pulled out in mid-frame and put back, again and again."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path

from controller.api import JournalQuery
from controller.records import Command, Known, LinkState, Reason, Result
from controller.service import Controller
from controller.waiting import monotonic
from tests.controller.faults.chain_process import TIMEOUT_MS, chain, hall, long_action
from tests.controller.halls import ADA, act, state, until


def _is(controller: Controller, link: LinkState) -> bool:
    return controller._buses["hall"].status.link is link


async def verify_unplugged_often(folder: Path, times: int, dice: random.Random) -> list[float]:
    """What is under way and what waits ends at once with one outcome each; seconds until each was back."""
    # Whether an echo comes in time is not what this is about, and a busy machine takes its own.
    profile = long_action(retries=1, baud=2400).replace(f"timeout_ms = {TIMEOUT_MS}.0", "timeout_ms = 5000.0")
    back: list[float] = []
    ids: list[str] = []
    with chain(folder, profile) as line:
        async with hall(folder, profile) as controller:
            for turn in range(times):
                commands = [
                    Command(f"unit-{unit}", "long-on", origin=ADA, id=f"{turn}-{unit}") for unit in (1, 2, 3)
                ]
                ids += [command.id for command in commands]
                asked = [asyncio.create_task(controller.submit(command)) for command in commands]
                await asyncio.sleep(dice.uniform(0.02, 0.3))
                line.unplug()
                outcomes = await asyncio.gather(*asked)
                assert [outcome.command_id for outcome in outcomes] == ids[-3:]
                assert {outcome.result for outcome in outcomes} == {Result.FAILED}
                assert {outcome.reason for outcome in outcomes} == {Reason.LINK_LOST}
                await until(lambda: _is(controller, LinkState.DOWN))
                for unit in (1, 2, 3, 4):
                    assert (await state(controller, f"unit-{unit}", "power")).known is Known.UNKNOWN
                assert "link-hall" in [alert.id for alert in await controller.alerts()]
                await asyncio.sleep(dice.uniform(0.0, 1.0))
                line.plug()
                began = monotonic()
                await until(lambda: _is(controller, LinkState.UP))
                back.append(monotonic() - began)
                outcome = await act(controller, "unit-1", "ask-power")
                assert outcome.result is Result.CONFIRMED, outcome
                assert await controller.alerts() == []
            entries = await controller.journal(JournalQuery(limit=100_000, text="long-on"))
            assert sorted(entry.command.id for entry in entries) == sorted(ids)
            assert all(entry.outcome is not None for entry in entries)
    return back
