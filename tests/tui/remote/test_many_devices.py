"""A broker that does not answer a subscription, as one that drops what is too far ahead of its client."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller import mqtt_connection
from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming, NotGranted
from tests.peers.mosquitto import Mosquitto, publish
from tests.tui.remote.announced import Announced
from tui.remote.broker import connect
from tui.remote.following import Follower

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(180),
    pytest.mark.peer("mosquitto", "mosquitto_pub"),
    pytest.mark.skipif(os.name != "posix", reason="a process is held up by a signal"),
]


class _Held(Mosquitto):
    """A broker that can be held up."""

    def hold(self) -> None:
        """Let it do nothing."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Let it go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[_Held]:
    """It is patient for a shorter time than in use."""
    monkeypatch.setattr(mqtt_connection, "GRANTED_WITHIN", 0.5)
    with _Held(tmp_path / "mosquitto") as found:
        yield found
        found.go_on()


async def test_it_is_an_error_and_no_wait_for_ever(broker: _Held) -> None:
    came: list[Incoming] = []
    connection = await Connection.open(broker.settings, "test", came.extend)
    try:
        broker.hold()
        with pytest.raises(NotGranted, match="does not answer a subscription"):
            await connection.subscribe(["homie/5/+/$description"], qos=0)
    finally:
        broker.go_on()
        await connection.close()
    assert came == []


async def test_a_dashboard_says_so_and_asks_again(
    broker: _Held, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for each in Announced(tmp_path / "hall").whole():
        await asyncio.to_thread(publish, broker, each.topic, each.payload, "-r", "-q", "1")
    await asyncio.to_thread(publish, broker, "homie/5/larkfield/controller/instance", b"1", "-r", "-q", "1")

    async def then_held_up(*given: Any, **more: Any) -> Connection:
        connection = await connect(*given, **more)
        monkeypatch.setattr("tui.remote.following.connect", connect)
        broker.hold()
        return connection

    monkeypatch.setattr("tui.remote.following.connect", then_held_up)
    follower = Follower(broker.settings, "Ada", any_protocol=False)
    try:
        await follower.begin()
        told = await follower.until(lambda: follower.mirror.broker, 60)
        assert told is not None
        assert "does not answer a subscription" in told.text
        broker.go_on()
        found = await follower.until(lambda: follower.mirror.sites.get("larkfield"), 60)
        assert found is not None
        assert await follower.until(lambda: (found.ready and found.described) or None, 60)
        assert len(follower.mirror.view().units) == 2
        assert follower.mirror.broker is None
    finally:
        broker.go_on()
        await follower.close()
