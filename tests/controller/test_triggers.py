"""Triggers on simulated buses: what each listens to starts what it should, once, through the gate."""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from controller.records import Command, Event, Known, Origin, OriginKind, Traffic, TriggerStatus
from controller.sequences_records import Phase
from controller.service import Controller
from controller.site import load_site
from tests.controller.halls import (
    RING,
    Watch,
    act,
    chain_text,
    ring,
    running,
    shipped,
    state,
    until,
    write_site,
)

HALL = f"""{RING}
[buses.blinds]
port = "sim://{{folder}}/blind.toml?units=2&topology=shared&hears_itself=true"
profile = "blind.toml"
topology = "shared"
hears_itself = true
[units.blind]
bus = "blinds"
address = 1
[sequences.evening]
up = [{{ unit = "mixer", action = "power-on" }}, {{ unit = "hall-amp", action = "power-on" }}]
"""
BLIND = shipped("pellgate-blind")
EVENING = 'on = { sequence = "evening", go = "up" }\noff = { sequence = "evening", go = "down" }'


@contextlib.asynccontextmanager
async def hall(folder: Path, trigger: str, **more: Any) -> AsyncIterator[tuple[Controller, Watch]]:
    text = f"{HALL}\n[triggers.it]\n{trigger}\n"
    async with running(ring(folder, text, blind=BLIND), folder / "state", **more) as controller:
        watch = Watch(controller)
        try:
            yield controller, watch
        finally:
            await watch.end()


def told(watch: Watch) -> list[str]:
    """The commands that went in, in their order."""
    return [f"{each.unit} {each.action}" for each in watch.of(Command)]


async def commands(watch: Watch, count: int) -> None:
    """Wait until so many have gone in."""
    await until(lambda: len(told(watch)) == count)


def last(watch: Watch) -> str:
    """What the trigger says that it did last."""
    said = watch.of(TriggerStatus)
    return str(said[-1].last) if said else ""


async def status(controller: Controller) -> TriggerStatus:
    (found,) = await controller.triggers()
    return found


async def known(controller: Controller, level: bool) -> None:
    """Wait until the trigger knows its input to stand so."""
    await until(lambda: controller._automation.triggers.views()[0].level is level)


async def over(controller: Controller) -> None:
    """Wait until the sequence is done."""

    def done() -> bool:
        last = controller._automation.sequences.views()[0].last
        return last is not None and last.phase is Phase.DONE

    await until(done)


async def test_a_voltage_on_a_control_line_brings_the_hall_up_and_takes_it_down(tmp_path: Path) -> None:
    line = 'when = { bus = "sound", line = "cts" }\ndebounce_ms = 20'
    async with hall(tmp_path, f"{line}\n{EVENING}") as (controller, watch):
        await known(controller, level=False)
        await controller.simulate("sound", "line cts on")
        await over(controller)
        assert told(watch) == ["mixer power-on", "hall-amp power-on"]
        assert watch.of(Command)[0].origin == Origin(OriginKind.SEQUENCE, "evening (by trigger it)")
        assert (await status(controller)).level is True
        await controller.simulate("sound", "line cts off")
        await until(lambda: len(told(watch)) == 4)
        await over(controller)
        assert told(watch)[2:] == ["hall-amp standby", "mixer standby"]
        await until(lambda: not last(watch).endswith("..."))
        found = await status(controller)
        assert found.waits_for == "CTS of bus sound goes on"
        assert found.does == "evening up; after it evening down"
        assert found.last.startswith("evening down: done")


async def test_the_other_polarity_counts_where_the_site_says_so(tmp_path: Path) -> None:
    line = 'when = { bus = "sound", line = "dcd", active = "off" }\ndebounce_ms = 0'
    order = "line dcd on"
    text = HALL.replace("units=3&topology=ring", f"units=3&topology=ring&order={order.replace(' ', '%20')}")
    site = f'{text}\n[triggers.it]\n{line}\non = {{ unit = "mixer", action = "power-on" }}\n'
    async with running(ring(tmp_path, site, blind=BLIND), tmp_path / "state") as controller:
        await known(controller, level=False)
        await controller.simulate("sound", "line dcd off")
        await until(lambda: controller._states.holds("mixer", {"power": True}))
        entries = (await status(controller)).last
        assert "mixer power-on" in entries


