"""Small halls for tests: sites on simulated lines and real ptys, and a running controller for each."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from controller.api import ControllerApi, JournalEntry, JournalQuery
from controller.records import Command, Origin, OriginKind, Outcome, Record, StateValue
from controller.service import Controller
from controller.site import LoadedSite, load_site
from profiles.checking import load_profile
from profiles.compiled import CompiledProfile
from profiles.model import Value

PATIENCE = 15.0
"""Seconds after which what a test waits for counts as missing; the machine may be busy with other work."""

ADA = Origin(OriginKind.SCREEN, "Ada")
FROM_MQTT = Origin(OriginKind.MQTT, "a client", claimed=True)

CHAIN_BAUD = 38400
"""Eight times pellgate-chain's own: a frame is 260 microseconds, and tests are as much shorter."""


@cache
def shipped(name: str) -> str:
    """A shipped profile's text."""
    return (resources.files("profiles.builtin") / f"{name}.toml").read_text(encoding="utf-8")


def chain_text(baud: float = CHAIN_BAUD) -> str:
    """pellgate-chain at another rate, impatient: nothing of what it says is changed."""
    text = shipped("pellgate-chain").replace("baud = 4800", f"baud = {baud:g}")
    text = text.replace("burst_gap_ms = 40.0", f"burst_gap_ms = {max(5.0, 30_000 / baud):g}")
    return text.replace("retries = 2", "retries = 2\nretry_pause_ms = 10.0")


def crc(data: bytes) -> bytes:
    """CRC-16/MODBUS, bit by bit (MODBUS over Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xA001 if register & 1 else 0)
    return data + register.to_bytes(2, "little")


@cache
def compiled(text: str) -> CompiledProfile:
    return load_profile(text, "profile.toml")


def write_site(folder: Path, text: str, **profiles: str) -> Path:
    """A site's file with profiles beside it; ``{folder}`` in it is where it lies."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, profile in profiles.items():
        (folder / f"{name}.toml").write_text(profile, encoding="utf-8")
    path = folder / "site.toml"
    path.write_text(text.replace("{folder}", str(folder)), encoding="utf-8")
    return path


RING = """
[site]
id = "larkfield-hall"

[buses.sound]
port = "sim://{folder}/chain.toml?units=3&topology=ring"
profile = "chain.toml"
topology = "ring"
units_expected = 3
allow_raw = true

[units.mixer]
bus = "sound"
address = 1
role = "preamplifier"
group = "audio"

[units.hall-amp]
bus = "sound"
address = 2
role = "power-amplifier"
group = "audio"

[units.foyer-amp]
bus = "sound"
address = 3
role = "power-amplifier"
"""
"""A ring of three behind one adapter."""


def ring(folder: Path, text: str = RING, **profiles: str) -> LoadedSite:
    return load_site(write_site(folder, text, **{"chain": chain_text(), **profiles}))


@contextlib.asynccontextmanager
async def running(loaded: LoadedSite, state: Path, **more: Any) -> AsyncIterator[Controller]:
    """A controller whose ports are open, or known not to be."""
    controller = await Controller.open(loaded, state, **more)
    try:
        await controller.ready()
        yield controller
    finally:
        await controller.close()


async def act(
    api: ControllerApi, unit: str, action: str, origin: Origin = ADA, **parameters: Value
) -> Outcome:
    return await api.submit(Command(unit, action, parameters, origin))


async def state(api: ControllerApi, unit: str, name: str) -> StateValue:
    return (await api.states())[unit][name]


async def entry(api: ControllerApi, command_id: str, *, traffic: bool = False) -> JournalEntry:
    """What the journal has of one command."""
    (found,) = await api.journal(JournalQuery(command_id=command_id, traffic=traffic))
    return found


async def until(condition: Callable[[], object]) -> None:
    """Wait for something that happens in another thread, or in a moment.

    Raises:
        AssertionError: it did not come true in time.
    """
    end = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < end, "what was waited for never came"
        await asyncio.sleep(0.002)


class Watch:
    """Keeps every record that a controller tells."""

    def __init__(self, controller: Controller) -> None:
        self.records: list[Record] = []
        self._subscription = controller.subscribe()
        self._task = asyncio.create_task(self._follow())

    async def _follow(self) -> None:
        async for record in self._subscription:
            self.records.append(record)

    def of(self, kind: type[Any]) -> list[Any]:
        return [record for record in self.records if isinstance(record, kind)]

    async def end(self) -> None:
        """Wait until all that was told has come, then stop."""
        await asyncio.sleep(0)
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
