"""Lines that break while they are used, each on a real pty with the chain in its own process.

A chain that is cut, a unit without mains, noise, two senders at once, an adapter that is pulled out.
"""

from __future__ import annotations

import asyncio
import random
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.records import Known, Outcome, Reason, Result
from controller.service import Controller
from tests.controller.faults.chain_process import Chain, chain, hall, long_action
from tests.controller.faults.unplugging import verify_unplugged_often
from tests.controller.halls import act, chain_text, shipped, state

pytestmark = pytest.mark.slow

QUICK = chain_text().replace("timeout_ms = 250.0", "timeout_ms = 200.0").replace("retries = 2", "retries = 0")


async def alerts(controller: Controller) -> list[str]:
    return [alert.id for alert in await controller.alerts()]


async def verify_broken_and_mended(
    controller: Controller, line: Chain, fault: str, reason: Callable[[Outcome], bool]
) -> None:
    """The fault is found by the next command, told as an alert, and over with the next good one."""
    assert (await act(controller, "unit-1", "standby")).result is Result.CONFIRMED
    line.order(fault)
    outcome = await act(controller, "unit-1", "power-on")
    assert outcome.result is Result.FAILED, (fault, outcome)
    assert reason(outcome), (fault, outcome)
    assert (await state(controller, "unit-1", "power")).known is not Known.CONFIRMED or (
        outcome.echoed < outcome.frames
    )
    (alert,) = [alert for alert in await controller.alerts() if alert.target == "hall"]
    assert alert.text == outcome.text
    assert alert.look_at
    line.order("clear all")
    assert (await act(controller, "unit-1", "power-on")).result is Result.CONFIRMED
    assert await alerts(controller) == []


async def test_a_chain_cut_behind_each_unit_and_each_unit_without_mains(tmp_path: Path) -> None:
    with chain(tmp_path, QUICK) as line:
        async with hall(tmp_path, QUICK) as controller:
            for fault in [f"cut {unit}" for unit in range(5)] + [f"no-mains {unit}" for unit in range(1, 5)]:
                await verify_broken_and_mended(
                    controller, line, fault, lambda outcome: outcome.reason is Reason.NO_ECHO
                )


async def test_a_unit_that_loses_its_mains_in_the_middle_of_an_action(tmp_path: Path) -> None:
    profile = long_action(retries=0, baud=2400)  # 20 frames take 0.4 s
    with chain(tmp_path, profile) as line:
        async with hall(tmp_path, profile) as controller:
            for unit in (1, 4):
                asked = asyncio.create_task(act(controller, "unit-2", "long-on"))
                await asyncio.sleep(0.15)
                line.order(f"no-mains {unit}")
                outcome = await asked
                assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.ECHO_STOPPED)
                assert outcome.failed_at == outcome.echoed > 0
                assert str(outcome.echoed) in outcome.text or str(outcome.frames) in outcome.text
                line.order(f"clear no-mains {unit}")


@pytest.mark.parametrize("place", [1, 4])
async def test_noise_at_one_percent_of_the_bytes_confirms_nothing_that_is_not_so(
    place: int, tmp_path: Path
) -> None:
    """Each frame that one unit sends is spoilt with a probability of 1 %; 400 commands of 4 frames each."""
    profile = QUICK.replace("hold_off_ms = 500.0", "hold_off_ms = 0.0").replace("retries = 0", "retries = 2")
    results: Counter[Result] = Counter()
    retried = 0
    with chain(tmp_path, profile) as line:
        async with hall(tmp_path, profile) as controller:
            line.order(f"noise 0.01 at {place} seed 7")
            for turn in range(400):
                wanted = turn % 2 == 0
                outcome = await act(controller, "unit-3", "power-on" if wanted else "standby")
                results[outcome.result] += 1
                retried += outcome.attempts > 1
                found = await state(controller, "unit-3", "power")
                if outcome.result is Result.CONFIRMED:
                    assert (found.value, found.known) == (wanted, Known.CONFIRMED)
                if turn % 20 == 0 or outcome.attempts > 1:
                    line.order("clear noise")
                    told = f"power = {str(wanted).lower()}" in line.states()[2]
                    assert told or outcome.result is not Result.CONFIRMED, (turn, outcome)
                    line.order(f"noise 0.01 at {place} seed {turn}")
    assert results.keys() <= {Result.CONFIRMED, Result.FAILED}
    assert retried >= 5  # some 4 % of the commands are hit
    print(f"noise at unit {place}: {dict(results)}, {retried} were said again")


async def test_two_senders_at_once_on_a_shared_wire_are_a_collision(tmp_path: Path) -> None:
    profile = shipped("pellgate-blind").replace("retries = 3", "retries = 0")
    keys = 'topology = "shared"\nhears_itself = true\n'
    with chain(tmp_path, profile, units=2, more=("--topology", "shared")) as line:
        async with hall(tmp_path, profile, units=2, keys=keys) as controller:
            for unit in (1, 2):
                assert (await act(controller, "unit-1", "ask")).result is Result.CONFIRMED
                line.order(f"talker {unit} 55")
                for action in ("open", "close", "ask"):
                    outcome = await act(controller, "unit-1", action)
                    assert (outcome.result, outcome.reason) == (Result.FAILED, Reason.COLLISION), outcome
                    assert "sent at the same time" in outcome.text
                assert "chain-hall" in await alerts(controller)
                line.order("clear all")
                assert (await act(controller, "unit-1", "ask")).result is Result.CONFIRMED
                assert await alerts(controller) == []


async def test_an_adapter_pulled_out_in_mid_frame_and_put_back(tmp_path: Path) -> None:
    """Twelve times: what is under way and what waits ends at once, and the port is back within 2 s."""
    back = await verify_unplugged_often(tmp_path, 12, random.Random(20))
    assert len(back) == 12
    assert max(back) < 2.0, back
    print(f"back after {sorted(back)[len(back) // 2]:.2f} s (median), {max(back):.2f} s (most)")
