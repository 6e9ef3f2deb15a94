"""How soon a command over MQTT is on the line, how soon a large site is announced, and what it bears.

Run by `make bench`. The controller is a process of its own, as it is in use; the broker is Mosquitto.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import queue
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.mqtt import MqttBridge
from controller.records import Origin, OriginKind
from controller.service import Controller
from controller.site import load_site
from controller.state_folder import Claim
from tests.bench.broker_client import Client, used_memory
from tests.bench.figures import Figure, print_table
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

LEAST_WITH_DUTIES = """
import collections, json, os, select, sys, threading, time, uuid
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
line = os.open(sys.argv[2], os.O_RDWR | os.O_NOCTTY)
journal = os.open(sys.argv[3], os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
woken, wake = os.pipe()
orders = collections.deque()
sys.setswitchinterval(0.0005)
def own_the_port():
    while True:
        if woken in select.select([line, woken], [], [])[0]:
            os.read(woken, 4096)
            while orders:
                os.write(line, orders.popleft())
def heard(_client, _data, message):
    command = dict(id=uuid.uuid4().hex, action=message.topic, value=int(message.payload), at=time.time())
    os.write(journal, json.dumps(command).encode() + b"\\n")
    orders.append(b"+")
    os.write(wake, b"1")
threading.Thread(target=own_the_port, daemon=True).start()
client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.on_message = heard
client.on_subscribe = lambda *_: print("ready", flush=True)
client.connect("127.0.0.1", int(sys.argv[1]))
client.subscribe("duties", 1)
client.loop_forever()
"""
"""The least that keeps an intent and leaves the port to one thread; nothing is judged, no echo awaited."""

COMMANDS = 400

WHERE_IT_GOES = (
    "The median is over its bar. The same way with nothing judged, in the least program that enters "
    "an intent and leaves the port to a thread, takes what the last rows say. The rest is about 230 "
    "Python calls before that thread is woken, and those of the echo machine after it: they judge the "
    "message, resolve and build the action, enter the command as JSON, queue it and judge it again at "
    "its turn, at a microsecond or two each on a processor that has rested since the last command. "
    "Entering the intent as one line before its row, reading the broker in the event loop, taking a "
    "free line in the same turn and remembering what an action resolved to brought the figure from "
    "4.2 to below 3; another event loop (uvloop) changed nothing. What is left to drop is a "
    "judgement, or the thread that keeps echoes in time while a screen is drawn; neither is given up "
    "for 0.3 ms."
)


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
            _program(LEAST, broker, port) as least,
            _program(LEAST_WITH_DUTIES, broker, port, str(tmp_path / "intents")) as dutiful,
        ):
            watcher = Client(broker, "homie/5/large/$state", "bare")
            watcher.until("homie/5/large/$state", b"ready")
            sender = Client(broker)
            bare: list[float] = []
            whole: list[float] = []
            floor: list[float] = []
            duties: list[float] = []
            for number in range(COMMANDS):
                begun = time.monotonic()
                sender.client.publish("bare", str(number))
                bare.append(watcher.until("bare", str(number).encode()) - begun)
                time.sleep(0.005)
                for times, topic, first in (
                    (whole, "homie/5/large-u0/actions/set-level/set", b"\xa5"),
                    (floor, "least", b"*"),
                    (duties, "duties", b"+"),
                ):
                    begun = time.monotonic()
                    sender.client.publish(topic, str(number % 64))
                    at, byte = far.stdout.readline().split()
                    assert int(byte) == first[0]
                    times.append(float(at) - begun)
                    # What is left of the message, and its outcome, before the next one.
                    time.sleep(0.015)
                    _drain(far)
            sender.close()
            watcher.close()
            least.terminate()
            dutiful.terminate()
        far.terminate()
    rows: tuple[tuple[str, list[float], tuple[float | None, float | None]], ...] = (
        ("set to first byte", whole, (2.0, 4.0)),
        ("least program: a byte for each message", floor, (None, None)),
        ("the same with an intent and a port's own thread", duties, (None, None)),
    )
    figures = []
    for what, times, (median_bar, p99_bar) in rows:
        for name, ours, theirs, bar in (
            ("median", statistics.median(times), statistics.median(bare), median_bar),
            ("p99", _p99(times), _p99(bare), p99_bar),
        ):
            reference = f"{theirs * 1e6:.0f} us there and back"
            figures.append(Figure(f"{what}, {name}", f"{ours * 1e6:.0f} us", reference, ours / theirs, bar))
    print_table("From a `set` message to the first byte on the line", figures, WHERE_IT_GOES)
    assert all(figure.holds for figure in figures)


def _p99(times: list[float]) -> float:
    return statistics.quantiles(times, n=100)[98]


@contextmanager
def _program(code: str, broker: Mosquitto, *words: str) -> Iterator[subprocess.Popen[str]]:
    """One of the programs above, once it has subscribed."""
    command = [sys.executable, "-c", code, str(broker.port), *words]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        yield process


def _drain(far: subprocess.Popen[str]) -> None:
    """Read away what the far end told of the rest of a message."""
    import select

    assert far.stdout is not None
    while select.select([far.stdout], [], [], 0)[0]:
        far.stdout.readline()


@pytest.mark.timeout(180)
def test_a_large_site_is_announced_in_two_seconds(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto", CONFIG) as broker:
        watcher = Client(broker, "homie/5/large/$state")
        with _running(_site(tmp_path, broker, 64, 1000, "loop://?name={bus}")) as process:
            begun = watcher.until("homie/5/large/$state", b"init")
            ended = watcher.until("homie/5/large/$state", b"ready")
            time.sleep(1)
            memory = used_memory(process.pid, "VmHWM")
        again = Client(broker, "homie/5/#")
        time.sleep(2)
        topics = {again.heard.get()[0] for _ in range(again.heard.qsize())}
        again.close()
        watcher.close()
    figures = [
        Figure("init to ready", f"{len(topics):,} topics", "", ended - begun, 2.0, "s"),
        Figure("the controller's memory at most", "", "", memory, 250, "MB"),
    ]
    print_table("1,000 units on 64 buses announced", figures)
    assert len([topic for topic in topics if topic.endswith("$description")]) == 1001
    assert all(figure.holds for figure in figures)


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
    reference = f"{small * 1e6:.0f} us with 10 units"
    figure = Figure("with 1,000 units", f"{large * 1e6:.0f} us", reference, large / small, 1.3)
    print_table("A state change published", [figure])
    assert figure.holds


SECONDS, CLIENTS, RATE, BUSES = 60, 20, 200, 64


class _Sender(Client):
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
            watcher = Client(broker, "homie/5/large/$state")
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
                memory.append(used_memory(process.pid))
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
    more = max(descriptors[10:]) - min(descriptors[5:10])
    told = ", ".join(f"{count:,} {result}" for result, count in sorted(results.items()))
    figures = [
        Figure("not executed", told, f"{total:,} sent", 100 * (1 - executed / total), 5, "%"),
        # The last traffic of each bus is kept, up to a bound that a minute does not reach.
        Figure(
            "memory at the end", f"{late:.0f} MB", f"{early:.0f} MB in the first seconds", late / early, 1.25
        ),
        Figure("more handles than in the first seconds", "", "", more, 2, ""),
    ]
    print_table(f"{RATE} commands a second for {SECONDS} s, {CLIENTS} clients, {BUSES} buses", figures)
    assert once
    assert total >= 0.98 * SECONDS * RATE
    assert all(figure.holds for figure in figures)