@pytest.mark.parametrize("follow", [False, True])
async def test_what_stands_at_the_start_is_followed_only_where_the_site_says_so(
    tmp_path: Path, follow: bool
) -> None:
    more = 'at_start = "follow"\nstart_delay_s = 0.05\n' if follow else ""
    text = HALL.replace("units=3&topology=ring", "units=3&topology=ring&order=line%20cts%20on")
    line = f'when = {{ bus = "sound", line = "cts" }}\ndebounce_ms = 0\n{more}'
    site = f"{text}\n[triggers.it]\n{line}{EVENING}\n"
    async with running(ring(tmp_path, site, blind=BLIND), tmp_path / "state") as controller:
        watch = Watch(controller)
        await known(controller, level=True)
        if follow:
            await over(controller)
            assert told(watch) == ["mixer power-on", "hall-amp power-on"]
        else:
            await act(controller, "mixer", "mute-on")
            assert told(watch) == ["mixer mute-on"]
            assert (await status(controller)).at is None
        await watch.end()


async def test_an_adapter_that_was_away_brings_no_change_of_its_lines(tmp_path: Path) -> None:
    line = 'when = { bus = "sound", line = "cts" }\ndebounce_ms = 0'
    async with hall(tmp_path, f"{line}\n{EVENING}") as (controller, watch):
        await known(controller, level=False)
        await controller.simulate("sound", "unplug")
        await until(lambda: controller._automation.triggers.views()[0].level is None)
        await controller.simulate("sound", "line cts on")
        await controller.simulate("sound", "plug")
        await known(controller, level=True)
        assert told(watch) == []


async def test_an_adapter_that_appears_is_a_trigger_and_one_that_is_there_is_none(tmp_path: Path) -> None:
    more = 'debounce_ms = 20\ndelay_on_s = 0.02\non = { unit = "blind", action = "open" }'
    async with hall(tmp_path, f'when = {{ adapter = "sound" }}\n{more}') as (controller, watch):
        await known(controller, level=True)
        assert told(watch) == []
        await controller.simulate("sound", "unplug")
        await known(controller, level=False)
        await controller.simulate("sound", "plug")
        await until(lambda: told(watch) == ["blind open"])
        assert watch.of(Command)[0].origin == Origin(OriginKind.TRIGGER, "it")


async def test_one_makes_unit_switches_anothers(tmp_path: Path) -> None:
    when = 'when = { unit = "mixer", state = "power", value = true }'
    more = 'on = { unit = "blind", action = "close" }\noff = { unit = "blind", action = "open" }'
    async with hall(tmp_path, f"{when}\n{more}") as (controller, watch):
        await controller.simulate("sound", "press 1 power-on")
        # The first word of it is how it stands: nobody saw it change.
        await known(controller, level=True)
        assert told(watch) == []
        await controller.simulate("sound", "press 1 standby")
        await until(lambda: told(watch) == ["blind open"])
        assert (await state(controller, "mixer", "power")).known is Known.OBSERVED
        await controller.simulate("sound", "press 1 power-on")
        await until(lambda: told(watch) == ["blind open", "blind close"])


async def test_what_somebody_else_tells_a_unit_is_a_trigger_the_first_time_too(tmp_path: Path) -> None:
    when = 'when = { unit = "blind", heard = "close" }\non = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, when) as (controller, watch):
        await controller.simulate("blinds", "lead 2 open to 1")
        await until(lambda: any("open" in (each.meaning or "") for each in watch.of(Traffic)))
        await controller.simulate("blinds", "lead 2 close to 1")
        await commands(watch, 1)
        assert told(watch) == ["mixer mute-on"]
        # Our own word to it is nobody else's.
        await act(controller, "blind", "close")
        await act(controller, "blind", "open")
        assert told(watch) == ["mixer mute-on", "blind close", "blind open"]


