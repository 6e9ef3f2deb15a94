"""For every test of the controller: nothing of it may outlive it, and nothing of the developer's is seen."""

from __future__ import annotations

import gc
import os
import threading
import time
from collections.abc import Callable, Generator, Iterator
from pathlib import Path

import pytest

from controller.journal_store import JournalStore
from controller.simulator.registry import names
from controller.simulator.runner import shared_runner

_PATIENCE = 3.0
"""Seconds that what is ending anyway has to end."""
_LIVES_ON = "simulator"
"""The thread that runs all simulated lines of a process; it has nothing of any one test."""
_DESCRIPTORS = Path("/proc/self/fd")


def _descriptors() -> dict[str, str]:
    """What is open, by number; nothing where the system does not tell."""
    found = {}
    if _DESCRIPTORS.is_dir():
        for link in _DESCRIPTORS.iterdir():
            try:
                found[link.name] = str(link.readlink())
            except OSError:
                continue  # the one that the list was read through
    return found


def _left(before: tuple[set[threading.Thread], dict[str, str], set[str]]) -> list[str]:
    threads, descriptors, lines = before
    left = [f"thread {t.name}" for t in threading.enumerate() if t not in threads and t.name != _LIVES_ON]
    left += [
        f"descriptor {number}: {what}"
        for number, what in _descriptors().items()
        if descriptors.get(number) != what
    ]
    return left + [f"simulated line {name}" for name in set(names()) - lines]


def _until_none(left: Callable[[], list[str]]) -> list[str]:
    end = time.monotonic() + _PATIENCE
    while (found := left()) and time.monotonic() < end:
        gc.collect()
        time.sleep(0.01)  # what ends in another thread has no event to wait for
    return found


_FAILED = pytest.StashKey[bool]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Keep in mind whether a test failed: what its traceback holds is no leak."""
    report = yield
    if report.failed:
        item.stash[_FAILED] = True
    return report


@pytest.fixture(autouse=True)
def nothing_leaks(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a test that leaves a thread, a descriptor or a simulated line behind."""
    shared_runner()
    before = (set(threading.enumerate()), _descriptors(), set(names()))
    yield
    if request.node.stash.get(_FAILED, False):
        return
    left = _until_none(lambda: _left(before))
    assert not left, "left behind: " + "; ".join(left)


@pytest.fixture(autouse=True)
def nobody_at_home(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hide the developer's own folders and environment."""
    home = tmp_path_factory.getbasetemp() / "nobody"
    for name in ("HOME", "USERPROFILE", "APPDATA", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(home))
    for name in [name for name in os.environ if name.startswith(("XDG_", "LINEWARDEN_"))]:
        monkeypatch.delenv(name)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[JournalStore]:
    """A journal's store with nothing in it, at ``state/journal.sqlite``."""
    store = JournalStore(tmp_path / "state" / "journal.sqlite", now=1.0)
    yield store
    store.close()
