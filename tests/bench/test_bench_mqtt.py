"""How soon a command over MQTT is on the line, how soon a large site is announced, and what it bears.

Run by `make bench`. The controller is a process of its own, as it is in use; the broker is Mosquitto.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import queue
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.mqtt import MqttBridge
from controller.records import Origin, OriginKind
from controller.service import Controller
from controller.site import load_site
from controller.state_folder import Claim
from tests.peers.mosquitto import Mosquitto

pytestmark = [pytest.mark.bench, pytest.mark.peer("mosquitto")]

# By default the broker drops what is more than 1,000 messages ahead of a client, and lets a small one wait
# up to 40 ms for the acknowledgement of the one before it: that would be what is measured.
CONFIG = ("allow_anonymous true", "max_queued_messages 0", "set_tcp_nodelay true")

PROFILE = """
schema = 1
name = "{name}"

[line]
baud = 115200
burst_gap_ms = 1.0

[confirm]
method = "{method}"

[address]
range = [1, 250]

[states.level]
type = "integer"
range = [0, 63]
set = "set-level"

[states.power]
type = "boolean"

[states.input]
type = "enum"
values = ["cd", "tuner", "tape", "stage"]

[states.mute]
type = "boolean"

[actions.set-level]
effect = "neutral"
parameters.level = {{ type = "integer", range = [0, 63] }}
send = [{{ hex = "A5" }}, {{ address = 1 }}, {{ field = "level" }}]
sets = {{ level = "level" }}
"""


def _site(
    folder: Path,
    broker: Mosquitto,
    buses: int,
    units: int,
    port: str,
    *,
    topology: str = "open",
    more: str = "",
) -> Path:
    """A site file with so many units, spread over its buses."""
    folder.mkdir(exist_ok=True)
    method = "none" if topology == "open" else "loop"
    (folder / "line.toml").write_text(PROFILE.format(name="line", method=method))
    lines = ['[site]\nid = "large"']
    for bus in range(buses):
        lines.append(f'[buses.b{bus}]\nport = "{port.format(bus=bus)}"\nprofile = "line.toml"')
        lines.append(f'topology = "{topology}"\n{more}')
    lines += [f'[units.u{n}]\nbus = "b{n % buses}"\naddress = {n // buses + 1}' for n in range(units)]
    lines.append(f'[mqtt]\nbroker = "mqtt://127.0.0.1:{broker.port}"')
    path = folder / "site.toml"
    path.write_text("\n".join(lines) + "\n")
    return path


@contextmanager
def _running(site: Path) -> Iterator[subprocess.Popen[str]]:
    """`linewarden run` on a site, for as long as the context lasts."""
    words = ("run", "--site", str(site), "--state", str(site.parent / "state"))
    with subprocess.Popen(
        [sys.executable, "-m", "tui.cli", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        try:
            yield process
        finally:
            process.terminate()
            process.wait(30)


def _send_at_once(_c: Any, _u: Any, opened: Any) -> None:
    opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class _Client:
    """A paho client in a thread of its own, with what it heard and when."""

    def __init__(self, broker: Mosquitto, *topics: str) -> None:
        self.heard: queue.SimpleQueue[tuple[str, bytes, float, Any]] = queue.SimpleQueue()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.on_message = self._on_message
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_: subscribed.set()
        connected = threading.Event()
        self.client.on_connect = lambda *_: connected.set()
        self.client.on_socket_open = _send_at_once
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        assert connected.wait(10)
        if topics:
            self.client.subscribe([(topic, 0) for topic in topics])
            assert subscribed.wait(10)

    def _on_message(self, _c: Any, _u: Any, message: paho.MQTTMessage) -> None:
        at = time.monotonic()
        correlation = getattr(message.properties, "CorrelationData", None)
        self.heard.put((message.topic, bytes(message.payload), at, correlation))

    def until(self, topic: str, payload: bytes, seconds: float = 60.0) -> float:
        """When that came."""
        until = time.monotonic() + seconds
        while True:
            where, what, at, _ = self.heard.get(timeout=max(0.01, until - time.monotonic()))
            if (where, what) == (topic, payload):
                return at

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def _memory(pid: int, key: str = "VmRSS") -> float:
    """A process's memory in MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1]) / 1024
    raise AssertionError(f"{key} is not told here")


FAR_END = """
import os, sys, time, tty
master, slave = os.openpty()
tty.setraw(slave)
print(os.ttyname(slave), flush=True)
while data := os.read(master, 4096):
    print(time.monotonic(), data[0], flush=True)
"""