async def test_a_state_in_doubt_between_off_and_on_is_a_change_all_the_same(tmp_path: Path) -> None:
    when = 'when = { unit = "mixer", state = "power", value = true }'
    async with hall(tmp_path, f'{when}\non = {{ unit = "blind", action = "close" }}') as (controller, watch):
        await act(controller, "mixer", "standby")
        await known(controller, level=False)
        for change in controller._states.doubt("mixer", ["power"], 1.0):
            controller._fanout.publish(change)
        await act(controller, "mixer", "power-on")
        await until(lambda: told(watch)[-1] == "blind close")
        assert told(watch).count("blind close") == 1


async def test_an_event_is_a_trigger_each_time(tmp_path: Path) -> None:
    when = 'when = { unit = "blind", event = "blocked" }\non = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, when) as (controller, watch):
        for count in (1, 2):
            controller._fanout.publish(Event("blinds", "blind", "blocked", 1.0))
            await commands(watch, count)
            await until(lambda: "confirmed" in last(watch))
        assert told(watch) == ["mixer mute-on", "mixer mute-on"]
        controller._fanout.publish(Event("sound", "mixer", "blocked", 1.0))
        controller._fanout.publish(Event("blinds", "blind", "free", 1.0))
        await asyncio.sleep(0)
        assert len(told(watch)) == 2


MQTT = '\n[mqtt]\nbroker = "mqtt://127.0.0.1:1"\n'


async def test_messages_count_by_their_payload_and_never_when_retained(tmp_path: Path) -> None:
    when = 'when = { topic = "hall/door", payload = "open", off_payload = "shut" }'
    more = 'on = { unit = "mixer", action = "mute-off" }\noff = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, f"{when}\n{more}{MQTT}") as (controller, watch):
        assert controller.trigger_topics() == ["hall/door"]
        controller.trigger_message("hall/door", b"open", retained=True)
        controller.trigger_message("hall/door", b"opened", retained=False)
        controller.trigger_message("hall/window", b"open", retained=False)
        controller.trigger_message("hall/door", b"\xff\x00", retained=False)
        assert (await status(controller)).level is None
        # The first message is a change.
        controller.trigger_message("hall/door", b"shut", retained=False)
        await until(lambda: told(watch) == ["mixer mute-on"])
        controller.trigger_message("hall/door", b"shut", retained=False)
        controller.trigger_message("hall/door", b"open", retained=False)
        await until(lambda: told(watch) == ["mixer mute-on", "mixer mute-off"])


async def test_a_flood_of_messages_starts_a_thing_once_until_it_is_over(tmp_path: Path) -> None:
    when = 'when = { topic = "hall/door", payload = "open" }\non = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, f"{when}{MQTT}") as (controller, watch):
        for _ in range(1000):
            controller.trigger_message("hall/door", b"open", retained=False)
        await until(lambda: "confirmed" in last(watch))
        assert told(watch) == ["mixer mute-on"]
        assert len(watch.of(TriggerStatus)) < 10


async def test_a_time_of_day_is_taken_by_the_clock_of_the_wall(tmp_path: Path) -> None:
    shift = dt.datetime(2026, 1, 10, 19, 29, 59, 900_000, tzinfo=dt.UTC).timestamp()
    begun: list[float] = []

    def utc() -> float:
        """The clock of the wall stands still until the hall is open."""
        return shift + (asyncio.get_running_loop().time() - begun[0] if begun else 0.0)

    when = 'when = { at = "19:30", zone = "Europe/London" }\non = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, when, utc=utc) as (controller, watch):
        begun.append(asyncio.get_running_loop().time())
        await until(lambda: told(watch) == ["mixer mute-on"])
        assert (await status(controller)).waits_for == "19:30:00, every day, Europe/London"


