"""One connection, carried by the event loop or by paho's thread: both have to do the same."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import socket
import threading
from collections.abc import Callable
from typing import Any

import pytest

from controller import mqtt_connection
from controller.homie_devices import Publication
from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming
from controller.mqtt_network import LoopNetwork, ThreadNetwork
from controller.mqtt_settings import BrokerSettings
from tests.peers.mosquitto import Mosquitto

pytestmark = pytest.mark.peer("mosquitto")

_PATIENCE = 20.0


@pytest.fixture(params=["loop", "thread"], autouse=True)
def carried_by(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "thread":
        monkeypatch.setattr(mqtt_connection, "network_for", lambda client, *_: ThreadNetwork(client))
    found: str = request.param
    return found


class Heard:
    """What came, and what is done about it."""

    def __init__(self, then: Callable[[Incoming], None] | None = None) -> None:
        self.messages: list[Incoming] = []
        self.threads: set[int] = set()
        self._then = then
        self._more = asyncio.Event()

    def __call__(self, messages: list[Incoming]) -> None:
        self.messages += messages
        self.threads.add(threading.get_ident())
        self._more.set()
        for message in messages:
            if self._then is not None:
                self._then(message)

    async def until(self, count: int) -> None:
        async with asyncio.timeout(_PATIENCE):
            while len(self.messages) < count:
                self._more.clear()
                await self._more.wait()


async def _opened(broker: Mosquitto, heard: Heard, protocol: Any = "5") -> Connection:
    settings = BrokerSettings("127.0.0.1", broker.port, protocol)
    return await Connection.open(settings, "test", heard)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
async def test_what_is_published_while_a_message_is_taken_goes_out(broker: Mosquitto, protocol: str) -> None:
    connection: Connection | None = None

    def answer(message: Incoming) -> None:
        assert connection is not None
        if message.topic == "ask":
            # Both at once: paho calls back when one of QoS 0 is out, and holds a lock meanwhile.
            connection.publish(Publication("told/0", message.payload, retain=False, qos=0))
            connection.publish(Publication("told/1", message.payload, retain=False, qos=1))

    heard = Heard(answer)
    connection = await _opened(broker, heard, protocol)
    await connection.subscribe(["ask", "told/+"])
    for number in range(20):
        connection.publish(Publication("ask", str(number).encode(), retain=False, qos=number % 2))
    await heard.until(60)
    told = sorted((m.topic, int(m.payload)) for m in heard.messages if m.topic != "ask")
    assert told == [(f"told/{qos}", number) for qos in (0, 1) for number in range(20)]
    assert heard.threads == {threading.get_ident()}
    await connection.flush()
    assert connection.waiting == 0
    await connection.close()


async def test_what_the_broker_does_not_take_at_once_is_written_when_it_does(broker: Mosquitto) -> None:
    heard = Heard()
    connection = await _opened(broker, heard)
    await connection.subscribe(["large/+"])
    # Far more than a socket's buffers hold.
    payloads = [bytes([number]) * 900_000 for number in range(12)]
    for number, payload in enumerate(payloads):
        connection.publish(Publication(f"large/{number}", payload, retain=False))
    await heard.until(len(payloads))
    assert [message.payload for message in heard.messages] == payloads
    await connection.close()


async def test_a_fault_in_taking_a_message_ends_the_connection_and_nothing_else(
    broker: Mosquitto, carried_by: str
) -> None:
    def fail(message: Incoming) -> None:
        raise RuntimeError(message.topic)

    heard = Heard(fail)
    connection = await _opened(broker, heard)
    await connection.subscribe(["ask"])
    if carried_by == "loop":
        connection.publish(Publication("ask", b"1", retain=False))
        async with asyncio.timeout(_PATIENCE):
            error = await asyncio.shield(connection.lost)
        assert "fault of this program: ask" in error.what
    await connection.close()
    assert connection.lost.done()


async def test_it_leaves_no_socket_and_no_watch_behind(broker: Mosquitto, carried_by: str) -> None:
    connection = await _opened(broker, Heard())
    network = connection._network
    await connection.close()
    assert isinstance(network, LoopNetwork if carried_by == "loop" else ThreadNetwork)
    if isinstance(network, LoopNetwork):
        assert network._watched is None
        assert network._timer is None or network._timer.cancelled()
    gc.collect()


async def test_a_connect_that_is_cancelled_leaves_nothing_behind(broker: Mosquitto) -> None:
    """At each turn of the event loop in which it may happen, and some later ones."""
    for turns in range(12):
        opening = asyncio.create_task(_opened(broker, Heard()))
        for _ in range(turns):
            await asyncio.sleep(turns * 0.0005)
        opening.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await (await opening).close()  # it stood already
        del opening
    ending = [each for each in threading.enumerate() if each.name.startswith(("mqtt connect", "paho"))]
    for thread in ending:
        await asyncio.to_thread(thread.join, _PATIENCE)
    assert not any(thread.is_alive() for thread in ending)
    gc.collect()  # a socket that nobody closed would be a warning here


async def test_a_close_that_is_cancelled_leaves_nothing_behind_either() -> None:
    """A broker that takes the connection and then nothing any more."""
    loop = asyncio.get_running_loop()
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        accepting = asyncio.create_task(loop.sock_accept(server))
        settings = BrokerSettings("127.0.0.1", server.getsockname()[1], "3.1.1")
        opening = asyncio.create_task(Connection.open(settings, "test", Heard()))
        deaf, _ = await accepting
        await loop.sock_sendall(deaf, bytes.fromhex("20 02 00 00"))  # CONNACK: MQTT 3.1.1, section 3.2
        connection = await opening
    network = connection._network
    for number in range(12):  # far more than a socket's buffers hold
        connection.publish(Publication(f"large/{number}", bytes(900_000), retain=False))
    closing = asyncio.create_task(connection.close())
    await asyncio.sleep(0)
    for _ in range(2):  # while it says its last words, and while it waits for the end
        closing.cancel()
        await asyncio.sleep(0)
    with pytest.raises(asyncio.CancelledError):
        await closing
    assert connection.lost.done()
    assert not any(thread.name.startswith("paho") for thread in threading.enumerate())
    if isinstance(network, LoopNetwork):
        assert network._watched is None
    del connection, network, opening
    gc.collect()  # a socket that nobody closed would be a warning here
    deaf.close()


async def test_a_broker_that_is_killed_is_noticed_at_once(broker: Mosquitto) -> None:
    connection = await _opened(broker, Heard())
    broker.kill()
    async with asyncio.timeout(_PATIENCE):
        error = await asyncio.shield(connection.lost)
    assert "over" in error.what
    connection.publish(Publication("a", b"b"))
    await connection.close()
