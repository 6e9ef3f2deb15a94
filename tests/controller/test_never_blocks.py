"""The event loop waits for no file: whatever is asked of a running controller, another thread opens it."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from controller.api import JournalQuery
from controller.records import Command, Result
from tests.controller.halls import ADA, RING, act, ring, running, shipped

_FILES = ("open", "sqlite3.connect", "os.rename", "os.remove", "os.listdir", "os.scandir", "os.mkdir")
_watched: list[tuple[int, list[str]]] = []


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    """Note what opens a file in a thread that is watched. There is no taking an audit hook away again."""
    if _watched and event in _FILES and threading.get_ident() == _watched[-1][0]:
        name = str(arguments[0])
        # Modules are loaded when they are first needed, from where they are installed.
        if not name.startswith((sys.prefix, sys.base_prefix)) and not name.endswith((".py", ".pyc")):
            _watched[-1][1].append(f"{event} {name}")


@pytest.fixture(scope="module", autouse=True)
def audited() -> None:
    sys.addaudithook(_hook)


@contextmanager
def files_opened_here() -> Iterator[list[str]]:
    """What this thread opens meanwhile."""
    _watched.append((threading.get_ident(), []))
    try:
        yield _watched[-1][1]
    finally:
        _watched.pop()


def test_the_watch_sees_what_is_opened_here_and_nothing_else(tmp_path: Path) -> None:
    with files_opened_here() as opened:
        elsewhere = threading.Thread(target=lambda: (tmp_path / "a").write_text("a"))
        elsewhere.start()
        elsewhere.join()
        assert opened == []
        (tmp_path / "b").write_text("b")
        assert opened == [f"open {tmp_path / 'b'}"]


async def test_whatever_is_asked_no_file_is_opened_in_the_event_loop(tmp_path: Path) -> None:
    loaded = ring(tmp_path, RING)
    async with running(loaded, tmp_path / "state") as controller:
        await controller.probe("sound")  # loads what is loaded when it is first needed
        with files_opened_here() as opened:
            assert (await act(controller, "mixer", "power-on")).result is Result.CONFIRMED
            assert (await act(controller, "mixer", "set-volume", level=99)).result is Result.REFUSED
            raw = Command("sound", "", origin=ADA, raw=b"\xa5\x01\x40\x41")
            assert (await controller.submit(raw)).result is Result.CONFIRMED
            await controller.all_off(None, ADA)
            lock = await controller.lock("mixer", "Kim", "fuse")
            await controller.unlock(lock.id)
            await controller.presume("mixer", "volume", 3, ADA)
            await controller.simulate("sound", "cut 1")
            assert (await act(controller, "mixer", "mute-on")).result is Result.FAILED
            await controller.simulate("sound", "clear all")
            await controller.probe("sound")
            assert len(await controller.journal(JournalQuery(traffic=True))) > 5
            await controller.profile("pellgate-chain")
            text = await controller.profile("chain.toml")
            changed = text.text.replace("baud = 38400", "baud = 19200")
            await controller.put_profile("chain.toml", changed, text.revision)
            for look in (controller.site, controller.states, controller.buses, controller.alerts):
                await look()
        assert opened == []


async def test_neither_is_one_while_it_starts_and_ends(tmp_path: Path) -> None:
    loaded = ring(tmp_path)
    async with running(loaded, tmp_path / "warm"):
        pass
    with files_opened_here() as opened:
        async with running(loaded, tmp_path / "state") as controller:
            assert (await act(controller, "mixer", "mute-on")).result is Result.CONFIRMED
        async with running(loaded, tmp_path / "state") as controller:
            assert shipped("pellgate-chain") != ""
    assert opened == []
