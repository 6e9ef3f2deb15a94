"""Sequences and triggers through a real broker: begun, watched, refused, and never by a retained message."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.homie import HomieSite
from controller.homie_root import SetSequence
from controller.mqtt_settings import Protocol
from tests.controller.mqtt.hall import ROOT, SITE, hall_at, site_file
from tests.peers.mosquitto import Mosquitto, Watcher, publish, watching

PEER = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")

MORE = """
[mqtt]
broker = "mqtt://127.0.0.1:1883"

[sequences.evening]
title = "Evening"
up = [{ unit = "mixer", action = "power-on" }, { unit = "mixer", action = "mute-off" }]

[sequences.foyer]
up = [{ unit = "foyer-amp", action = "power-on" }]

[sequences.foyer-loud]
up = [{ unit = "foyer-amp", action = "power-on" }]
down = [{ unit = "foyer-amp", action = "mute-on" }]

[triggers.door]
when = { topic = "hall/door", payload = "open" }
on = { sequence = "evening", go = "up" }
"""
PROGRESS = f"{ROOT}/sequence-progress/evening"


def test_what_a_sequence_can_be_told_over_mqtt_is_what_its_units_take_from_there(tmp_path: Path) -> None:
    site = HomieSite(site_file(tmp_path, SITE + MORE))
    settable = {key[1]: each for key, each in site.root.properties.items() if key[0] == "sequences"}
    # foyer-amp takes only standby and set-volume from there: its sequences can't be brought up.
    assert {name: each.values for name, each in settable.items()} == {
        "evening": ("up", "down", "cancel"),
        "foyer": ("down", "cancel"),
    }
    assert all(each.settable and not each.retained for each in settable.values())
    progress = [key[1] for key in site.root.properties if key[0] == "sequence-progress"]
    assert progress == ["evening", "foyer", "foyer-loud"]
    found = site.target(f"{ROOT}/sequences/evening/set")
    assert found is not None
    assert isinstance(found[1], SetSequence)
    assert site.target(f"{ROOT}/sequences/foyer-loud/set") is None
    assert site.target(f"{ROOT}/sequence-progress/evening/set") is None


def test_what_asks_a_person_is_not_brought_up_from_there(tmp_path: Path) -> None:
    asks = SITE.replace('role = "preamplifier"', 'role = "preamplifier"\nask_before_energise = true')
    site = HomieSite(site_file(tmp_path, asks + MORE))
    assert site.root.properties["sequences", "evening"].values == ("down", "cancel")


def test_a_site_without_sequences_has_no_node_for_them(tmp_path: Path) -> None:
    site = HomieSite(site_file(tmp_path))
    assert not any(node.id.startswith("sequence") for node in site.root.nodes)


def phases(watcher: Watcher) -> list[tuple[str, str]]:
    told: list[dict[str, Any]] = [json.loads(payload) for payload in watcher.all(PROGRESS) if payload]
    return [(each["direction"], each["phase"]) for each in told]


@PEER
@pytest.mark.parametrize("protocol", ["5", pytest.param("3.1.1", marks=pytest.mark.slow)])
async def test_a_sequence_is_begun_and_followed(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    settings = replace(broker.settings, protocol=protocol)
    async with (
        watching(broker, f"{ROOT}/#", f"{ROOT}-mixer/#") as watcher,
        hall_at(settings, tmp_path, SITE + MORE) as hall,
    ):
        await hall.ready(watcher)
        description = json.loads(watcher.newest(f"{ROOT}/$description") or b"{}")
        assert description["nodes"]["sequences"]["properties"]["evening"] == {
            "name": "Evening",
            "datatype": "enum",
            "format": "up,down,cancel",
            "settable": True,
            "retained": False,
        }
        publish(broker, f"{ROOT}/sequences/evening/set", "up")
        await watcher.until(lambda: ("up", "done") in phases(watcher))
        newest = json.loads(watcher.newest(PROGRESS) or b"{}")
        assert [step["result"] for step in newest["steps"]] == ["done", "done"]
        assert newest["by"].startswith("mqtt")
        publish(broker, f"{ROOT}/sequences/evening/set", "sideways")
        publish(broker, f"{ROOT}/sequences/evening/set", "down")
        await watcher.until(lambda: ("down", "done") in phases(watcher))

        def refused() -> bool:
            counted = json.loads(watcher.newest(f"{ROOT}/controller/commands") or b"{}")
            return bool(counted.get("refused") == {"bad-value": 1})

        await watcher.until(refused)
        assert ("up", "refused") not in phases(watcher)


@PEER
async def test_a_message_that_a_trigger_waits_for(broker: Mosquitto, tmp_path: Path) -> None:
    publish(broker, "hall/door", "open", "-r")
    async with (
        watching(broker, f"{ROOT}/#") as watcher,
        hall_at(broker.settings, tmp_path, SITE + MORE) as hall,
    ):
        await hall.ready(watcher)
        publish(broker, "hall/door", "shut")
        # Retained, whether it lay there or comes just now.
        publish(broker, "hall/door", "open", "-r")
        publish(broker, f"{ROOT}/site/off/set", "sound")
        await watcher.until(lambda: watcher.all(f"{ROOT}/site/off-outcome"))
        assert phases(watcher) == []
        publish(broker, "hall/door", "open")
        await watcher.until(lambda: ("up", "done") in phases(watcher))
        newest = json.loads(watcher.newest(PROGRESS) or b"{}")
        assert newest["by"] == "trigger door"
