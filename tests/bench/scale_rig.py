"""Many simulated sites at one broker in a few processes, and what an independent subscriber sees of them."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.bench.broker_client import Client, used_cpu, used_memory
from tests.bench.many_sites import BUSES, UNITS, site_id, unit_id
from tests.peers.mosquitto import Mosquitto

__all__ = ["CONFIG", "Latency", "ManySites", "Readiness", "commands"]

CONFIG = ("allow_anonymous true", "set_tcp_nodelay true", "sys_interval 1")
"""As it is installed, but for what docs/mqtt.md advises, and for its own figures once a second."""
_SITES_A_PROCESS = 25
_PATIENCE = 60.0


class Readiness:
    """``$state`` of every device as mosquitto_sub tells it: when all of them have become ready."""

    def __init__(self, broker: Mosquitto, devices: int) -> None:
        self._devices = devices
        self._ready: set[str] = set()
        self._all = threading.Event()
        self._at = 0.0
        words = ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(broker.port), "-F", "%U %t %p"]
        self._process = subprocess.Popen(
            [*words, "-t", "homie/5/+/$state"], stdout=subprocess.PIPE, text=True
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            at, topic, state = line.split()
            (self._ready.add if state == "ready" else self._ready.discard)(topic)
            self._at = float(at)
            if len(self._ready) == self._devices:
                self._all.set()

    def until_all(self) -> float:
        """When the last of them was ready, in UTC seconds."""
        assert self._all.wait(_PATIENCE), f"only {len(self._ready)} of {self._devices} devices are ready"
        return self._at

    def close(self) -> None:
        """Listen no more."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        if self._process.stdout is not None:
            self._process.stdout.close()


@dataclass
class ManySites:
    """The sites, and the processes that they run in. A context manager."""

    folder: Path
    broker: Mosquitto
    sites: int
    opened_in: float = 0.0
    """Seconds until every controller had its ports open."""
    _hosts: list[subprocess.Popen[str]] = field(default_factory=list)

    @property
    def devices(self) -> int:
        """What is announced: each site's root, and its units."""
        return self.sites * (1 + UNITS)

    @property
    def units(self) -> int:
        """All of them."""
        return self.sites * UNITS

    def __enter__(self) -> Self:
        began = time.perf_counter()
        for first in range(0, self.sites, _SITES_A_PROCESS):
            count = min(_SITES_A_PROCESS, self.sites - first)
            words = [str(self.folder), str(self.broker.port), str(first), str(count)]
            self._hosts.append(
                subprocess.Popen(
                    [sys.executable, "-m", "tests.bench.many_sites", *words],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    text=True,
                )
            )
        for host in self._hosts:
            assert host.stdout is not None
            assert host.stdout.readline() == "open\n"
        self.opened_in = time.perf_counter() - began
        return self

    def announce(self) -> float:
        """Let all sites go to the broker at once; gives the UTC seconds of that."""
        at = time.time()
        for host in self._hosts:
            assert host.stdin is not None
            host.stdin.write("go\n")
            host.stdin.flush()
        return at

    @property
    def cpu(self) -> float:
        """CPU seconds of all sites, simulated gear included."""
        return sum(used_cpu(host.pid) for host in self._hosts)

    @property
    def memory(self) -> float:
        """MB of all sites."""
        return sum(used_memory(host.pid) for host in self._hosts)

    @property
    def processes(self) -> int:
        """How many there are."""
        return len(self._hosts)

    def __exit__(self, *_: object) -> None:
        for host in self._hosts:
            assert host.stdin is not None
            host.stdin.close()
        for host in self._hosts:
            try:
                host.wait(30)
            except subprocess.TimeoutExpired:
                host.kill()
                host.wait()
            assert host.stdout is not None
            host.stdout.close()


@dataclass(frozen=True)
class Latency:
    """Seconds from a command's message to its outcome, and how much of each is not the line's."""

    sent: int
    results: dict[str, int]
    whole: list[float]
    beyond: list[float]

    @staticmethod
    def words(times: Sequence[float]) -> tuple[float, float]:
        """Median and 99th percentile, in ms."""
        return statistics.median(times) * 1000, statistics.quantiles(times, n=100)[98] * 1000


def commands(
    broker: Mosquitto,
    sites: int,
    rate: float | None,
    count: int,
    meanwhile: Callable[[], None] = lambda: None,
) -> Latency:
    """Command one unit after another, of all sites in turn.

    Args:
        broker: the broker.
        sites: how many there are.
        rate: commands a second; None sends the next one when the last one has ended.
        count: commands.
        meanwhile: called before each of them.
    """
    client = Client(broker, "linewarden/+/response/bench")
    began: dict[bytes, float] = {}
    whole: list[float] = []
    beyond: list[float] = []
    results: dict[str, int] = {}
    begin = time.monotonic()
    try:

        def take(patience: float) -> None:
            _, payload, at, correlation = client.heard.get(timeout=patience)
            outcome = json.loads(payload)
            results[outcome["result"]] = results.get(outcome["result"], 0) + 1
            if outcome["lag_ms"] is not None:
                whole.append(at - began[correlation])
                # After its last echo an action waits once more for as long, and two frames, for strays.
                frame = outcome["wire_ms"] / outcome["frames"] / (UNITS // BUSES + 1)
                line = outcome["took_ms"] + outcome["lag_ms"]["most"] + 2 * frame
                beyond.append(whole[-1] - line / 1000)

        for number in range(count):
            meanwhile()
            if rate is not None:
                time.sleep(max(0.0, begin + number / rate - time.monotonic()))
            # The same id twice is the same command.
            site, key = site_id(number % sites), f"{begin} {number}".encode()
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # -- has no types
            properties.ResponseTopic = f"linewarden/{site}/response/bench"
            properties.CorrelationData = key
            # Neighbours in a turn are on two buses: no bus has to do two things at once before it must.
            unit = unit_id((number // sites * 11) % UNITS)
            began[key] = time.monotonic()
            topic = f"homie/5/{site}-{unit}/actions/set-volume/set"
            client.client.publish(topic, str(number % 64), 1, properties=properties)
            if rate is None:
                take(_PATIENCE)
        while sum(results.values()) < count:
            take(_PATIENCE)
    finally:
        client.close()
    return Latency(count, results, whole, beyond)
