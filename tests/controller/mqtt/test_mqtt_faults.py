"""What goes wrong between a site and its broker is told in words and mends itself, and no bus waits for it.

Sources: MQTT 5.0: 3.1.2.5 (Will), 3.1.2.10 (Keep Alive), 3.2.2.2 (Connect Reason Codes); the Homie
convention, version 5: Last Will, Device Lifecycle.
"""

from __future__ import annotations

import asyncio
import json
import logging
import socket
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from controller.api import JournalQuery
from controller.mqtt_connection import Connection
from controller.mqtt_settings import BrokerSettings, Protocol, settings_for
from controller.records import Command
from controller.site_model import MqttSpec, TlsSpec
from profiles.errors import BrokerError
from tests.controller.mqtt.hall import ROOT, SITE, Hall, an_hour_ago, hall_at, topic
from tests.peers.certificates import Authority
from tests.peers.mosquitto import Mosquitto, free_port, publish, watching
from tests.peers.relay import Relay

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")


def _enter_password(file: Path, user: str, secret: str) -> None:
    subprocess.run(["mosquitto_passwd", "-b", str(file), user, secret], check=True)


async def _alerted(hall: Hall, text: str) -> str:
    """Wait for the alert about MQTT; gives it whole."""
    async with asyncio.timeout(15):
        while True:
            found = [alert for alert in await hall.controller.alerts() if alert.id == "mqtt-site"]
            if found and text in found[0].text:
                return f"{found[0].text}; {found[0].look_at}"
            await asyncio.sleep(0.05)


