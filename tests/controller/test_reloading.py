"""A running site takes its file anew: only what has changed starts anew, and nothing is ever sent by that."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.journal_watch import Keeping
from controller.records import Command, Known, LinkState, Reason, Result
from controller.reloading import Differences, differences
from controller.service import Controller
from controller.site import load_site
from profiles.errors import InputError
from tests.controller.halls import (
    ADA,
    FROM_MQTT,
    Watch,
    act,
    chain_text,
    ring,
    running,
    state,
    until,
    write_site,
)

TWO = """
[site]
id = "larkfield-hall"

[buses.sound]
port = "sim://{folder}/chain.toml?units=2&topology=ring"
profile = "chain.toml"
topology = "ring"
units_expected = 2

[buses.lobby]
port = "sim://{folder}/other.toml?units=1&topology=ring"
profile = "other.toml"
topology = "ring"
units_expected = 1

[units.mixer]
bus = "sound"
address = 1
title = "Mixer"

[units.hall-amp]
bus = "sound"
address = 2

[units.screen]
bus = "lobby"
address = 1
"""


async def changed(controller: Controller, folder: Path, text: str, **profiles: str) -> Differences:
    """Save the site's file anew, and have the controller take it."""
    both = {"chain": chain_text(), "other": chain_text(), **profiles}
    return await controller.reload(load_site(write_site(folder, text, **both)))


async def begun(controller: Controller) -> None:
    """Both buses in use, each with a state that was confirmed."""
    for unit in ("mixer", "screen"):
        assert (await act(controller, unit, "standby")).result is Result.CONFIRMED


def sent(controller: Controller, bus: str) -> int:
    return controller._buses[bus].counters()["bytes_sent"]


