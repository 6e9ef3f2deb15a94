"""Runs on a real controller and simulated lines, with faults."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.qualifying.course import Phase
from controller.qualifying.plan import Asked
from controller.qualifying.runner import Progress
from controller.qualifying.statistics import figures_of
from controller.qualifying.trials import Trials
from controller.qualifying.verdict import Result, judge
from controller.records import Command
from controller.service import Controller
from tests.controller.qualifying.halls import ORIGIN, hall, run_on

QUICK = Asked("foyer-amp", cycles=3, on_for=0.03, off_for=0.03)


A_BUSY_MACHINE = {"retried": 100.0, "lag": 1000.0, "units-missing": 100.0}
"""Limits that say nothing of how busy the machine is that the tests run on."""


def verdict(run: Trials) -> Result:
    return judge(run, figures_of(run), A_BUSY_MACHINE).result


async def power(controller: Controller) -> object:
    return (await controller.states())["foyer-amp"]["power"].value


async def test_a_whole_run_passes_and_tells_every_frames_lag(tmp_path: Path) -> None:
    told: list[Progress] = []
    async with hall(tmp_path) as controller:
        run = await run_on(controller, QUICK, lambda progress, _: told.append(progress))
        assert await power(controller) is False
    assert verdict(run) is Result.PASS
    figures = figures_of(run)
    assert (figures.commands, figures.shown, figures.failures) == (6, 6, ())
    # 6 commands of 4 frames; in a ring of two a whole echo takes 3 frame times at least (a store-and-forward
    # unit returns a frame one frame time later: common practice, no source), 1.5625 ms at 19200 8N1.
    assert figures.lag_ms is not None
    assert figures.lag_ms.count >= 24
    assert figures.lag_ms.least >= 3 * 10 / 19200 * 1000 - 0.3
    assert [trial.phase for trial in run.trials] == [Phase.BEFORE, *[Phase.ON, Phase.OFF] * 3]
    assert run.state.left == "false (confirmed)"
    assert told[-1].done == 3
    assert run.subject.on_bytes == bytes.fromhex("C0 01 01 C0")


async def test_failures_are_counted_by_kind_and_the_verdict_fails(tmp_path: Path) -> None:
    async with hall(tmp_path) as controller:
        faults = {2: "cut 1", 3: "clear all"}

        def spoil(progress: Progress, _: asyncio.Event) -> None:
            if progress.text == "power-on ..." and progress.cycle in faults:
                orders.append(asyncio.ensure_future(controller.simulate("hall", faults[progress.cycle])))

        orders: list[asyncio.Future[str]] = []
        run = await run_on(controller, QUICK, spoil)
        assert all(order.done() for order in orders)
    kinds = {failure.kind: failure.count for failure in figures_of(run).failures}
    assert verdict(run) is Result.FAIL
    assert "failed (no-echo)" in kinds
    assert sum(kinds.values()) == figures_of(run).failed >= 1
    assert 2 in figures_of(run).failures[0].cycles
    assert run.completed == 3
    assert run.incomplete == ""


async def test_stopped_it_switches_the_unit_off_and_says_so(tmp_path: Path) -> None:
    def stop_after_on(progress: Progress, stop: asyncio.Event) -> None:
        if progress.cycle == 2 and progress.text.startswith("power-on: "):
            stop.set()

    async with hall(tmp_path) as controller:
        asked = Asked("foyer-amp", cycles=500, on_for=0.05, off_for=0.0)
        run = await run_on(controller, asked, stop_after_on)
        assert await power(controller) is False
    assert run.trials[-1].phase is Phase.RESTORE
    assert run.incomplete == "it was stopped"
    assert verdict(run) is Result.INCOMPLETE
    assert run.completed == 1


@pytest.mark.slow
async def test_what_was_found_on_is_on_again_at_the_end(tmp_path: Path) -> None:
    async with hall(tmp_path) as controller:
        await controller.submit(Command("foyer-amp", "power-on", origin=ORIGIN, agreed=True))
        run = await run_on(controller, QUICK)
        assert await power(controller) is True
    assert (run.state.found, run.state.left) == ("true (confirmed)", "true (confirmed)")
    assert verdict(run) is Result.PASS


async def test_a_lock_holds_and_ends_the_run(tmp_path: Path) -> None:
    async with hall(tmp_path) as controller:
        await controller.lock("foyer-amp", "Ada", "new fuse")
        run = await run_on(controller, QUICK)
    assert "locked" in run.incomplete
    assert "new fuse" in run.incomplete
    assert verdict(run) is Result.FAIL
    assert run.completed == 0


@pytest.mark.parametrize("way", ["off", pytest.param("act", marks=pytest.mark.slow)])
async def test_whoever_else_is_at_the_unit_ends_the_run(tmp_path: Path, way: str) -> None:
    async with hall(tmp_path) as controller:
        tasks: list[asyncio.Future[object]] = []

        def somebody(progress: Progress, _: asyncio.Event) -> None:
            if progress.cycle == 1 and progress.text.startswith("power-on: "):
                other = (
                    controller.all_off(None, ORIGIN)
                    if way == "off"
                    else controller.submit(Command("foyer-amp", "standby", origin=ORIGIN))
                )
                tasks.append(asyncio.ensure_future(other))

        run = await run_on(controller, Asked("foyer-amp", cycles=50, on_for=0.5, off_for=0), somebody)
        await asyncio.gather(*tasks)
        assert await power(controller) is False
    assert run.incomplete == "Ada commanded foyer-amp standby meanwhile"
    assert [trial.phase for trial in run.trials if trial.phase is Phase.ON] == [Phase.ON]


@pytest.mark.slow
async def test_a_front_panel_that_switches_off_ends_the_run(tmp_path: Path) -> None:
    async with hall(tmp_path) as controller:
        tasks: list[asyncio.Future[object]] = []

        def press(progress: Progress, _: asyncio.Event) -> None:
            if progress.cycle == 2 and progress.text.startswith("power-on: "):
                tasks.append(asyncio.ensure_future(controller.simulate("hall", "press 1 standby")))

        run = await run_on(controller, Asked("foyer-amp", cycles=50, on_for=0.4, off_for=0), press)
    assert "somebody may be at it" in run.incomplete
    assert sum(trial.phase is Phase.ON for trial in run.trials) == 2


@pytest.mark.slow
async def test_power_up_time_is_that_until_the_event(tmp_path: Path) -> None:
    async with hall(tmp_path) as controller:
        tasks: list[asyncio.Future[object]] = []

        async def warm_up() -> None:
            await asyncio.sleep(0.1)  # the unit's own time to warm up
            await controller.simulate("hall", "press 1 warm")
            await controller.simulate("hall", "press 1 cold")

        def rise(progress: Progress, _: asyncio.Event) -> None:
            if progress.text.startswith("power-on: "):
                tasks.append(asyncio.ensure_future(warm_up()))

        asked = Asked("foyer-amp", cycles=2, on_for=0.3, off_for=0.0, ready="up")
        run = await run_on(controller, asked, rise)
    spread = figures_of(run).power_up_s
    assert spread is not None
    assert spread.count == 2
    assert spread.least >= 0.1


@pytest.mark.slow
async def test_minimum_times_of_the_site_hold(tmp_path: Path) -> None:
    async with hall(tmp_path, "minimum_off_s = 0.25\nminimum_on_s = 0.15\n") as controller:
        run = await run_on(controller, Asked("foyer-amp", cycles=2, on_for=0, off_for=0))
    assert verdict(run) is Result.PASS  # the gate refuses what comes too soon
    ons = [trial.at for trial in run.trials if trial.phase is Phase.ON]
    assert ons[1] - ons[0] >= 0.4
