"""300 kills and 200 unplugs."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.records import Result
from tests.controller.faults.unplugging import verify_unplugged_often
from tests.controller.faults.victims import verify_killed_often

pytestmark = [pytest.mark.soak, pytest.mark.timeout(3600)]


async def test_three_hundred_kills(tmp_path: Path, scale: float, figures: Callable[[str], None]) -> None:
    times = max(2, round(300 * scale))
    found = await verify_killed_often(tmp_path, times, random.Random())
    assert found[Result.INTERRUPTED] >= times
    told = ", ".join(f"{count} {result.value}" for result, count in found.items())
    figures(f"{times} kills: every journal sound, all that was told is there; in hand were {told}")


async def test_two_hundred_unplugs(tmp_path: Path, scale: float, figures: Callable[[str], None]) -> None:
    times = max(2, round(200 * scale))
    back = sorted(await verify_unplugged_often(tmp_path, times, random.Random()))
    assert len(back) == times
    assert back[-1] < 2.0
    figures(
        f"{times} unplugs in mid-frame: back after {back[times // 2]:.2f} s (median), {back[-1]:.2f} s (most)"
    )
