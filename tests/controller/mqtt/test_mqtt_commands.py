"""Commands through a real broker, given by mosquitto_pub and watched by mosquitto_sub.

Sources: MQTT 5.0: 3.3.1.3 RETAIN, 3.8.3.1 Retain As Published, 3.3.2.3.3 Message Expiry Interval, 3.3.2.3.5
Response Topic; the Homie convention, version 5: Property command topic, Target attribute.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from controller.api import JournalQuery
from controller.mqtt_settings import Protocol
from controller.records import Command, Known, OriginKind
from tests.controller.mqtt.hall import ROOT, SITE, Hall, hall_at, topic
from tests.peers.mosquitto import Mosquitto, Watcher, publish, watching

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")

PROTOCOLS = pytest.mark.parametrize("protocol", ["5", "3.1.1"])
_COUNTED = f"{ROOT}/controller/commands"
OUTCOME = topic("mixer", "last/outcome")


def outcomes(watcher: Watcher, unit: str = "mixer") -> list[dict[str, Any]]:
    """All outcomes of a unit that were told."""
    return [json.loads(payload) for payload in watcher.all(topic(unit, "last/outcome")) if payload]


async def sent_actions(hall: Hall) -> int:
    """How many messages went out on the bus."""
    return sum(status.counters["actions"] for status in await hall.controller.buses())


@PROTOCOLS
async def test_a_state_is_set_shown_and_told(broker: Mosquitto, tmp_path: Path, protocol: Protocol) -> None:
    settings = replace(broker.settings, protocol=protocol)
    async with (
        watching(broker, f"{ROOT}/#", f"{ROOT}-mixer/#") as watcher,
        hall_at(settings, tmp_path) as hall,
    ):
        await hall.ready(watcher)
        publish(broker, topic("mixer", "state/power/set"), "true")
        await watcher.until(lambda: watcher.newest(OUTCOME))
        power = topic("mixer", "state/power")
        order = [each.topic for each in watcher.heard if each.topic.startswith((power, OUTCOME))]
        assert order == [f"{power}/set", f"{power}/$target", power, OUTCOME]
        assert watcher.newest(power) == watcher.newest(f"{power}/$target") == b"true"
        assert watcher.newest(topic("mixer", "known/power")) == b"confirmed"
        told = outcomes(watcher)[0]
        assert (told["result"], told["unit"], told["action"]) == ("confirmed", "mixer", "power-on")
        assert told["origin"] == {"kind": "mqtt", "name": "", "claimed": True}
        entry = (await hall.controller.journal(JournalQuery()))[0]
        assert (entry.command.origin.kind, entry.command.origin.claimed) == (OriginKind.MQTT, True)


async def test_two_equal_steps_are_two_commands(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}-mixer/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        for _ in range(2):
            publish(broker, topic("mixer", "actions/volume-up/set"), "run")
        await watcher.until(lambda: len(outcomes(watcher)) == 2)
        first, second = outcomes(watcher)
        assert first["command_id"] != second["command_id"]
        assert await sent_actions(hall) == 2


async def test_the_same_id_twice_is_one_command_with_one_answer(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}-mixer/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        request = json.dumps({"id": "panel-7", "action": "volume-up", "from": "panel"})
        publish(broker, topic("mixer", "command/request/set"), request)
        await watcher.until(lambda: len(outcomes(watcher)) == 1)
        publish(broker, topic("mixer", "command/request/set"), request)
        await watcher.until(lambda: len(outcomes(watcher)) == 2)
        first, second = outcomes(watcher)
        assert first == second
        assert (first["command_id"], first["origin"]["name"]) == ("panel-7", "panel")
        other = json.dumps({"id": "panel-7", "action": "volume-down"})
        publish(broker, topic("mixer", "command/request/set"), other)
        await watcher.until(lambda: len(outcomes(watcher)) == 3)
        assert (outcomes(watcher)[2]["result"], outcomes(watcher)[2]["reason"]) == ("refused", "not-allowed")
        assert await sent_actions(hall) == 1


async def test_the_outcome_goes_to_a_response_topic_under_our_prefix(
    broker: Mosquitto, tmp_path: Path
) -> None:
    responses = "linewarden/larkfield/response"
    async with (
        watching(broker, f"{responses}/#", f"{ROOT}/#", "elsewhere/#") as watcher,
        hall_at(broker.settings, tmp_path) as hall,
    ):
        where = f"{responses}/panel"
        ask = ("-V", "5", "-D", "publish", "correlation-data", "n-42")
        publish(
            broker,
            topic("mixer", "actions/set-volume/set"),
            "12",
            *ask,
            *("-D", "publish", "response-topic", where),
        )
        await watcher.until(lambda: watcher.all(where))
        answer = next(each for each in watcher.heard if each.topic == where)
        assert answer.correlation == b"n-42"
        assert not answer.retain
        assert json.loads(answer.payload)["result"] == "confirmed"
        for wanted in (f"{ROOT}-mixer/state/power/set", "elsewhere/answers"):
            publish(
                broker,
                topic("mixer", "actions/set-volume/set"),
                "13",
                *ask,
                *("-D", "publish", "response-topic", wanted),
            )
        counted = f"{ROOT}/controller/commands"
        await watcher.until(lambda: b'"response-ignored":2' in (watcher.newest(counted) or b""))
        assert not watcher.all("elsewhere/answers")
        assert (await hall.controller.states())["mixer"]["power"].known is Known.UNKNOWN


@PROTOCOLS
async def test_a_retained_message_on_a_set_topic_never_moves_anything(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    publish(broker, topic("mixer", "state/power/set"), "true", "-r")
    publish(broker, topic("mixer", "actions/power-on/set"), "run", "-r")
    publish(broker, f"{ROOT}/site/off/set", "all", "-r")
    settings = replace(broker.settings, protocol=protocol)
    async with watching(broker, f"{ROOT}/#", f"{ROOT}-mixer/#") as watcher:
        for _ in range(2):
            async with hall_at(settings, tmp_path) as hall:
                await watcher.until(lambda: b'"retained":3' in (watcher.newest(_COUNTED) or b""))
                assert await sent_actions(hall) == 0
                assert not await hall.controller.journal(JournalQuery())
        assert {each["result"] for each in outcomes(watcher)} == {"refused"}
        assert any("retained" in each.text for each in watcher.heard if "/$log/warn" in each.topic)


async def test_a_retained_message_is_known_for_one_even_when_it_comes_live(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """Retain As Published: MQTT 5 only. On 3.1.1 such a message can't be told from any other."""
    async with watching(broker, f"{ROOT}-mixer/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        publish(broker, topic("mixer", "state/power/set"), "true", "-r")
        await watcher.until(lambda: outcomes(watcher))
        assert (outcomes(watcher)[0]["result"], outcomes(watcher)[0]["reason"]) == ("refused", "not-allowed")
        assert await sent_actions(hall) == 0


@PROTOCOLS
async def test_nothing_that_was_sent_while_we_were_away_is_carried_out(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    settings = replace(broker.settings, protocol=protocol)
    async with hall_at(settings, tmp_path):
        pass
    for _ in range(3):
        publish(broker, topic("mixer", "actions/power-on/set"), "run", "-q", "2")
    async with watching(broker, f"{ROOT}-mixer/#") as watcher, hall_at(settings, tmp_path) as hall:
        publish(broker, topic("mixer", "actions/set-volume/set"), "5", "-q", "2")
        await watcher.until(lambda: outcomes(watcher))
        entries = await hall.controller.journal(JournalQuery())
        assert [entry.command.action for entry in entries] == ["set-volume"]


async def test_expiry_goes_on_counting_while_a_command_waits(broker: Mosquitto, tmp_path: Path) -> None:
    """The first holds the line for a second and more; the second was good for a second only."""
    text = SITE.replace("?units=2", "?units=2&latency_ms=0")
    async with (
        watching(broker, f"{ROOT}-mixer/#") as watcher,
        hall_at(broker.settings, tmp_path, text) as hall,
    ):
        # Its relay makes the unit deaf for half a second after each: the third waits for more than one.
        for _ in range(3):
            publish(broker, topic("mixer", "actions/power-on/set"), "run")
        expiry = ("-V", "5", "-D", "publish", "message-expiry-interval", "1")
        publish(broker, topic("mixer", "actions/volume-up/set"), "run", *expiry)
        await watcher.until(lambda: len(outcomes(watcher)) == 4)
        last = next(each for each in outcomes(watcher) if each["action"] == "volume-up")
        assert (last["action"], last["result"], last["reason"]) == ("volume-up", "refused", "stale")
        assert await sent_actions(hall) == 3


async def test_a_service_lock_holds_and_is_told(broker: Mosquitto, tmp_path: Path) -> None:
    async with (
        watching(broker, f"{ROOT}/#", f"{ROOT}-mixer/#", f"{ROOT}-foyer-amp/#") as watcher,
        hall_at(broker.settings, tmp_path) as hall,
    ):
        lock = json.dumps({"target": "mixer", "who": "Ada", "why": "new fuse"})
        publish(broker, f"{ROOT}/locks/lock/set", lock)
        standing = f"{ROOT}/locks/standing"
        await watcher.until(lambda: b"new fuse" in (watcher.newest(standing) or b""))
        assert json.loads(watcher.newest(standing) or b"")[0]["who"] == "Ada (claimed, over MQTT)"
        publish(broker, topic("mixer", "state/power/set"), "true")
        await watcher.until(lambda: outcomes(watcher))
        assert (outcomes(watcher)[0]["result"], outcomes(watcher)[0]["reason"]) == ("refused", "locked")
        # Energy is taken away past locks.
        publish(broker, topic("mixer", "state/power/set"), "false")
        await watcher.until(lambda: len(outcomes(watcher)) == 2)
        assert outcomes(watcher)[1]["result"] == "confirmed"
        # Nothing on MQTT clears one.
        for payload in ("[]", "{}", json.dumps({"target": "nothing", "who": "Ada", "why": "?"})):
            publish(broker, f"{ROOT}/locks/lock/set", payload)
        publish(broker, standing, "[]", "-r")
        assert len(await hall.controller.locks()) == 1


async def test_a_unit_takes_only_what_its_site_allows(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}-foyer-amp/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        publish(broker, topic("foyer-amp", "actions/power-on/set"), "run")
        publish(broker, topic("foyer-amp", "state/power/set"), "true")
        request = json.dumps({"id": "1", "action": "power-on"})
        publish(broker, topic("foyer-amp", "command/request/set"), request)
        await watcher.until(lambda: len(outcomes(watcher, "foyer-amp")) == 3)
        told = [(each["result"], each["reason"]) for each in outcomes(watcher, "foyer-amp")]
        assert told == [("refused", "not-allowed")] * 3
        assert await sent_actions(hall) == 0
        # What was refused is no target.
        assert not watcher.newest(topic("foyer-amp", "state/power/$target"))


async def test_all_off_takes_the_energy_away_where_it_may(broker: Mosquitto, tmp_path: Path) -> None:
    async with (
        watching(broker, f"{ROOT}-mixer/#", f"{ROOT}-foyer-amp/#") as watcher,
        hall_at(broker.settings, tmp_path),
    ):
        publish(broker, f"{ROOT}/site/off/set", "audio")
        await watcher.until(lambda: outcomes(watcher))
        publish(broker, f"{ROOT}/site/off/set", "all")
        await watcher.until(lambda: outcomes(watcher, "foyer-amp"))
        assert outcomes(watcher)[0]["action"] == "standby"
        assert outcomes(watcher)[0]["origin"]["kind"] == "mqtt"


async def test_what_was_commanded_elsewhere_is_told_as_well(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}-mixer/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("mixer", "set-volume", {"level": 31}))
        await watcher.until_is(topic("mixer", "state/volume"), "31")
        assert watcher.newest(topic("mixer", "state/volume/$target")) == b"31"
        await watcher.until(lambda: outcomes(watcher))
        await hall.controller.simulate("sound", "press 1 set-volume level=7")
        await watcher.until_is(topic("mixer", "state/volume"), "7")
        await watcher.until_is(topic("mixer", "known/volume"), "observed")
        await watcher.until(lambda: watcher.newest(topic("mixer", "state/volume/$target")) == b"")


@pytest.mark.slow
async def test_traffic_is_published_while_somebody_watches(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, f"{ROOT}/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.controller.submit(Command("mixer", "volume-up"))
        traffic, watch = f"{ROOT}/bus-sound/traffic", f"{ROOT}/bus-sound/watch"
        publish(broker, f"{watch}/set", "PT3S")
        await watcher.until_is(watch, "PT3S")
        assert not watcher.all(traffic)
        begun = time.monotonic()
        while time.monotonic() - begun < 2.0:
            await hall.controller.submit(Command("mixer", "volume-up"))
        await watcher.until_is(watch, "PT0S")
        batches = [each for each in watcher.heard if each.topic == traffic]
        assert not any(each.retain for each in batches)
        gaps = [b.at - a.at for a, b in itertools.pairwise(batches)]
        assert len(batches) >= 3
        # Five a second: on average, for arrival at another process is not to be timed to the millisecond.
        assert sum(gaps) / len(gaps) > 0.19
        documents = [json.loads(each.payload) for each in batches]
        assert {record["direction"] for d in documents for record in d["records"]} >= {"sent", "echoed"}
        await hall.controller.submit(Command("mixer", "volume-up"))
        await asyncio.sleep(0.5)
        assert len(watcher.all(traffic)) == len(batches)


@pytest.mark.slow
async def test_a_flood_is_refused_and_counted_and_every_command_has_one_outcome(tmp_path: Path) -> None:
    # By default the broker itself drops what is more than 1,000 messages ahead of a client.
    config = ("allow_anonymous true", "max_queued_messages 0")
    with Mosquitto(tmp_path / "mosquitto", config) as broker:
        found = await _flood(broker, tmp_path)
    assert len({each["command_id"] for each in found}) == 1500
    refused = [each for each in found if each["result"] == "refused"]
    assert {each["reason"] for each in refused} == {"too-fast"}
    assert 100 <= 1500 - len(refused) < 400


async def _flood(broker: Mosquitto, tmp_path: Path) -> list[dict[str, Any]]:
    """1,500 commands at once; gives their outcomes."""
    async with (
        watching(broker, f"{ROOT}-mixer/#", f"{ROOT}/#") as watcher,
        hall_at(broker.settings, tmp_path),
    ):
        process = await asyncio.create_subprocess_exec(
            "mosquitto_pub",
            *("-h", "127.0.0.1", "-p", str(broker.port), "-l", "-q", "1"),
            *("-t", topic("mixer", "command/request/set")),
            stdin=asyncio.subprocess.PIPE,
        )
        lines = [json.dumps({"id": f"f-{n}", "action": "volume-up"}) for n in range(1500)]
        await process.communicate("\n".join(lines).encode() + b"\n")
        await watcher.until(lambda: len(watcher.all(OUTCOME)) == 1500, 45)
        return outcomes(watcher)