LEAST = """
import os, sys, threading
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
line = os.open(sys.argv[2], os.O_RDWR | os.O_NOCTTY)
client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.on_message = lambda *_: os.write(line, b"*")
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.subscribe("least", 1)
client.loop_forever()
"""
"""The least that such a program can do: a byte written for each message, with nothing judged or kept."""

COMMANDS = 400


@pytest.mark.skipif(os.name != "posix", reason="a pty is the line")
@pytest.mark.timeout(180)
def test_from_a_set_message_to_the_first_byte_on_the_line(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path / "mosquitto", CONFIG) as broker,
        subprocess.Popen([sys.executable, "-c", FAR_END], stdout=subprocess.PIPE, text=True) as far,
    ):
        assert far.stdout is not None
        port = far.stdout.readline().strip()
        with (
            _running(_site(tmp_path, broker, 1, 1, port)),
            subprocess.Popen(
                [sys.executable, "-c", LEAST, str(broker.port), port], stdout=subprocess.PIPE, text=True
            ) as least,
        ):
            assert least.stdout is not None
            assert least.stdout.readline() == "ready\n"
            watcher = _Client(broker, "homie/5/large/$state", "bare")
            watcher.until("homie/5/large/$state", b"ready")
            sender = _Client(broker)
            bare, whole, floor = [], [], []
            for number in range(COMMANDS):
                begun = time.monotonic()
                sender.client.publish("bare", str(number))
                bare.append(watcher.until("bare", str(number).encode()) - begun)
                time.sleep(0.005)
                begun = time.monotonic()
                sender.client.publish("homie/5/large-u0/actions/set-level/set", str(number % 64))
                first = far.stdout.readline().split()
                assert first[1] == "165"
                whole.append(float(first[0]) - begun)
                # What is left of the message, and its outcome, before the next one.
                time.sleep(0.015)
                _drain(far)
                begun = time.monotonic()
                sender.client.publish("least", b"1")
                first = far.stdout.readline().split()
                assert first[1] == "42"
                floor.append(float(first[0]) - begun)
                time.sleep(0.005)
            sender.close()
            watcher.close()
            least.terminate()
        far.terminate()
    table = {
        name: (statistics.median(times) * 1e6, statistics.quantiles(times, n=100)[98] * 1e6)
        for name, times in (("bare round trip", bare), ("set to first byte", whole), ("least program", floor))
    }
    print()
    for name, (median, most) in table.items():
        print(f"{name:20} median {median:7.0f} us   p99 {most:7.0f} us")
    (bare_median, bare_most), (median, most), (least_median, least_most) = table.values()
    for name, one, two in (("times", median, most), ("times, least program", least_median, least_most)):
        print(f"{name:20} median {one / bare_median:7.2f}      p99 {two / bare_most:7.2f}")
    assert median <= 2 * bare_median
    assert most <= 4 * bare_most


def _drain(far: subprocess.Popen[str]) -> None:
    """Read away what the far end told of the rest of a message."""
    import select

    assert far.stdout is not None
    while select.select([far.stdout], [], [], 0)[0]:
        far.stdout.readline()


