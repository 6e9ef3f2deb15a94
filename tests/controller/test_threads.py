"""Threads whose names the system knows."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

import pytest

from controller.threads import named_pool, named_thread

_linux = pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a thread's name in /proc")


def _name_in_system() -> str:
    """How Linux calls the thread that asks: proc_pid_comm(5)."""
    return Path(f"/proc/self/task/{threading.get_native_id()}/comm").read_text().rstrip("\n")


@_linux
@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("link hall", "link hall"),
        # 16 bytes with the zero byte at the end: TASK_COMM_LEN in proc_pid_comm(5).
        ("link the-small-stage", "link the-small-"),
    ],
)
def test_system_knows_a_threads_name(name: str, shown: str) -> None:
    seen: list[str] = []
    thread = named_thread(lambda: seen.append(_name_in_system()), name)
    thread.start()
    thread.join()
    assert (thread.name, thread.daemon, seen) == (name, True, [shown])


@_linux
def test_system_knows_a_pools_threads() -> None:
    own = _name_in_system()
    with named_pool("files", 1) as pool:
        assert pool.submit(_name_in_system).result() == "files_0"
    assert _name_in_system() == own
