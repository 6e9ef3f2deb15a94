"""Everything off, and service locks: what is taken back, what passes, and what outlives a restart."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from controller.all_off import off_actions
from controller.api import JournalQuery
from controller.records import Command, Known, Lock, Origin, OriginKind, Outcome, Reason, Result, Traffic
from controller.service import Controller
from controller.site import load_site
from profiles.errors import InputError, JournalError, NotKnown
from tests.controller.gates import LAMP
from tests.controller.halls import (
    ADA,
    FROM_MQTT,
    Watch,
    act,
    chain_text,
    compiled,
    entry,
    ring,
    running,
    shipped,
    state,
    until,
    write_site,
)
from tests.controller.test_journal_disk import disk_that_takes_no_more

SLOW = chain_text(1200)


def begin(api: Controller, unit: str, action: str, origin: Origin = ADA) -> asyncio.Task[Outcome]:
    return asyncio.create_task(api.submit(Command(unit, action, origin=origin, id=f"{unit} {action}")))


# What takes all energy away


@pytest.mark.parametrize(
    ("text", "actions"),
    [
        (shipped("pellgate-chain"), ["standby"]),
        (shipped("pellgate-screen"), ["stop"]),
        (shipped("pellgate-blind"), ["stop"]),
        # One message writes all four coils; coil-off needs to know which.
        (shipped("modbus-relay"), ["relays-off"]),
        # All sound off is about something else than the level.
        (shipped("midi-scene"), ["level-off", "silence"]),
        (LAMP, ["off"]),
        (LAMP.replace('effect = "de-energise"', 'effect = "neutral"'), []),
    ],
)
def test_as_few_actions_as_take_everything_away(text: str, actions: list[str]) -> None:
    assert off_actions(compiled(text)) == actions


# Everything off


async def test_everything_off_takes_back_what_energises_and_passes_the_rest(tmp_path: Path) -> None:
    """Under way, held off, being entered: taken back. De-energising and neutral commands go on."""
    async with running(ring(tmp_path, chain=SLOW), tmp_path / "state") as controller:
        watch = Watch(controller)
        assert (await act(controller, "foyer-amp", "power-on")).result is Result.CONFIRMED
        held = [begin(controller, "foyer-amp", "power-on"), begin(controller, "foyer-amp", "mute-on")]
        under_way = begin(controller, "mixer", "power-on")
        await until(lambda: controller._buses["sound"]._current is not None)
        entering = [begin(controller, "hall-amp", "power-on"), begin(controller, "hall-amp", "mute-on")]
        await asyncio.sleep(0)
        off = await controller.all_off(None, ADA)
        assert [outcome.result for outcome in off] == [Result.CONFIRMED] * 3
        ended = {outcome.command_id: outcome for outcome in await asyncio.gather(under_way, *held, *entering)}
        assert {name: outcome.result for name, outcome in ended.items()} == {
            "mixer power-on": Result.CANCELLED,
            "foyer-amp power-on": Result.CANCELLED,
            "hall-amp power-on": Result.CANCELLED,
            "foyer-amp mute-on": Result.CONFIRMED,
            "hall-amp mute-on": Result.CONFIRMED,
        }
        assert "Ada switched everything off" in ended["hall-amp power-on"].text
        for unit in ("mixer", "hall-amp", "foyer-amp"):
            assert (await state(controller, unit, "power")).value is False
        # Power amplifiers first (common practice, no source).
        await watch.end()
        outcomes = [each.command_id for each in watch.of(Outcome)]
        units = {each.id: each.unit for each in watch.of(Command) if each.action == "standby"}
        order = [units[name] for name in outcomes if name in units]
        # The foyer's is one as well, and can't hear yet: its relay was just switched.
        assert order == ["hall-amp", "mixer", "foyer-amp"]


@pytest.mark.parametrize(
    ("scope", "cancelled"),
    [("mixer", {"mixer"}), ("audio", {"mixer", "hall-amp"}), ("sound", {"mixer", "hall-amp", "foyer-amp"})],
)
async def test_off_concerns_its_scope_alone(scope: str, cancelled: set[str], tmp_path: Path) -> None:
    async with running(ring(tmp_path, chain=SLOW), tmp_path / "state") as controller:
        units = ("foyer-amp", "hall-amp", "mixer")
        for unit in units:
            assert (await act(controller, unit, "power-on")).result is Result.CONFIRMED
        # Held off by their relays, or behind another one.
        waiting = {unit: begin(controller, unit, "power-on") for unit in units}
        await asyncio.sleep(0)
        assert len(await controller.all_off(scope, ADA)) == len(cancelled)
        found = {unit: (await task).result for unit, task in waiting.items()}
        assert {unit for unit, result in found.items() if result is Result.CANCELLED} == cancelled


async def test_off_for_nothing_is_told(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        with pytest.raises(NotKnown):
            await controller.all_off("nowhere", ADA)
        assert await controller.journal(JournalQuery()) == []


async def test_a_command_to_all_units_is_taken_back_when_one_of_them_goes_off(tmp_path: Path) -> None:
    async with running(ring(tmp_path, chain=SLOW), tmp_path / "state") as controller:
        to_all = begin(controller, "sound", "power-on")
        await until(lambda: controller._buses["sound"]._current is not None)
        await controller.all_off("mixer", ADA)
        assert (await to_all).result is Result.CANCELLED
        assert (await state(controller, "mixer", "power")).value is False


async def test_people_switch_off_at_once_what_automation_has_to_leave_on(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    loaded.site.units["mixer"] = loaded.site.units["mixer"].model_copy(update={"minimum_on_s": 60.0})
    async with running(loaded, tmp_path / "state") as controller:
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
        automatic = begin(controller, "mixer", "standby", FROM_MQTT)
        await until(lambda: len(controller._buses["sound"]._queue) == 1)
        (off,) = await controller.all_off("mixer", ADA)
        assert off.result is Result.CONFIRMED
        # It is off: nothing has to stay on any more.
        assert (await automatic).result is Result.CONFIRMED


# Locks


async def test_a_lock_refuses_from_its_first_moment_and_takes_back_what_was_on_its_way(
    tmp_path: Path,
) -> None:
    async with running(ring(tmp_path, chain=SLOW), tmp_path / "state") as controller:
        watch = Watch(controller)
        under_way = begin(controller, "mixer", "power-on")
        await until(
            lambda: sum(len(each.data) for each in watch.of(Traffic) if each.direction == "sent") >= 1
        )
        waiting = begin(controller, "mixer", "select-input")  # out of range: refused as ever
        other = begin(controller, "hall-amp", "power-on")
        await asyncio.sleep(0)
        lock = await controller.lock("mixer", "Kim", "new fuse")
        # When the lock is told, nothing that energises the mixer is under way any more.
        current = controller._buses["sound"]._current
        assert current is None or current.id != "mixer power-on"
        outcome = await under_way
        assert (outcome.result, outcome.reason) == (Result.CANCELLED, Reason.LOCKED)
        assert "Kim" in outcome.text
        assert (await entry(controller, "mixer power-on")).outcome == outcome
        assert (await other).result is Result.CONFIRMED
        assert (await waiting).reason is Reason.OUT_OF_RANGE
        refused = await act(controller, "mixer", "power-on")
        assert (refused.result, refused.reason) == (Result.REFUSED, Reason.LOCKED)
        assert (await act(controller, "mixer", "standby")).result is Result.CONFIRMED
        assert await controller.locks() == [lock]
        await watch.end()
        assert watch.of(Lock) == [lock]


async def test_a_retry_does_not_pass_a_lock_that_was_set_meanwhile(tmp_path: Path) -> None:
    async with running(ring(tmp_path, chain=SLOW), tmp_path / "state") as controller:
        watch = Watch(controller)
        await controller.simulate("sound", "cut 3")  # no echo: two more attempts would follow
        asked = begin(controller, "mixer", "power-on")
        await until(
            lambda: sum(len(each.data) for each in watch.of(Traffic) if each.direction == "sent") >= 1
        )
        await controller.lock("mixer", "Kim", "new fuse")
        before = len(watch.of(Traffic))
        assert (await asked).result is Result.CANCELLED
        await asyncio.sleep(0.5)  # longer than a time-out and its quiet window: the second attempt would show
        assert len(watch.of(Traffic)) == before
        await watch.end()


async def test_locks_stack_and_outlive_restarts(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "state") as controller:
        locks = [
            await controller.lock(target, "Kim", "new fuse")
            for target in ("mixer", "mixer", "audio", "sound")
        ]
    for lock in locks:
        async with running(loaded, tmp_path / "state") as controller:
            assert lock in await controller.locks()
            refused = await act(controller, "mixer", "power-on")
            assert refused.reason is Reason.LOCKED
            assert await controller.unlock(lock.id)
            assert not await controller.unlock(lock.id)
    async with running(loaded, tmp_path / "state") as controller:
        assert await controller.locks() == []
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED


async def test_a_lock_is_cleared_by_the_beginning_of_its_id_where_that_says_which(tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        locks = [await controller.lock("mixer", " Kim ", "new fuse ") for _ in range(20)]
        assert (locks[0].who, locks[0].why) == ("Kim", "new fuse")
        assert not await controller.unlock("")
        first = next(c for c in "0123456789abcdef" if sum(lock.id[0] == c for lock in locks) > 1)
        with pytest.raises(InputError, match="locks begin with"):
            await controller.unlock(first)
        assert await controller.unlock(locks[0].id[:16])
        assert len(await controller.locks()) == 19
        await watch.end()
        assert [lock.over for lock in watch.of(Lock)] == [False] * 20 + [True]


@pytest.mark.parametrize(("target", "who", "why"), [("mixer", " ", "fuse"), ("mixer", "Kim", "")])
async def test_a_lock_needs_a_name_and_a_reason(target: str, who: str, why: str, tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        with pytest.raises(InputError, match="who sets it and why"):
            await controller.lock(target, who, why)
        with pytest.raises(NotKnown):
            await controller.lock("nowhere", "Kim", "fuse")
        with pytest.raises(NotKnown):
            await controller.lock("", "Kim", "fuse")
        assert await controller.locks() == []


async def test_a_lock_that_can_not_be_kept_does_not_stand_and_one_that_can_not_be_cleared_does(
    tmp_path: Path,
) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        lock = await controller.lock("hall-amp", "Kim", "fuse")
        with disk_that_takes_no_more():
            with pytest.raises(JournalError):
                await controller.lock("mixer", "Kim", "fuse")
            with pytest.raises(JournalError):
                await controller.unlock(lock.id)
        assert await controller.locks() == [lock]
        assert (await act(controller, "hall-amp", "power-on")).reason is Reason.LOCKED
        assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED


async def test_a_toggle_does_not_switch_on_what_is_locked(tmp_path: Path) -> None:
    """Believed to be on, it is off: `off` says the same byte as `on`, and would switch it on."""
    site = """
