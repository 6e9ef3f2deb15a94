"""A bus that does not move is told of, and no sign of life is given for it."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller import bus as bus_module
from controller import upkeep
from controller.port_io import Port
from controller.records import Result
from controller.service import Controller
from controller.service_manager import ServiceManager
from tests.controller.halls import act, ring, running, until
from tests.controller.lines import RING, line
from tui.unattended import Unattended


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bus_module, "_NO_SIGN", 3.0)
    monkeypatch.setattr(upkeep, "_LOOK", 0.02)


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[threading.Event, threading.Event]]:
    """A driver whose reads hang: (let them hang, let them go on)."""
    hang, go_on = threading.Event(), threading.Event()
    read = Port.read

    def reading(port: Port) -> bytes:
        if hang.is_set():
            go_on.wait(30)
        return read(port)

    monkeypatch.setattr(Port, "read", reading)
    yield hang, go_on
    go_on.set()


@pytest.mark.slow
async def test_a_thread_that_hangs_in_its_driver_is_told_of_until_it_moves(
    tmp_path: Path, impatient: None, hanging: tuple[threading.Event, threading.Event]
) -> None:
    hang, go_on = hanging
    async with line(RING, "pty", tmp_path) as hall:
        assert (await act(hall.api, "unit-1", "standby")).result is Result.CONFIRMED
        assert hall.api.stuck() == {}
        hang.set()
        await hall.order("press 1 set-volume level=9")  # something to read
        await until(lambda: any(alert.id == "stuck-bus" for alert in hall.api._alerts.standing()))
        assert "has given no sign for" in hall.api.stuck()["bus"]
        assert (await hall.api.health()).buses == {"bus": "stuck"}
        hang.clear()
        go_on.set()
        await until(lambda: not hall.api._alerts.standing())
        assert hall.api.stuck() == {}


@pytest.mark.slow
async def test_a_bus_without_its_adapter_moves_all_the_same(tmp_path: Path, impatient: None) -> None:
    """Waiting for a port that is not there gives its signs too."""
    async with line(RING, "pty", tmp_path) as hall:
        await hall.order("unplug")
        await asyncio.sleep(4.0)
        assert hall.api.stuck() == {}
        assert [alert.id for alert in hall.api._alerts.standing()] == ["link-bus"]


async def test_no_sign_of_life_is_given_for_a_controller_that_is_stuck(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    loaded = ring(tmp_path)
    stuck: dict[str, str] = {}
    monkeypatch.setattr(Controller, "stuck", lambda _: stuck)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(tmp_path / "notify"))
        listening.setblocking(False)
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "30000"})
        async with running(loaded, tmp_path / "state") as controller:
            giving = asyncio.create_task(Unattended(loaded, None, manager)._give_signs(controller))
            loop = asyncio.get_running_loop()
            assert await loop.sock_recv(listening, 100) == b"WATCHDOG=1"
            stuck["sound"] = "the thread that serves its adapter has ended"
            await until(lambda: "no sign of life: bus sound: the thread" in caplog.text)
            with contextlib.suppress(BlockingIOError):
                while listening.recv(100):
                    pass  # those that were given before
            caplog.clear()
            await until(lambda: caplog.text.count("no sign of life") >= 3)
            with pytest.raises(BlockingIOError):
                listening.recv(100)
            stuck.clear()
            assert await loop.sock_recv(listening, 100) == b"WATCHDOG=1"
            giving.cancel()
            await asyncio.gather(giving, return_exceptions=True)
        manager.close()
