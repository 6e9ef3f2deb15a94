"""A client of a broker for the benchmarks, and what a process has used."""

from __future__ import annotations

import os
import queue
import socket
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.peers.mosquitto import Mosquitto

__all__ = ["Client", "used_cpu", "used_memory"]


def _send_at_once(_c: Any, _u: Any, opened: Any) -> None:
    opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


class Client:
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
        """Hang up."""
        self.client.disconnect()
        self.client.loop_stop()


def used_memory(pid: int | str, key: str = "VmRSS") -> float:
    """A process's memory in MB."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1]) / 1024
    raise AssertionError(f"{key} is not told here")


def used_cpu(pid: int) -> float:
    """CPU seconds that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