[site]
id = "larkfield-hall"
[buses.light]
port = "sim://{folder}/lamp.toml?units=1&topology=open"
profile = "lamp.toml"
topology = "open"
[units.lamp]
bus = "light"
"""
    loaded = load_site(write_site(tmp_path, site, lamp=LAMP.replace("7E1", "8N1")))
    async with running(loaded, tmp_path / "state") as controller:
        await controller.presume("lamp", "power", True, ADA)
        await controller.lock("lamp", "Kim", "new bulb")
        (off,) = await controller.all_off("lamp", ADA)
        assert (off.result, off.reason) == (Result.REFUSED, Reason.LOCKED)
        assert (await act(controller, "lamp", "out")).result is Result.SENT
        assert (await state(controller, "lamp", "power")).known is Known.PRESUMED


@pytest.mark.parametrize("kind", OriginKind)
async def test_no_origin_passes_a_lock(kind: OriginKind, tmp_path: Path) -> None:
    async with running(ring(tmp_path), tmp_path / "state") as controller:
        watch = Watch(controller)
        await controller.lock("foyer-amp", "Kim", "fuse")
        origin = Origin(kind, "somebody")
        for unit in ("foyer-amp", "sound"):
            assert (await act(controller, unit, "power-on", origin)).reason is Reason.LOCKED
            raw = await controller.submit(Command(unit, "", origin=origin, raw=b"\xa5\x03\x01\x04"))
            assert raw.result is Result.REFUSED
        await watch.end()
        assert watch.of(Traffic) == []