async def test_the_same_file_again_changes_nothing(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await begun(controller)
        before = dict(controller._buses)
        watch = Watch(controller)
        found = await changed(controller, tmp_path, TWO)
        assert (bool(found), str(found)) == (False, "nothing has changed")
        await watch.end()
        assert controller._buses == before
        assert watch.records == []


async def test_a_bus_that_changes_starts_anew_and_the_other_one_does_not_notice(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await begun(controller)
        sound, lobby = controller._buses["sound"], controller._buses["lobby"]
        # A command of the other bus goes on all the while.
        await controller.simulate("lobby", "delay 2 150ms")
        going = asyncio.create_task(act(controller, "screen", "mute-on"))
        text = TWO.replace("units=2&", "units=3&").replace("units_expected = 2", "units_expected = 3")
        found = await changed(controller, tmp_path, text)
        assert (found.anew, found.new, found.gone, found.taken_over) == (("sound",), (), (), ())
        assert str(found) == "started anew: sound"
        assert controller._buses["lobby"] is lobby
        assert controller._buses["sound"] is not sound
        assert (await going).result is Result.CONFIRMED
        assert (await state(controller, "screen", "power")).known is Known.CONFIRMED
        # Of units whose line has begun anew nothing is known, and what was known stays beside.
        power = await state(controller, "mixer", "power")
        assert (power.known, power.last_known) == (Known.UNKNOWN, False)
        await controller.ready()
        assert sent(controller, "sound") == 0
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED


async def test_buses_and_units_come_and_go(tmp_path: Path) -> None:
    one = TWO[: TWO.index("[buses.lobby]")] + TWO[TWO.index("[units.mixer]") : TWO.index("[units.screen]")]
    async with running(ring(tmp_path, one, other=chain_text()), tmp_path / "state") as controller:
        found = await changed(controller, tmp_path, TWO)
        assert str(found) == "opened: lobby"
        await controller.ready()
        assert sent(controller, "lobby") == 0
        await begun(controller)
        await controller.simulate("lobby", "cut 1")
        assert (await act(controller, "screen", "standby")).result is Result.FAILED
        assert [alert.target for alert in await controller.alerts()] == ["lobby"]
        found = await changed(controller, tmp_path, one)
        assert str(found) == "closed: lobby"
        assert await controller.alerts() == []  # of what is not watched any more
        assert set(await controller.states()) == {"mixer", "hall-amp"}
        assert [bus.id for bus in (await controller.site()).buses] == ["sound"]
        gone = await act(controller, "screen", "standby")
        assert (gone.result, gone.reason) == (Result.REFUSED, Reason.NOT_KNOWN)
        # It comes back with what was known of it last.
        await changed(controller, tmp_path, TWO)
        await controller.ready()
        power = await state(controller, "screen", "power")
        assert (power.known, power.last_known) == (Known.UNKNOWN, False)
        assert (await act(controller, "screen", "standby")).result is Result.CONFIRMED


async def test_rights_rates_and_titles_are_taken_over_without_touching_the_line(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await begun(controller)
        before = dict(controller._buses)
        text = TWO.replace('title = "Mixer"', 'title = "Desk"\nmqtt = "none"\nminimum_off_s = 600.0')
        text = text.replace("units_expected = 1", "units_expected = 1\nrate_per_s = 5.0\nallow_raw = true")
        found = await changed(controller, tmp_path, text + "[journal]\nkeep_days = 10.0\n")
        assert found.taken_over == ("sound", "lobby")
        assert str(found) == "with other settings: sound, lobby; other settings of the site"
        assert controller._buses == before
        assert (await state(controller, "mixer", "power")).known is Known.CONFIRMED
        refused = await act(controller, "mixer", "mute-on", FROM_MQTT)
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.NOT_ALLOWED)
        # It went off before there was such a time, and it counts from there.
        refused = await act(controller, "mixer", "power-on")
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.TOO_FAST)
        assert (await controller.site()).units[0].title == "Desk"
        assert (await controller.submit(Command("lobby", "", raw=b"\xa5", origin=ADA))).result.good
        assert controller._watch.keeping == Keeping(864_000)


async def test_a_profile_that_changed_is_taken_between_two_commands(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await begun(controller)
        before = dict(controller._buses)
        other = chain_text().replace('title = "Volume up"', 'title = "Louder"')
        found = await changed(controller, tmp_path, TWO, other=other)
        assert str(found) == "with another profile: lobby"
        assert controller._buses == before
        titles = {a.name: a.title for a in (await controller.site()).units[2].actions}
        assert titles["volume-up"] == "Louder"
        assert (await act(controller, "screen", "volume-up")).result is Result.CONFIRMED


@pytest.mark.slow
async def test_what_waits_for_a_bus_that_changes_is_taken_back_with_its_outcome(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await begun(controller)
        await controller.simulate("sound", "delay 2 100ms")
        asked = [
            asyncio.create_task(act(controller, unit, "mute-on")) for unit in ("mixer", "hall-amp", "mixer")
        ]
        await until(lambda: sent(controller, "sound") > 4)
        await changed(controller, tmp_path, TWO.replace("address = 2", "address = 3"))
        outcomes = await asyncio.gather(*asked)
        assert {outcome.result for outcome in outcomes[1:]} == {Result.CANCELLED}
        assert outcomes[2].text == "taken back: the site file has changed"
        assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED


async def test_a_lock_stands_through_it_all(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        await controller.lock("mixer", "Kim", "rewiring")
        await changed(controller, tmp_path, TWO.replace("units=2&", "units=4&"))
        await controller.ready()
        refused = await act(controller, "mixer", "power-on")
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.LOCKED)


async def test_another_site_is_refused_and_nothing_changes(tmp_path: Path) -> None:
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        before = dict(controller._buses)
        with pytest.raises(InputError, match="restart the controller"):
            await changed(controller, tmp_path, TWO.replace("larkfield-hall", "village-hall"))
        assert controller._buses == before
        assert (await controller.site()).id == "larkfield-hall"


@pytest.mark.slow
async def test_nothing_of_an_old_bus_is_left(tmp_path: Path) -> None:
    """Ten times over: the leak check of these tests sees threads, descriptors and simulated lines."""
    async with running(ring(tmp_path, TWO, other=chain_text()), tmp_path / "state") as controller:
        for turn in range(10):
            units = 2 + turn % 2
            await changed(controller, tmp_path, TWO.replace("units=2&", f"units={units}&"))
            await controller.ready()
            assert all(status.link is LinkState.UP for status in await controller.buses())
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED


def test_the_differences_of_two_files(tmp_path: Path) -> None:
    old = ring(tmp_path / "old", TWO, other=chain_text())
    for text, told in [
        (TWO, "nothing has changed"),
        (TWO.replace("[units.screen]", '[units.screen]\ntitle = "Screen"'), "with other settings: lobby"),
        (TWO + '[mqtt]\nbroker = "mqtt://127.0.0.1"\n', "other settings of the site"),
    ]:
        new = load_site(
            write_site(
                tmp_path / "new",
                text.replace("{folder}", str(tmp_path / "old")),
                chain=chain_text(),
                other=chain_text(),
            )
        )
        assert str(differences(old, new)) == told
