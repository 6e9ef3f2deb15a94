"""What the bridge tells a dashboard, through a real broker."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.controller.mqtt.hall import ROOT, hall_at, topic
from tests.peers.mosquitto import Mosquitto, publish, watching

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")


async def test_a_ping_comes_back_and_is_not_counted(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.ready(watcher)
        publish(broker, f"{ROOT}/controller/ping/set", "panel:1")
        await watcher.until_is(f"{ROOT}/controller/ping", "panel:1")
        publish(broker, f"{ROOT}/controller/ping/set", "two words")
        publish(broker, f"{ROOT}/controller/ping/set", "panel:2")
        await watcher.until_is(f"{ROOT}/controller/ping", "panel:2")
        assert b"two words" not in watcher.all(f"{ROOT}/controller/ping")
        assert json.loads(watcher.newest(f"{ROOT}/controller/commands") or b"")["taken"] == 0


async def test_off_says_what_became_of_it(broker: Mosquitto, tmp_path: Path) -> None:
    async with (
        watching(broker, f"{ROOT}/#", f"{ROOT}-mixer/#", f"{ROOT}-foyer-amp/#") as watcher,
        hall_at(broker.settings, tmp_path) as hall,
    ):
        await hall.ready(watcher)
        publish(broker, f"{ROOT}/site/off/set", "all", "-D", "publish", "user-property", "from", "Ada")
        await watcher.until(lambda: watcher.newest(f"{ROOT}/site/off-outcome"))
        told = json.loads(watcher.newest(f"{ROOT}/site/off-outcome") or b"")
        assert told["scope"] == "all"
        assert [each["result"] for each in told["outcomes"]] == ["confirmed", "confirmed"]
        last = json.loads(watcher.newest(topic("mixer", "last/outcome")) or b"")
        assert last["command_id"] in [each["command_id"] for each in told["outcomes"]]
        assert last["origin"] == {"kind": "mqtt", "name": "Ada", "claimed": True}
