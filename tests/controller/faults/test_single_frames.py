"""Every single frame of a 20-frame action is harmed in turn, in a ring of four: found, named, ended rightly.

Each on a real pty, with the chain in its own process: 20 frames x corrupted, dropped, doubled, delayed.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from controller.records import Known, Outcome, Reason, Result
from tests.controller.faults.chain_process import TAIL, TIMEOUT_MS, Chain, chain, hall, long_action
from tests.controller.halls import act, state

pytestmark = pytest.mark.slow

FRAMES = bytes([0xC3, 2]) + TAIL
"""As unit 2, whose address is 2, is told."""
LATE_MS = TIMEOUT_MS + 40
HARMS = {
    "corrupt {n} xor 41": {Reason.ECHO_WRONG},
    "drop {n}": {Reason.NO_ECHO, Reason.ECHO_STOPPED},
    "double {n}": {Reason.ECHO_DOUBLED},
    f"delay {{n}} {LATE_MS}ms": {Reason.ECHO_LATE},
}
"""Each harm's order, and what it must be called."""


def check_named(order: str, frame: int, outcome: Outcome) -> None:
    assert outcome.reason in HARMS[order], (order, frame, outcome)
    if order.startswith("drop"):
        assert outcome.reason is (Reason.ECHO_STOPPED if frame else Reason.NO_ECHO)
    if order.startswith("double"):
        # In a run of equal frames, any of them may be the one.
        assert outcome.failed_at is not None
        assert FRAMES[outcome.failed_at] == FRAMES[frame]
    else:
        assert outcome.failed_at == frame
        assert outcome.expected == FRAMES[frame]
    if order.startswith("corrupt"):
        assert outcome.got == FRAMES[frame] ^ 0x41
    assert outcome.text
    assert outcome.look_at


async def clear(line: Chain) -> None:
    """A fault that has not struck is taken away; one that has is gone by itself."""
    answer = line.order("clear all")
    assert answer == "there is nothing to clear", answer


@pytest.mark.parametrize("order", HARMS)
async def test_with_no_retry_each_of_them_fails_by_its_name(order: str, tmp_path: Path) -> None:
    profile = long_action(retries=0)
    reasons: Counter[Reason | None] = Counter()
    with chain(tmp_path, profile) as line:
        async with hall(tmp_path, profile) as controller:
            for frame in range(len(FRAMES)):
                assert (await act(controller, "unit-2", "standby")).result is Result.CONFIRMED
                line.order(order.format(n=frame + 1))
                outcome = await act(controller, "unit-2", "long-on")
                assert (outcome.result, outcome.attempts) == (Result.FAILED, 1), (frame, outcome)
                check_named(order, frame, outcome)
                reasons[outcome.reason] += 1
                # The unit may have heard all of it; that it is on was not confirmed in any case.
                found = await state(controller, "unit-2", "power")
                assert found.known is not Known.CONFIRMED or found.value is False
                await clear(line)
            last = await act(controller, "unit-2", "long-on")
            assert (last.result, last.attempts) == (Result.CONFIRMED, 1)
    assert reasons.total() == 20


@pytest.mark.parametrize("order", HARMS)
async def test_with_a_retry_each_of_them_is_mended(order: str, tmp_path: Path) -> None:
    profile = long_action(retries=1)
    with chain(tmp_path, profile) as line:
        async with hall(tmp_path, profile) as controller:
            for frame in range(len(FRAMES)):
                assert (await act(controller, "unit-2", "standby")).result is Result.CONFIRMED
                line.order(order.format(n=frame + 1))
                outcome = await act(controller, "unit-2", "long-on")
                assert (outcome.result, outcome.attempts) == (Result.CONFIRMED, 2), (frame, outcome)
                assert outcome.echoed == 20
                found = await state(controller, "unit-2", "power")
                assert (found.value, found.known) == (True, Known.CONFIRMED)
                # Confirmed, and so it is: the unit itself says so.
                assert "power = true" in line.states()[1]


@pytest.mark.parametrize("order", HARMS)
async def test_where_every_attempt_is_harmed_it_fails_after_the_last_one(order: str, tmp_path: Path) -> None:
    profile = long_action(retries=2)
    with chain(tmp_path, profile) as line:
        async with hall(tmp_path, profile) as controller:
            line.order(order.format(n=1) + " every" if "xor" not in order else "corrupt 1 every xor 41")
            outcome = await act(controller, "unit-2", "long-on")
            assert (outcome.result, outcome.attempts) == (Result.FAILED, 3)
            check_named(order, 0, outcome)
            assert (await state(controller, "unit-2", "power")).known is Known.UNKNOWN