@pytest.mark.timeout(180)
def test_a_large_site_is_announced_in_two_seconds(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto", CONFIG) as broker:
        watcher = _Client(broker, "homie/5/large/$state")
        with _running(_site(tmp_path, broker, 64, 1000, "loop://?name={bus}")) as process:
            begun = watcher.until("homie/5/large/$state", b"init")
            ended = watcher.until("homie/5/large/$state", b"ready")
            time.sleep(1)
            memory = _memory(process.pid, "VmHWM")
        again = _Client(broker, "homie/5/#")
        time.sleep(2)
        topics = {again.heard.get()[0] for _ in range(again.heard.qsize())}
        again.close()
        watcher.close()
    print(f"\n1,000 units on 64 buses: {ended - begun:.2f} s, {len(topics)} topics, at most {memory:.0f} MB")
    assert len([topic for topic in topics if topic.endswith("$description")]) == 1001
    assert ended - begun <= 2.0
    assert memory <= 250


async def _cost_of_a_change(folder: Path, broker: Mosquitto, buses: int, units: int) -> float:
    """CPU seconds of the event loop for one state change, published and acknowledged.

    Its thread's alone: that many idle links and their threads cost something is so without any change.
    """
    loaded = load_site(_site(folder, broker, buses, units, "loop://?name={bus}"))
    origin = Origin(OriginKind.SCREEN, "bench")
    changes = 3000
    with Claim(folder / "state") as claim:
        controller = await Controller.open(loaded, claim.folder)
        try:
            await controller.ready()
            async with MqttBridge.of(controller, loaded) as bridge:
                await bridge.announced.wait()
                best = float("inf")
                for round_number in range(4):
                    begun = time.thread_time()
                    for number in range(changes):
                        # The same ten units, whatever the size of the site.
                        value = (number // 10 + number + round_number * 13) % 64
                        await controller.presume(f"u{number % 10}", "level", value, origin)
                        if number % 8 == 7:
                            # Else values that wait would take each other's place, and cost nothing.
                            await asyncio.sleep(0)
                            await bridge.flush()
                    best = min(best, (time.thread_time() - begun) / changes)
                return best
        finally:
            await controller.close()


@pytest.mark.timeout(180)
async def test_a_change_costs_the_same_on_a_large_site(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto", CONFIG) as broker:
        small = await _cost_of_a_change(tmp_path / "small", broker, 1, 10)
        large = await _cost_of_a_change(tmp_path / "large", broker, 64, 1000)
    print(f"\na state change: {small * 1e6:.0f} us with 10 units, {large * 1e6:.0f} us with 1,000")
    assert large <= 1.3 * small


SECONDS, CLIENTS, RATE, BUSES = 60, 20, 200, 64


class _Sender(_Client):
    """One of many clients: commands at its pace, and their outcomes by correlation data."""

    def __init__(self, broker: Mosquitto, number: int) -> None:
        self.where = f"linewarden/large/response/{number}"
        super().__init__(broker, self.where)
        self.number = number
        self.sent = 0

    def run(self, until: float) -> None:
        pause = CLIENTS / RATE
        due = time.monotonic() + pause * self.number / CLIENTS
        while due < until:
            time.sleep(max(0.0, due - time.monotonic()))
            due += pause
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # -- has no types
            properties.ResponseTopic = self.where
            properties.CorrelationData = str(self.sent).encode()
            unit = (self.number + self.sent * CLIENTS) % BUSES
            topic = f"homie/5/large-u{unit}/actions/set-level/set"
            self.client.publish(topic, str(self.sent % 64), 1, properties=properties)
            self.sent += 1


@pytest.mark.timeout(300)
def test_two_hundred_commands_a_second_for_a_minute(tmp_path: Path) -> None:
    port = "sim://line?units=1&topology=ring&name=bench-{bus}"
    port = port.replace("sim://line", f"sim://{tmp_path / 'line.toml'}")
    with Mosquitto(tmp_path / "mosquitto", CONFIG) as broker:
        site = _site(tmp_path, broker, BUSES, BUSES, port, topology="ring", more="units_expected = 1")
        with _running(site) as process:
            watcher = _Client(broker, "homie/5/large/$state")
            watcher.until("homie/5/large/$state", b"ready")
            watcher.close()
            senders = [_Sender(broker, number) for number in range(CLIENTS)]
            until = time.monotonic() + SECONDS
            threads = [threading.Thread(target=sender.run, args=(until,)) for sender in senders]
            for thread in threads:
                thread.start()
            memory, descriptors = [], []
            while any(thread.is_alive() for thread in threads):
                time.sleep(1)
                memory.append(_memory(process.pid))
                descriptors.append(len(os.listdir(f"/proc/{process.pid}/fd")))  # noqa: PTH208 -- only their number
            time.sleep(3)
            results: dict[str, int] = {}
            once = True
            for sender in senders:
                found: dict[bytes, str] = {}
                with contextlib.suppress(queue.Empty):
                    while True:
                        _, payload, _, correlation = sender.heard.get_nowait()
                        once = once and correlation not in found
                        found[correlation] = json.loads(payload)["result"]
                once = once and len(found) == sender.sent
                for result in found.values():
                    results[result] = results.get(result, 0) + 1
                sender.close()
    total = sum(sender.sent for sender in senders)
    executed = results.get("confirmed", 0)
    early, late = statistics.median(memory[5:15]), statistics.median(memory[-10:])
    print(f"\n{total} commands in {SECONDS} s: {results}; memory {early:.0f} MB, then {late:.0f} MB")
    assert once
    assert total >= 0.98 * SECONDS * RATE
    assert executed >= 0.95 * total
    # The last traffic of each bus is kept, up to a bound that a minute does not reach.
    assert late <= early * 1.25
    assert max(descriptors[10:]) <= min(descriptors[5:10]) + 2
