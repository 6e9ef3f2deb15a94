"""A device's life at a real broker.

Sources: the Homie convention, version 5, commit 063301d: Device Lifecycle, Last Will, Device Attributes,
Alert topic, Logging; MQTT 5.0, 3.1.2.5 (Will), 3.14.4 (DISCONNECT).
"""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest

from controller.mqtt_settings import Protocol
from controller.records import Command
from tests.controller.mqtt.hall import ROOT, SITE, hall_at, topic
from tests.peers.mosquitto import Heard, Mosquitto, Watcher, publish, watching

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")

PROTOCOLS = pytest.mark.parametrize("protocol", ["5", "3.1.1"])


def _own(watcher: Watcher) -> list[Heard]:
    """What was published, without what was asked of us, or left out."""
    return [
        each for each in watcher.heard if not each.topic.endswith("/set") and "watching" not in each.topic
    ]


async def _retained(broker: Mosquitto, watcher_filter: str = "homie/#") -> dict[str, bytes]:
    """What the broker has retained now."""
    async with watching(broker, watcher_filter) as watcher:
        return {each.topic: each.payload for each in watcher.heard if each.retain}


@PROTOCOLS
async def test_init_comes_first_and_ready_when_everything_is_said(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    async with (
        watching(broker, "homie/#") as watcher,
        hall_at(replace(broker.settings, protocol=protocol), tmp_path) as hall,
    ):
        await hall.ready(watcher)
        topics = [(each.topic, each.payload) for each in _own(watcher)]
        assert topics[0] == (f"{ROOT}/$state", b"init")
        assert topics[-1] == (f"{ROOT}/$state", b"ready")
        for device in (f"{ROOT}-mixer", f"{ROOT}-foyer-amp"):
            own = [(where, payload) for where, payload in topics if where.startswith(f"{device}/")]
            assert own[0] == (f"{device}/$state", b"init")
            assert own[1][0] == f"{device}/$description"
            assert own[-1] == (f"{device}/$state", b"ready")
        # Children are there before the root lists them.
        order = [where for where, _ in topics]
        assert order.index(f"{ROOT}/$description") > order.index(f"{ROOT}-foyer-amp/$description")


async def test_everything_but_events_is_retained(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("mixer", "set-volume", {"level": 3}))
        await watcher.until(lambda: watcher.newest(topic("mixer", "last/outcome")))
        await hall.ready(watcher)
        retained = await _retained(broker)
        for each in _own(watcher):
            if each.payload and "/$log/" not in each.topic:
                assert each.topic in retained
        assert retained[topic("mixer", "state/volume")] == b"3"


@PROTOCOLS
async def test_a_clean_stop_is_disconnected(broker: Mosquitto, tmp_path: Path, protocol: Protocol) -> None:
    async with watching(broker, "homie/#") as watcher:
        async with hall_at(replace(broker.settings, protocol=protocol), tmp_path) as hall:
            await hall.ready(watcher)
        await watcher.until_is(f"{ROOT}/$state", "disconnected")
        await asyncio.sleep(0.3)
        assert watcher.newest(f"{ROOT}/$state") == b"disconnected"


async def test_a_unit_that_left_the_site_file_is_removed_its_state_first(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("foyer-amp", "set-volume", {"level": 3}))
        async with watching(broker, "homie/#") as watcher:
            await watcher.until(lambda: watcher.newest(topic("foyer-amp", "last/outcome")))
    publish(broker, topic("foyer-amp", "$alert/stuck"), "an old alert", "-r")
    publish(broker, "homie/5/larkfield-hall/$state", "ready", "-r")
    without = SITE[: SITE.index("[units.foyer-amp]")]
    async with watching(broker, "homie/#") as watcher:
        before = {each.topic for each in watcher.heard if each.topic.startswith(f"{ROOT}-foyer-amp/")}
        assert len(before) > 8
        async with hall_at(broker.settings, tmp_path, without) as hall:
            await hall.ready(watcher)
            gone = [each for each in watcher.heard if "foyer-amp" in each.topic and not each.payload]
            assert gone[0].topic == topic("foyer-amp", "$state")
            retained = await _retained(broker)
            assert not [name for name in retained if name.startswith(f"{ROOT}-foyer-amp/")]
            assert retained["homie/5/larkfield-hall/$state"] == b"ready"
            assert json.loads(retained[f"{ROOT}/$description"])["children"] == ["larkfield-mixer"]


async def test_what_a_unit_has_no_more_is_removed_and_its_version_rises(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("mixer", "set-volume", {"level": 3}))
    before = await _retained(broker)
    other = SITE.replace('title = "Stage mixer"', 'title = "Old mixer"\nmqtt = "none"')
    async with hall_at(broker.settings, tmp_path, other):
        after = await _retained(broker)
    old, new = (json.loads(found[topic("mixer", "$description")]) for found in (before, after))
    assert new["version"] > old["version"]
    assert topic("mixer", "state/volume/$target") in before
    assert topic("mixer", "state/volume/$target") not in after
    same, again = (json.loads(found[topic("foyer-amp", "$description")]) for found in (before, after))
    assert same == again


@pytest.mark.slow
async def test_what_is_known_no_more_after_a_restart_is_no_more_retained(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("mixer", "power-on"))
        await hall.controller.simulate("sound", "cut 1")
        await hall.controller.submit(Command("mixer", "volume-up"))
    before = await _retained(broker)
    assert before[topic("mixer", "state/power")] == b"true"
    assert f"{ROOT}/$alert/chain-sound" in before
    async with hall_at(broker.settings, tmp_path):
        after = await _retained(broker)
    assert topic("mixer", "state/power") not in after
    assert topic("mixer", "state/power/$target") not in after
    assert after[topic("mixer", "known/power")] == b"unknown"
    assert f"{ROOT}/$alert/chain-sound" not in after


async def test_an_alert_stands_while_it_lasts(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.simulate("sound", "cut 1")
        publish(broker, topic("mixer", "state/power/set"), "true")
        alert = f"{ROOT}/$alert/chain-sound"
        await watcher.until(lambda: watcher.newest(alert))
        assert b"look at" in (watcher.newest(alert) or b"")
        await watcher.until(lambda: watcher.newest(topic("mixer", "last/outcome")))
        await watcher.until(lambda: any("/$log/warn" in each.topic for each in watcher.heard))
        await watcher.until(lambda: watcher.newest(topic("mixer", "state/power/$target")) == b"")
        await hall.controller.simulate("sound", "clear all")
        publish(broker, topic("mixer", "state/power/set"), "true")
        await watcher.until(lambda: watcher.newest(alert) == b"")
        # How many answer is told only where the lag lets it; the lag itself is told always.
        await watcher.until(lambda: watcher.newest(f"{ROOT}/bus-sound/echo-lag"))


def own_profile(folder: Path) -> str:
    """A profile of one's own beside the site file; gives its text."""
    text = resources.files("profiles.builtin").joinpath("pellgate-chain.toml").read_text()
    text = text.replace('"pellgate-chain"', '"own"')
    (folder / "own.toml").write_text(text)
    return text


async def test_a_new_profile_is_described_in_init(broker: Mosquitto, tmp_path: Path) -> None:
    text = own_profile(tmp_path)
    site = SITE.replace('profile = "pellgate-chain"', 'profile = "own.toml"')
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path, site) as hall:
        await hall.ready(watcher)
        found = await hall.controller.profile("own.toml")
        begun = len(watcher.heard)
        await hall.controller.put_profile("own.toml", text.replace("[0, 63]", "[0, 40]"), found.revision)
        where = topic("mixer", "$description")
        await watcher.until(
            lambda: len(watcher.all(where)) == 2 and watcher.all(topic("mixer", "$state"))[-1] == b"ready"
        )
        states = [e.topic for e in watcher.heard[begun:] if e.topic in (where, topic("mixer", "$state"))]
        assert states[:3] == [topic("mixer", "$state"), where, topic("mixer", "$state")]
        old, new = (json.loads(payload) for payload in watcher.all(where))
        assert new["version"] > old["version"]
        assert new["nodes"]["state"]["properties"]["volume"]["format"] == "0:40"


async def test_the_sites_own_announcements_are_retained(broker: Mosquitto, tmp_path: Path) -> None:
    text = SITE + (
        '\n[mqtt]\nbroker = "mqtt://127.0.0.1"\n[[mqtt.announce]]\ntopic = "discovery/{site}/{unit}"\n'
        'payload = \'{"name": "{unit_title}", "base": "{unit_topic}"}\'\n'
    )
    async with hall_at(broker.settings, tmp_path, text):
        found = await _retained(broker, "discovery/#")
    assert json.loads(found["discovery/larkfield/mixer"]) == {"name": "Stage mixer", "base": f"{ROOT}-mixer"}
    assert len(found) == 2


async def test_how_the_controller_is_can_be_seen(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}/controller/health") as watcher:
        before = time.time()
        async with hall_at(broker.settings, tmp_path) as hall:
            await watcher.until(lambda: (watcher.newest(f"{ROOT}/controller/health") or b"").startswith(b"{"))
            told = json.loads(watcher.newest(f"{ROOT}/controller/health") or b"")
            assert before <= told["up_since"] <= time.time()
            assert (told["journal"], told["buses"], told["alerts"], told["locks"]) == (
                True,
                {"sound": "up"},
                0,
                0,
            )
            assert told["disk_free_mb"] > 0
            described = json.loads((await _retained(broker))[f"{ROOT}/$description"])
            assert described["nodes"]["controller"]["properties"]["health"]["datatype"] == "json"
            await hall.controller.simulate("sound", "unplug")
            await hall.controller.lock("mixer", "Kim", "rewiring")
            health = await hall.controller.health()
            while health.buses["sound"] != "down":
                await asyncio.sleep(0.01)
                health = await hall.controller.health()
            assert (health.locks, health.alerts) == (1, 1)
