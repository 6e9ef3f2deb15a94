"""The controller's process is killed at random moments: nothing is lost or half, nothing moves by itself."""

from __future__ import annotations

import asyncio
import contextlib
import random
from pathlib import Path

import pytest

from controller.api import ProfileText
from controller.local_client import LocalClient
from controller.records import Command, Result
from profiles.checking import load_profile
from profiles.errors import ControllerAway, LinewardenError
from tests.controller.faults.chain_process import chain, site_on
from tests.controller.faults.victims import PROFILE, Victim, check_journal, desk_in, verify_killed_often
from tests.controller.halls import ADA

pytestmark = pytest.mark.slow


async def test_killed_while_it_commands(tmp_path: Path) -> None:
    open_ones = await verify_killed_often(tmp_path, 8, random.Random(4))
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
