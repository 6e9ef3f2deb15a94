"""Profiles changed while a site runs: taken between two commands, and only where the site can have them."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.bus_line import BusLine
from controller.records import Command, Event, Known, LinkState, Outcome, Reason, Result, StateChange, Traffic
from controller.service import Controller
from profiles.errors import FileFaults, NotKnown, RevisionMoved
from tests.controller.halls import ADA, RING, Watch, act, chain_text, ring, running, shipped, state, until

SLOW = chain_text(1200)
NAME = "chain.toml"


async def put(controller: Controller, old: str, new: str, name: str = NAME) -> None:
    """Save a profile with one thing changed."""
    before = await controller.profile(name)
    assert old in before.text
    after = await controller.put_profile(name, before.text.replace(old, new), before.revision)
    assert after.text == before.text.replace(old, new)
    assert after.revision != before.revision


async def test_a_saved_profile_holds_at_once_and_its_file_has_it(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        await put(
            controller, 'title = "Power on"\neffect = "energise"', 'title = "Power"\neffect = "neutral"'
        )
        await controller.lock("mixer", "Kim", "fuse")
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        site = await controller.site()
        assert "Power" in {action.title for action in site.units[0].actions}
        await watch.end()
        assert [(each.bus, each.name) for each in watch.of(Event)] == [("sound", "profile-saved")]
        assert 'title = "Power"' in (tmp_path / NAME).read_text("utf-8")


async def test_a_command_under_way_is_not_harmed_by_new_line_settings(tmp_path: Path) -> None:
    """The port is opened anew between two commands; what waits is judged by the new profile."""
    loaded = ring(tmp_path, chain=SLOW)
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        under_way = asyncio.create_task(act(controller, "mixer", "power-on"))
        await until(lambda: any(each.direction == "sent" for each in watch.of(Traffic)))
        waiting = asyncio.create_task(act(controller, "hall-amp", "mute-on"))
        gone = asyncio.create_task(act(controller, "hall-amp", "volume-down"))
        await until(lambda: len(controller._buses["sound"]._queue) == 2)
        before = await controller.profile(NAME)
        text = before.text.replace("baud = 1200", "baud = 2400").replace(
            "[actions.volume-down]", "[actions.softer]"
        )
        saving = asyncio.create_task(controller.put_profile(NAME, text, before.revision))
        assert (await under_way).result is Result.CONFIRMED
        await saving
        assert controller._buses["sound"].profile.line.baud == 2400
        # The simulated line does not care for the port's rate; the next frames are timed by the new one.
        assert (await gone).reason is Reason.NOT_KNOWN
        outcome = await waiting
        assert outcome.wire_ms == pytest.approx(4 * 4 * 10 / 2400 * 1000, abs=0.01)
        await watch.end()


async def test_states_are_unknown_after_new_line_settings_and_stay_with_other_changes(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        await put(controller, "timeout_ms = 250.0", "timeout_ms = 200.0")
        assert (await state(controller, "mixer", "power")).known is Known.CONFIRMED
        watch = Watch(controller)
        await put(controller, "baud = 38400", "baud = 19200")
        power = await state(controller, "mixer", "power")
        assert (power.known, power.last_known) == (Known.UNKNOWN, True)
        await until(lambda: controller._buses["sound"].status.link is LinkState.UP)
        await watch.end()
        assert [each.state for each in watch.of(StateChange)] == ["power"]
        assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED


async def test_new_and_changed_states_are_told(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "set-volume", level=50)).result is Result.CONFIRMED
        watch = Watch(controller)
        await put(controller, "range = [0, 63]", "range = [0, 45]")
        await put(controller, "[states.mute]", '[states.tone]\ntype = "integer"\n\n[states.mute]')
        await watch.end()
        changes = {(each.unit, each.state): each.value for each in watch.of(StateChange)}
        assert changes["mixer", "volume"].known is Known.UNKNOWN
        assert changes["mixer", "volume"].last_known is None
        assert changes["foyer-amp", "tone"].known is Known.UNKNOWN
        assert set((await controller.states())["mixer"]) == {"power", "input", "volume", "mute", "tone"}


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('effect = "energise"', 'effect = "explode"', "effect"),
        ("range = [1, 15]", "range = [1, 2]", "units.foyer-amp.address"),
        ('method = "loop"         #', 'method = "local"        #', "buses.sound.topology"),
    ],
)
async def test_a_profile_that_the_site_can_not_be_started_with_is_not_saved(
    old: str, new: str, fault: str, tmp_path: Path
) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        before = await controller.profile(NAME)
        assert old in before.text
        with pytest.raises(FileFaults) as caught:
            await controller.put_profile(NAME, before.text.replace(old, new), before.revision)
        assert any(fault in found.key for found in caught.value.faults)
        assert await controller.profile(NAME) == before
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED


async def test_of_two_who_save_at_once_one_is_told(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        before = await controller.profile(NAME)
        saves = [
            controller.put_profile(
                NAME, before.text.replace('title = "Mute"', f'title = "{name}"'), before.revision
            )
            for name in ("Hush", "Quiet")
        ]
        found = await asyncio.gather(*saves, return_exceptions=True)
        assert sorted(type(each).__name__ for each in found) == ["ProfileText", "RevisionMoved"]
        with pytest.raises(RevisionMoved):
            await controller.put_profile(NAME, before.text, before.revision)
        with pytest.raises(NotKnown):
            await controller.put_profile("no-such", before.text, before.revision)


async def test_a_shipped_profile_becomes_ones_own_and_the_bus_takes_it(tmp_path: Path) -> None:
    site = RING.replace('profile = "chain.toml"', 'profile = "pellgate-chain"')
    loaded = ring(tmp_path, site)
    async with running(loaded, tmp_path / "state") as controller:
        before = await controller.profile("pellgate-chain")
        assert not before.writable
        text = shipped("pellgate-chain").replace('title = "Mute"', 'title = "Hush"')
        after = await controller.put_profile("pellgate-chain", text, before.revision)
        assert after.writable
        assert await asyncio.to_thread(Path(after.path).read_text, "utf-8") == text
        assert controller._buses["sound"].profile.actions["mute-on"].title == "Hush"


async def test_a_profile_of_no_bus_is_saved_and_changes_nothing_here(tmp_path: Path) -> None:
    loaded = ring(tmp_path, other=shipped("midi-scene"))
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        await put(controller, 'title = "Scene"', 'title = "Picture"', name="other.toml")
        await watch.end()
        assert watch.records == []


async def test_a_controller_that_closes_while_it_takes_a_profile_ends_all_the_same(tmp_path: Path) -> None:
    loaded = ring(tmp_path, chain=SLOW)
    async with running(loaded, tmp_path / "state") as controller:
        watch = Watch(controller)
        asked = asyncio.create_task(controller.submit(Command("mixer", "power-on", origin=ADA, id="one")))
        await until(lambda: any(each.direction == "sent" for each in watch.of(Traffic)))
        saving = asyncio.create_task(put(controller, "baud = 1200", "baud = 2400"))
        await until(lambda: controller._buses["sound"]._profiles)
    await saving
    assert (await asked).result in (Result.CANCELLED, Result.CONFIRMED)
    assert len(watch.of(Outcome)) == 1
    await watch.end()


async def test_a_command_that_comes_while_the_port_is_opened_anew_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[asyncio.Future[Outcome]] = []
    real = BusLine.stop
    async with running(ring(tmp_path), tmp_path / "state") as controller:

        async def stop(line: BusLine) -> None:
            if not asked:
                asked.append(controller.begin(Command("mixer", "mute-on", origin=ADA), new=True))
            await real(line)

        monkeypatch.setattr(BusLine, "stop", stop)
        await put(controller, "baud = 38400", "baud = 19200")
        outcome = await asked[0]
        assert outcome.result is Result.CONFIRMED
        assert outcome.wire_ms == pytest.approx(4 * 4 * 10 / 19200 * 1000, abs=0.01)
