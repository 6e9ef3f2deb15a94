"""Mosquitto, and its clients as a second, independent voice: on free loopback ports, ended by their ids.

A test that uses them carries ``@pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")``.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from controller.mqtt_settings import BrokerSettings

__all__ = ["Heard", "Mosquitto", "Watcher", "free_port", "publish", "watching"]

_STARTS_WITHIN = 10.0
_PATIENCE = 15.0


def free_port() -> int:
    """A port on loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass(slots=True)
class Mosquitto:
    """A broker with a config of its own; a context manager."""

    folder: Path
    config: Sequence[str] = ("allow_anonymous true",)
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self.folder.mkdir(parents=True, exist_ok=True)
        path = self.folder / "mosquitto.conf"
        # Started by root it would become somebody else, who can't read what a test writes.
        lines = [f"user {getpass.getuser()}", f"listener {self.port} 127.0.0.1", *self.config]
        path.write_text("\n".join(lines) + "\n")
        log = (self.folder / "mosquitto.log").open("ab")
        with log:
            self._process = subprocess.Popen(["mosquitto", "-c", str(path)], stdout=log, stderr=log)
        until = time.monotonic() + _STARTS_WITHIN
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1.0).close()
            except OSError:
                if self._process.poll() is not None or time.monotonic() > until:
                    log_text = (self.folder / "mosquitto.log").read_text()
                    raise RuntimeError(f"mosquitto did not start: {log_text}") from None
                time.sleep(0.01)
            else:
                return

    def kill(self) -> None:
        """End it as a power cut would (-9)."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def stop(self) -> None:
        """End it cleanly."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait()
            self._process = None

    @property
    def pid(self) -> int:
        """Its process id."""
        if self._process is None:
            raise RuntimeError("mosquitto does not run")
        return self._process.pid

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def settings(self) -> BrokerSettings:
        """How Linewarden reaches it."""
        return BrokerSettings("127.0.0.1", self.port)


def publish(broker: Mosquitto, topic: str, payload: bytes | str, *options: str) -> None:
    """Publish with mosquitto_pub: an empty payload as a zero-length message."""
    data = payload.encode() if isinstance(payload, str) else payload
    how = ["-s"] if data else ["-n"]
    subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(broker.port), "-t", topic, *how, *options],
        input=data,
        check=True,
        timeout=_PATIENCE,
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """A message as mosquitto_sub tells it."""

    topic: str
    payload: bytes
    retain: bool
    correlation: bytes = b""
    at: float = 0.0

    @property
    def text(self) -> str:
        """The payload as text."""
        return self.payload.decode()


class Watcher:
    """What mosquitto_sub hears."""

    def __init__(self) -> None:
        self.heard: list[Heard] = []
        self._changed = asyncio.Event()

    def newest(self, topic: str) -> bytes | None:
        """The last payload of a topic; None where nothing came."""
        return next((each.payload for each in reversed(self.heard) if each.topic == topic), None)

    def all(self, topic: str) -> list[bytes]:
        """All payloads of a topic, in their order."""
        return [each.payload for each in self.heard if each.topic == topic]

    def take(self, heard: Heard) -> None:
        """One more."""
        self.heard.append(heard)
        self._changed.set()

    async def until(self, found: Callable[[], object], patience: float = _PATIENCE) -> None:
        """Wait until ``found()`` is true; a test fails that waits in vain."""
        try:
            async with asyncio.timeout(patience):
                while not found():
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            last = "\n".join(f"{each.topic} {each.payload[:100]!r}" for each in self.heard[-40:])
            raise AssertionError(f"waited in vain; last heard:\n{last}") from None

    async def until_is(self, topic: str, payload: bytes | str) -> None:
        """Wait until the newest payload of a topic is this one."""
        wanted = payload.encode() if isinstance(payload, str) else payload
        await self.until(lambda: self.newest(topic) == wanted)


@asynccontextmanager
async def watching(broker: Mosquitto, *filters: str, options: Sequence[str] = ()) -> AsyncIterator[Watcher]:
    """Everything that mosquitto_sub hears on these filters, retained messages first."""
    topics = [word for each in filters for word in ("-t", each)]
    process = await asyncio.create_subprocess_exec(
        "mosquitto_sub",
        *("-h", "127.0.0.1", "-p", str(broker.port), "-V", "5", "-q", "1", "-F", "%r %t %x %D", *topics),
        *options,
        stdout=asyncio.subprocess.PIPE,
        limit=1 << 24,
    )
    watcher = Watcher()

    async def read() -> None:
        assert process.stdout is not None
        while line := await process.stdout.readline():
            retain, topic, payload, *rest = line.decode().rstrip("\n").split(" ")
            correlation = rest[0].encode() if rest and rest[0] else b""
            heard = Heard(topic, bytes.fromhex(payload), retain == "1", correlation, time.monotonic())
            watcher.take(heard)

    reader = asyncio.create_task(read())
    try:
        # Subscribed, and told what is retained, as soon as a message of our own comes back: of one QoS,
        # since brokers keep the order of one only.
        probe = filters[0].replace("#", "watching").replace("+", "watching")
        while not watcher.all(probe):
            await asyncio.to_thread(publish, broker, probe, "here", "-q", "1")
            with contextlib.suppress(AssertionError):
                await watcher.until(lambda: watcher.all(probe), 0.2)
        yield watcher
    finally:
        reader.cancel()
        with contextlib.suppress(ProcessLookupError):
            # One whose broker is gone does not listen to less.
            process.kill()
        await process.wait()
        await asyncio.gather(reader, return_exceptions=True)
