"""Sense inputs: a control line tells how a unit is, against whatever it was told; on simulated adapters."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

import pytest

from controller.records import Known, StateChange, StateValue
from controller.service import Controller
from controller.site import load_site
from profiles.errors import FileFaults
from tests.controller.halls import RING, Watch, act, chain_text, ring, running, state, until, write_site

SENSE = 'sense = { bus = "sound", line = "cts", debounce_ms = 10.0, grace_s = 0.3 }'
SITE = RING.replace('role = "preamplifier"', f'role = "preamplifier"\n{SENSE}')


async def power(controller: Controller) -> StateValue:
    return await state(controller, "mixer", "power")


def is_now(controller: Controller, value: bool, known: Known) -> bool:
    found = controller._states.get("mixer", "power")
    return found is not None and (found.value, found.known) == (value, known)


async def test_how_the_line_stands_at_the_start_is_how_the_unit_is(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        assert (await state(controller, "hall-amp", "power")).known is Known.UNKNOWN
        assert all(status.counters["bytes_sent"] == 0 for status in await controller.buses())


async def test_the_unit_is_followed_whoever_switches_it(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        await controller.simulate("sound", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        await controller.simulate("sound", "line cts off")
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        assert await controller.alerts() == []


@pytest.mark.slow
async def test_a_line_that_bounces_says_nothing_until_it_is_steady(tmp_path: Path) -> None:
    site = SITE.replace("debounce_ms = 10.0", "debounce_ms = 300.0")
    async with running(ring(tmp_path, site), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        watch = Watch(controller)
        for _ in range(3):
            await controller.simulate("sound", "line cts on")
            await asyncio.sleep(0.04)
            await controller.simulate("sound", "line cts off")
            await asyncio.sleep(0.04)
        await controller.simulate("sound", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        await watch.end()
        told = [change.value.value for change in watch.of(StateChange)]
        assert told == [True]


async def test_a_unit_that_obeys_is_confirmed_and_then_observed(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        assert (await act(controller, "mixer", "power-on")).result.good
        assert is_now(controller, True, Known.CONFIRMED)
        await controller.simulate("sound", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        await asyncio.sleep(0.4)
        assert await controller.alerts() == []


async def test_a_unit_that_does_not_obey_is_told_of_and_the_line_is_believed(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        assert (await act(controller, "mixer", "power-on")).result.good
        await until(controller._alerts.standing)
        (alert,) = await controller.alerts()
        assert (alert.id, alert.text) == (
            "sense-mixer",
            "power should be true, and its sense input says false",
        )
        assert re.search("the lead from it to CTS of sound's adapter", alert.look_at)
        assert is_now(controller, False, Known.OBSERVED)
        # It stands until it is over: the unit comes up after all ...
        await controller.simulate("sound", "line cts on")
        await until(lambda: not controller._alerts.standing())
        assert is_now(controller, True, Known.OBSERVED)


@pytest.mark.slow
async def test_the_contradiction_is_over_when_nobody_wants_it_on_any_more(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        assert (await act(controller, "mixer", "power-on")).result.good
        await until(controller._alerts.standing)
        assert (await act(controller, "mixer", "standby")).result.good
        await until(lambda: not controller._alerts.standing())
        assert (await power(controller)).value is False


async def test_while_the_adapter_is_away_the_line_says_nothing(tmp_path: Path) -> None:
    async with running(ring(tmp_path, SITE), tmp_path / "state") as controller:
        await controller.simulate("sound", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        await controller.simulate("sound", "unplug")
        await until(lambda: not is_now(controller, True, Known.OBSERVED))
        found = await power(controller)
        assert (found.known, found.last_known) == (Known.UNKNOWN, True)
        await controller.simulate("sound", "plug")
        await until(lambda: is_now(controller, True, Known.OBSERVED))


async def test_a_line_of_another_bus_tells_though_the_units_own_adapter_is_away(tmp_path: Path) -> None:
    site = SITE.replace('sense = { bus = "sound"', 'sense = { bus = "other"')
    site += '[buses.other]\nport = "sim://{folder}/chain.toml?units=1"\nprofile = "chain.toml"\n'
    site += 'topology = "tap"\n'
    async with running(ring(tmp_path, site), tmp_path / "state") as controller:
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        await controller.simulate("sound", "unplug")
        await until(lambda: any(alert.id == "link-sound" for alert in controller._alerts.standing()))
        # Its bus has lost sight of it, and its sense input has not.
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        await controller.simulate("other", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        # The adapter was away all the time.
        assert any(alert.id == "link-sound" for alert in controller._alerts.standing())


async def test_minimum_times_count_from_what_the_line_says(tmp_path: Path) -> None:
    site = SITE.replace(SENSE, f"{SENSE}\nminimum_off_s = 600.0")
    async with running(ring(tmp_path, site), tmp_path / "state") as controller:
        await controller.simulate("sound", "line cts on")
        await until(lambda: is_now(controller, True, Known.OBSERVED))
        await controller.simulate("sound", "line cts off")
        await until(lambda: is_now(controller, False, Known.OBSERVED))
        refused = await act(controller, "mixer", "power-on")
        assert refused.reason is not None
        assert refused.reason.value == "too-fast"


@pytest.mark.parametrize(
    ("key", "what"),
    [
        ('bus = "nowhere", line = "cts"', "no bus is called 'nowhere'"),
        ('bus = "sound", line = "cts", state = "volume"', "volume is not true or false"),
        ('bus = "sound", line = "cts", state = "voltage"', "has no state 'voltage'"),
        ('bus = "sound", line = "rts"', "line"),
    ],
)
def test_a_sense_input_that_can_tell_nothing_is_refused(key: str, what: str, tmp_path: Path) -> None:
    site = SITE.replace(SENSE, f"sense = {{ {key} }}")
    with pytest.raises(FileFaults) as caught:
        load_site(write_site(tmp_path, site, chain=chain_text()))
    assert what in str(caught.value)


def test_two_units_can_t_share_a_line(tmp_path: Path) -> None:
    site = SITE.replace('role = "power-amplifier"', f'role = "power-amplifier"\n{SENSE}', 1)
    with pytest.raises(FileFaults, match="tells of mixer already"):
        load_site(write_site(tmp_path, site, chain=chain_text()))
