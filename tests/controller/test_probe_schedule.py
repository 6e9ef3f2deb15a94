"""Scheduled probes: when a line is asked, and that what they find is told and clears by itself."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.journal_retention import SCHEDULED
from controller.probe_schedule import Asked, ProbeSchedule
from controller.records import OriginKind, Result
from controller.site import load_site
from profiles.errors import FileFaults, NotKnown
from tests.controller.halls import RING, act, chain_text, ring, running, shipped, until, write_site


class Time:
    """Passes when somebody sleeps; what is planned happens on the way."""

    def __init__(self, until: float) -> None:
        self.now = 0.0
        self._until = until
        self._plans: list[tuple[float, Callable[[], None]]] = []
        self.over = asyncio.Event()

    def at(self, when: float, what: Callable[[], None]) -> None:
        self._plans.append((when, what))

    async def sleep(self, seconds: float) -> None:
        self.now += seconds
        for plan in [plan for plan in self._plans if plan[0] <= self.now]:
            self._plans.remove(plan)
            plan[1]()
        if self.now > self._until:
            self.over.set()
            await asyncio.Event().wait()


class Line:
    def __init__(self, time: Time) -> None:
        self._time = time
        self.well = True
        self.up = True
        self.proven = float("-inf")
        self.asked_at: list[float] = []
        self.error: NotKnown | None = None

    async def probe(self) -> bool:
        self.asked_at.append(self._time.now)
        if self.error is not None:
            raise self.error
        return self.well

    async def follow(self, every: float) -> list[float]:
        """When it is asked, up to the end of the time."""
        schedule = ProbeSchedule(lambda: self._time.now, sleep=self._time.sleep)
        schedule.ask("hall", Asked(every, lambda: self.up, lambda: self.proven, self.probe))
        await self._time.over.wait()
        await schedule.close()
        return self.asked_at


async def test_an_idle_line_is_asked_in_its_time_and_never_at_the_start() -> None:
    assert await Line(Time(1000)).follow(300) == [300, 600, 900]


async def test_a_line_that_has_just_been_proven_is_not_asked() -> None:
    time = Time(1000)
    line = Line(time)
    time.at(300, lambda: setattr(line, "proven", 250.0))
    # At 300 it turns out that a command went round whole at 250: the next time is 550.
    line.proven = 0.0
    assert await line.follow(300) == [550, 850]


async def test_after_hours_of_sleep_it_is_asked_once_and_not_for_each_time_that_was_missed() -> None:
    time = Time(8000)
    time.at(300, lambda: setattr(time, "now", 7300.0))
    assert await Line(time).follow(300) == [7300, 7600, 7900]


async def test_a_broken_line_is_asked_once_a_minute_until_it_is_whole() -> None:
    time = Time(1200)
    line = Line(time)
    line.well = False
    time.at(700, lambda: setattr(line, "well", True))
    assert await line.follow(600) == [600, 660, 720]


async def test_a_broken_line_is_asked_no_less_often_than_a_whole_one() -> None:
    line = Line(Time(50))
    line.well = False
    assert await line.follow(20) == [20, 40]


async def test_a_line_without_its_adapter_is_left_alone() -> None:
    time = Time(1000)
    line = Line(time)
    line.up = False
    time.at(600, lambda: setattr(line, "up", True))
    assert await line.follow(300) == [600, 900]


async def test_a_probe_that_can_t_be_sent_is_told_and_does_not_end_the_schedule(
    caplog: pytest.LogCaptureFixture,
) -> None:
    line = Line(Time(700))
    line.error = NotKnown("names no harmless probe")
    assert await line.follow(300) == [300, 600]
    assert "names no harmless probe" in caplog.text


async def test_a_break_is_found_before_it_is_needed_and_the_alert_clears_by_itself(tmp_path: Path) -> None:
    loaded = ring(tmp_path, RING.replace("allow_raw", "probe_every_s = 10.0\nallow_raw"))
    # A site can't ask for it as often as a test wants it.
    often = loaded.site.buses["sound"].model_copy(update={"probe_every_s": 0.05})
    loaded.site.buses["sound"] = often
    async with running(loaded, tmp_path / "state") as controller:
        await until(lambda: controller._buses["sound"].counters()["actions"] > 0)
        assert await controller.alerts() == []
        await controller.simulate("sound", "cut 2")
        await until(controller._alerts.standing)
        (alert,) = await controller.alerts()
        assert (alert.id, alert.target) == ("chain-sound", "sound")
        assert "cable" in alert.look_at
        await controller.simulate("sound", "clear cut 2")
        await until(lambda: not controller._alerts.standing())
        found = await controller.journal(JournalQuery(limit=1000))
        assert {(e.command.action, e.command.origin.kind) for e in found} == {("ask-power", OriginKind.PROBE)}
        assert all(e.command.id.startswith(SCHEDULED) for e in found)
        assert {e.outcome.result for e in found if e.outcome} >= {Result.CONFIRMED, Result.FAILED}


async def test_what_people_do_takes_the_place_of_probes(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        bus = controller._buses["sound"]
        before = bus.proven_at
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        await until(lambda: bus.proven_at > before)
        await controller.simulate("sound", "cut 1")
        proven = bus.proven_at
        assert (await act(controller, "mixer", "standby")).result is Result.FAILED
        assert bus.proven_at == proven


@pytest.mark.parametrize(
    ("topology", "profile", "why"),
    [
        ("tap", shipped("pellgate-chain"), "this is a tap"),
        ("ring", chain_text().replace('probe = "ask-power"\n', ""), "names no harmless probe"),
        ("open", chain_text().replace('method = "loop"', 'method = "none"'), "no probe could find a break"),
    ],
)
def test_a_site_is_told_where_no_probe_can_find_anything(
    topology: str, profile: str, why: str, tmp_path: Path
) -> None:
    text = f'[site]\nid = "hall"\n[buses.b]\nport = "sim://"\nprofile = "p.toml"\ntopology = "{topology}"\n'
    with pytest.raises(FileFaults) as caught:
        load_site(write_site(tmp_path, text + "probe_every_s = 60.0\n", p=profile))
    assert "probe_every_s" in str(caught.value)
    assert why in str(caught.value)