async def test_a_broker_that_is_away_is_told_and_no_bus_waits_for_it(tmp_path: Path) -> None:
    away = BrokerSettings("127.0.0.1", free_port())
    async with hall_at(away, tmp_path, wait=False) as hall:
        told = await _alerted(hall, "can't be reached")
        assert "whether it runs" in told
        outcome = await hall.controller.submit(Command("mixer", "volume-up"))
        assert outcome.result.good
        with Mosquitto(tmp_path / "mosquitto", port=away.port):
            async with asyncio.timeout(20):
                await hall.bridge.announced.wait()
            assert not [alert for alert in await hall.controller.alerts() if alert.id == "mqtt-site"]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_refused_login_is_told_and_the_secret_is_not(
    tmp_path: Path, protocol: Protocol, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    secrets = tmp_path / "passwords"
    secrets.touch(mode=0o600)
    _enter_password(secrets, "hall", "correct horse")
    with Mosquitto(tmp_path / "mosquitto", (f"password_file {secrets}",)) as broker:
        wrong = BrokerSettings("127.0.0.1", broker.port, protocol, "hall", "battery staple")
        async with hall_at(wrong, tmp_path / "a", wait=False) as hall:
            told = await _alerted(hall, "refuses us")
            assert "secret" in told
            assert "battery staple" not in f"{told}{caplog.text}{hall.bridge.settings}"
        right = replace(wrong, secret="correct horse")
        async with hall_at(right, tmp_path / "b") as hall:
            assert hall.bridge.announced.is_set()
        assert "correct horse" not in caplog.text


@pytest.mark.peer("openssl")
async def test_tls_is_verified_and_a_wrong_authority_is_told(tmp_path: Path) -> None:
    ours, other = Authority(tmp_path / "ours").make(), Authority(tmp_path / "other", "another").make()
    certificate, key = ours.sign("broker", "IP:127.0.0.1")
    misnamed, misnamed_key = ours.sign("elsewhere", "DNS:broker.example")
    client, client_key = ours.sign("hall")

    def settings(port: int, authority: Authority, *, known: bool = False) -> BrokerSettings:
        tls = TlsSpec(
            ca_file=str(authority.certificate),
            certificate_file=str(client) if known else None,
            key_file=str(client_key) if known else None,
        )
        return settings_for(MqttSpec(broker=f"mqtts://127.0.0.1:{port}", tls=tls), tmp_path, {})

    def config(pem: Path, secret: Path) -> tuple[str, ...]:
        return ("allow_anonymous true", f"cafile {ours.certificate}", f"certfile {pem}", f"keyfile {secret}")

    wants_ours = ("require_certificate true",)
    with Mosquitto(tmp_path / "m1", (*config(certificate, key), *wants_ours)) as broker:
        async with hall_at(settings(broker.port, ours, known=True), tmp_path / "a") as hall:
            assert hall.bridge.settings.shown.startswith("mqtts://")
        async with hall_at(settings(broker.port, other, known=True), tmp_path / "b", wait=False) as hall:
            assert "ca_file" in await _alerted(hall, "can't be trusted")
    with Mosquitto(tmp_path / "m2", config(misnamed, misnamed_key)) as broker:
        async with hall_at(settings(broker.port, ours), tmp_path / "c", wait=False) as hall:
            assert "the name in `mqtt.broker`" in await _alerted(hall, "can't be trusted")


async def test_a_listener_that_never_answers_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("controller.mqtt_connection.CONNECT_WITHIN", 0.5)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        settings = BrokerSettings("127.0.0.1", silent.getsockname()[1])
        with pytest.raises(BrokerError, match=r"does not answer MQTT 5.*3\.1\.1"):
            await Connection.open(settings, "test", lambda _: None)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.slow
async def test_a_half_open_connection_is_found_out_and_replaced(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    async with Relay(broker.port) as relay, watching(broker, "homie/#") as watcher:
        settings = BrokerSettings("127.0.0.1", relay.port, protocol)
        async with hall_at(settings, tmp_path, keepalive=1) as hall:
            relay.silence()
            # The broker gives it up after one and a half times the keep-alive [MQTT-3.1.2-22].
            await watcher.until_is(f"{ROOT}/$state", "lost")
            outcome = await hall.controller.submit(Command("mixer", "set-volume", {"level": 44}))
            assert outcome.result.good
            relay.speak()
            await watcher.until_is(f"{ROOT}/$state", "ready")
            await watcher.until_is(topic("mixer", "state/volume"), "44")
            publish(broker, topic("mixer", "actions/volume-up/set"), "run")
            await watcher.until(
                lambda: b"volume-up" in (watcher.newest(topic("mixer", "last/outcome")) or b"")
            )


async def test_an_old_will_that_comes_late_does_not_stand(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.ready(watcher)
        publish(broker, f"{ROOT}/$state", "lost", "-r", "-q", "1")
        await watcher.until(lambda: watcher.all(f"{ROOT}/$state")[-2:] == [b"lost", b"ready"])
        assert hall.bridge.announced.is_set()


async def test_a_second_controller_stands_back_and_says_so(broker: Mosquitto, tmp_path: Path) -> None:
    other = SITE.replace("&topology", "&name=other&topology")
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path / "a") as first:
        await first.ready(watcher)
        heard = len(watcher.all(f"{ROOT}/$state"))
        async with hall_at(broker.settings, tmp_path / "b", other, wait=False) as second:
            told = await _alerted(second, "another controller speaks for site larkfield")
            assert "another id" in told
            publish(broker, topic("mixer", "state/power/set"), "true")
            await watcher.until(lambda: watcher.newest(topic("mixer", "last/outcome")))
            assert not second.bridge.announced.is_set()
        await asyncio.sleep(0.3)
        # The first was never disturbed: no state of it was published again.
        assert len(watcher.all(f"{ROOT}/$state")) == heard
        assert watcher.newest(f"{ROOT}/controller/instance") == first.bridge.instance.encode()
        assert len(watcher.all(topic("mixer", "last/outcome"))) == 1


async def test_a_controller_takes_the_place_of_one_that_is_gone(broker: Mosquitto, tmp_path: Path) -> None:
    publish(broker, f"{ROOT}/$state", "ready", "-r")
    publish(broker, f"{ROOT}/controller/instance", "00000000000001-gone", "-r")
    async with hall_at(broker.settings, tmp_path) as hall:
        assert hall.bridge.announced.is_set()


async def test_where_two_come_at_once_the_older_stays(broker: Mosquitto, tmp_path: Path) -> None:
    async with watching(broker, "homie/#") as watcher, hall_at(broker.settings, tmp_path) as hall:
        await hall.ready(watcher)
        young = "99999999999999-young"
        publish(broker, f"{ROOT}/controller/instance", young, "-r", "-q", "1")
        await watcher.until_is(f"{ROOT}/controller/instance", hall.bridge.instance)
        old = f"{int(an_hour_ago() * 1000):014d}-old"
        publish(broker, f"{ROOT}/controller/instance", old, "-r", "-q", "1")
        await _alerted(hall, "another controller speaks")
        assert hall.bridge.instance not in (young, old)


@pytest.mark.slow
async def test_a_broker_that_refuses_what_we_publish_is_told(tmp_path: Path) -> None:
    access = tmp_path / "access"
    access.write_text("topic read homie/#\ntopic readwrite homie/5/larkfield/#\n")
    access.chmod(0o600)
    config = ("allow_anonymous true", f"acl_file {access}")
    with Mosquitto(tmp_path / "mosquitto", config) as broker:
        async with hall_at(broker.settings, tmp_path / "a", wait=False) as hall:
            assert "access list" in await _alerted(hall, "refuses")
    access.write_text("topic read homie/#\n")
    with Mosquitto(tmp_path / "mosquitto", config) as broker:
        async with hall_at(broker.settings, tmp_path / "b", wait=False) as hall:
            assert "read and write" in await _alerted(hall, "does not come back")


async def _commanded_anew(broker: Mosquitto, number: int) -> None:
    """Wait until the site is announced again, command a unit, and wait for its state and its outcome."""
    async with asyncio.timeout(20), watching(broker, "homie/#") as watcher:
        await watcher.until_is(f"{ROOT}/$state", "ready")
        publish(broker, topic("foyer-amp", "actions/set-volume/set"), str(number))
        await watcher.until_is(topic("foyer-amp", "state/volume"), str(number))
        # The outcome is told after the state, when the journal has it.
        told, where = f'"parameters":{{"level":{number}}}'.encode(), topic("foyer-amp", "last/outcome")
        await watcher.until(lambda: told in (watcher.newest(where) or b""))


@pytest.mark.slow
@pytest.mark.timeout(240)
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_a_broker_killed_twenty_times_during_traffic(tmp_path: Path, protocol: Protocol) -> None:
    """Each time everything is announced again, and whatever was commanded has one outcome in the journal."""
    with Mosquitto(tmp_path / "mosquitto") as broker:
        settings = replace(broker.settings, protocol=protocol)
        async with hall_at(settings, tmp_path, shortest_pause=0.02) as hall:
            stop = asyncio.Event()
            counts = {"submitted": 0, "good": 0}

            async def traffic() -> None:
                while not stop.is_set():
                    level = counts["submitted"] % 60
                    outcome = await hall.controller.submit(Command("mixer", "set-volume", {"level": level}))
                    counts["submitted"] += 1
                    counts["good"] += outcome.result.good

            busy = asyncio.create_task(traffic())
            for number in range(20):
                await asyncio.sleep(0.1)
                broker.kill()
                await asyncio.sleep(0.05 * (number % 3))
                await asyncio.to_thread(broker.start)
                await _commanded_anew(broker, number)
            stop.set()
            await busy
            assert counts["submitted"] == counts["good"] > 20
            entries = await hall.controller.journal(JournalQuery(limit=100_000))
            assert all(entry.outcome is not None for entry in entries)
            by_mqtt = [
                e.command.parameters["level"] for e in entries if e.command.origin.kind.value == "mqtt"
            ]
            assert sorted(int(level) for level in by_mqtt) == list(range(20))
            assert hall.bridge._orders.under_way == 0


async def test_an_outcome_that_comes_while_the_broker_is_away_is_told_afterwards(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto") as broker:
        async with hall_at(broker.settings, tmp_path, shortest_pause=0.02) as hall:
            broker.kill()
            outcome = await hall.controller.submit(Command("mixer", "set-volume", {"level": 21}, id="away-1"))
            assert outcome.result.good
            broker.start()
            async with watching(broker, "homie/#") as watcher:
                await watcher.until_is(topic("mixer", "state/volume"), "21")
                await watcher.until(lambda: watcher.newest(topic("mixer", "last/outcome")))
                told = json.loads(watcher.newest(topic("mixer", "last/outcome")) or b"")
                assert told["command_id"] == "away-1"
