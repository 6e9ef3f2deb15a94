"""A site file that is taken anew while the bridge is at a broker."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.site import load_site
from tests.controller.mqtt.hall import ROOT, SITE, hall_at, topic
from tests.peers.mosquitto import Mosquitto, publish, watching

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")

MORE = SITE.replace("units=2", "units=3").replace("units_expected = 2", "units_expected = 3")
MORE += '\n[units.porch-amp]\nbus = "sound"\naddress = 3\n'
FEWER = SITE[: SITE.index("[units.foyer-amp]")]


async def test_what_the_new_file_has_is_announced_and_what_it_has_not_is_removed(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with (
        watching(broker, "homie/5/#") as watcher,
        hall_at(broker.settings, tmp_path) as hall,
    ):
        await hall.ready(watcher)
        path = tmp_path / "site.toml"
        path.write_text(MORE)
        await hall.controller.reload(load_site(path))
        await watcher.until_is(topic("porch-amp", "$state"), "ready")
        await watcher.until_is(f"{ROOT}/$state", "ready")
        children = json.loads(watcher.newest(f"{ROOT}/$description") or b"")["children"]
        assert children == ["larkfield-mixer", "larkfield-foyer-amp", "larkfield-porch-amp"]
        about = json.loads(watcher.newest(f"{ROOT}/bus-sound/about") or b"")
        assert [unit["id"] for unit in about["units"]] == ["mixer", "foyer-amp", "porch-amp"]
        publish(broker, topic("porch-amp", "state/power/set"), "true")
        await watcher.until_is(topic("porch-amp", "state/power"), "true")

        path.write_text(FEWER)
        await hall.controller.reload(load_site(path))
        await watcher.until_is(topic("porch-amp", "$state"), b"")
        await watcher.until(lambda: watcher.newest(topic("foyer-amp", "$description")) == b"")
        await watcher.until_is(f"{ROOT}/$state", "ready")
        publish(broker, topic("mixer", "state/power/set"), "true")
        await watcher.until_is(topic("mixer", "state/power"), "true")
        assert watcher.newest(topic("porch-amp", "state/power")) == b""