async def test_a_clock_that_is_set_by_hours_starts_nothing_twice_and_makes_nothing_up(tmp_path: Path) -> None:
    evening = dt.datetime(2026, 1, 10, 19, 30, tzinfo=dt.UTC).timestamp()
    wall = [evening - 5]
    when = 'when = { at = "19:30", zone = "Europe/London" }\non = { unit = "mixer", action = "mute-on" }'
    async with hall(tmp_path, when, utc=lambda: wall[0]) as (controller, watch):
        triggers = controller._automation.triggers

        def look(at: float) -> None:
            wall[0] = at
            triggers._look(triggers._triggers["it"])

        look(evening + 2)
        await until(lambda: "confirmed" in last(watch))
        # Back by an hour and slowly on again, then asleep over the next evening, then forward by a month.
        for minute in range(-60, 61):
            look(evening + minute * 60 / 2)
        assert told(watch) == ["mixer mute-on"]
        look(evening + 86_400 + 3600)
        assert (await status(controller)).last == "missed: the clock was set, or nobody looked"
        look(evening + 30 * 86_400)
        await asyncio.sleep(0)
        assert told(watch) == ["mixer mute-on"]
        look(evening + 31 * 86_400 - 10)
        look(evening + 31 * 86_400 + 1)
        await commands(watch, 2)


async def test_what_a_trigger_starts_passes_the_gate_and_is_alerted_where_it_fails(tmp_path: Path) -> None:
    when = 'when = { topic = "hall/door", payload = "open" }\non = { unit = "mixer", action = "power-on" }'
    async with hall(tmp_path, f"{when}{MQTT}") as (controller, watch):
        lock = await controller.lock("mixer", "Kim", "new fuse")
        controller.trigger_message("hall/door", b"open", retained=False)
        await until(lambda: "refused" in last(watch))
        (alert,) = await controller.alerts()
        assert alert.text.startswith(
            "trigger it: mixer power-on: refused. mixer is under a service lock of Kim"
        )
        await controller.unlock(lock.id)
        controller.trigger_message("hall/door", b"open", retained=False)
        await until(lambda: "confirmed" in last(watch))
        assert await controller.alerts() == []


async def test_a_trigger_switches_off_and_a_minimum_time_holds_it_up(tmp_path: Path) -> None:
    when = 'when = { topic = "hall/door", payload = "shut" }\non = { off = "audio" }'
    text = HALL.replace("address = 1\nrole", "address = 1\nminimum_on_s = 0.3\nrole", 1)
    site = f"{text}\n[triggers.it]\n{when}{MQTT}"
    async with running(ring(tmp_path, site, blind=BLIND), tmp_path / "state") as controller:
        watch = Watch(controller)
        await act(controller, "mixer", "power-on")
        controller.trigger_message("hall/door", b"shut", retained=False)
        await until(lambda: "2 of 2 told" in last(watch))
        assert sorted(told(watch)[1:]) == ["hall-amp standby", "mixer standby"]
        await watch.end()


async def test_a_site_that_is_read_again_keeps_the_triggers_that_have_not_changed(tmp_path: Path) -> None:
    line = 'when = { bus = "sound", line = "cts" }\ndebounce_ms = 0'
    two = '\n[triggers.two]\nwhen = { bus = "sound", line = "cts" }\ndebounce_ms = 0\non = { off = "all" }\n'
    async with hall(tmp_path, f"{line}\n{EVENING}") as (controller, watch):
        await known(controller, level=False)
        await controller.simulate("sound", "line cts on")
        await over(controller)
        path = write_site(
            tmp_path, f"{HALL}\n[triggers.it]\n{line}\n{EVENING}\n{two}", chain=chain_text(), blind=BLIND
        )
        await controller.reload(load_site(path))
        first, second = await controller.triggers()
        # The new one knows how the line stands, and takes that for no change.
        await until(lambda: controller._automation.triggers.views()[1].level is True)
        assert (first.level, second.at) == (True, None)
        before = len(told(watch))
        await controller.simulate("sound", "line cts off")
        await until(lambda: len(told(watch)) == before + 2)
        path = write_site(tmp_path, HALL, chain=chain_text(), blind=BLIND)
        await controller.reload(load_site(path))
        assert await controller.triggers() == []
