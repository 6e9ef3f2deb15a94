"""Clocks that are set by hours, a computer that sleeps for minutes: nothing moves by itself or is lost."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.records import Command, Known, Reason, Result
from controller.site import LoadedSite
from controller.waiting import monotonic
from tests.controller.halls import ADA, RING, act, chain_text, ring, running, state, until

HOUR = 3600.0
SITE = RING.replace('role = "preamplifier"', 'role = "preamplifier"\nminimum_off_s = 3.0')


@dataclass
class Clocks:
    """The real ones, which can be set, and which can jump as after a sleep."""

    set_by: float = 0.0
    slept: float = 0.0

    def utc(self) -> float:
        return time.time() + self.set_by + self.slept

    def steady(self) -> float:
        return monotonic() + self.slept


def hall(folder: Path) -> LoadedSite:
    return ring(folder, SITE, chain=chain_text().replace("hold_off_ms = 500.0", "hold_off_ms = 0.0"))


@pytest.mark.parametrize("hours", [5, -5])
async def test_a_wall_clock_that_is_set_moves_nothing_and_shortens_no_time(
    hours: int, tmp_path: Path
) -> None:
    clocks = Clocks()
    async with running(hall(tmp_path), tmp_path / "state", utc=clocks.utc, clock=clocks.steady) as controller:
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        bus = controller._buses["sound"]
        sent = bus.counters()["bytes_sent"]
        clocks.set_by = hours * HOUR
        await asyncio.sleep(0.1)
        assert bus.counters()["bytes_sent"] == sent
        # It has to stay off for 3 s by a clock that nobody sets.
        refused = await act(controller, "mixer", "power-on")
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.TOO_FAST)
        assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED
        found = await state(controller, "mixer", "power")
        assert (found.value, found.known) == (False, Known.CONFIRMED)
        # A deadline is a time of day, and the sender's clock and ours are what they are.
        deadline = clocks.utc() + 60
        clocks.set_by += HOUR
        late = await controller.submit(Command("mixer", "mute-off", origin=ADA, deadline=deadline))
        assert (late.result, late.reason) == (Result.REFUSED, Reason.STALE)
        entries = await controller.journal(JournalQuery())
        assert [entry.command.action for entry in entries] == ["mute-off", "mute-on", "power-on", "standby"]
        assert all(entry.outcome for entry in entries)


@pytest.mark.parametrize("hours", [5, -5])
async def test_a_minimum_time_outlives_a_restart_with_another_time_of_day(hours: int, tmp_path: Path) -> None:
    clocks = Clocks()
    async with running(hall(tmp_path), tmp_path / "state", utc=clocks.utc, clock=clocks.steady) as controller:
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
    clocks.set_by = hours * HOUR
    async with running(hall(tmp_path), tmp_path / "state", utc=clocks.utc, clock=clocks.steady) as controller:
        outcome = await act(controller, "mixer", "power-on")
        # Set forward, the time seems to be over; set back, it is never longer than it has to be.
        assert outcome.result is (Result.CONFIRMED if hours > 0 else Result.REFUSED)
        assert controller._buses["sound"].counters()["bytes_sent"] == (4 if hours > 0 else 0)
        clocks.slept += 3.1
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED


async def test_a_sleep_in_the_middle_of_an_action_ends_it_in_one_outcome(tmp_path: Path) -> None:
    clocks = Clocks()
    async with running(hall(tmp_path), tmp_path / "state", utc=clocks.utc, clock=clocks.steady) as controller:
        await controller.simulate("sound", "delay 2 100ms")
        asked = [
            asyncio.create_task(controller.submit(Command(unit, "standby", origin=ADA, id=unit)))
            for unit in ("mixer", "hall-amp", "foyer-amp")
        ]
        await until(lambda: controller._buses["sound"].counters()["bytes_sent"] >= 2)
        clocks.slept += 600
        outcomes = await asyncio.gather(*asked)
        assert [outcome.command_id for outcome in outcomes] == ["mixer", "hall-amp", "foyer-amp"]
        assert outcomes[0].result in (Result.CONFIRMED, Result.FAILED)
        assert outcomes[2].result is Result.CONFIRMED
        await until(lambda: not controller._alerts.standing())
