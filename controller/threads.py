"""Threads whose names the system knows too: ``ps -L`` and ``top -H`` show which of them is at work."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

__all__ = ["named_pool", "named_thread", "show_name"]

_LONGEST = 15
"""Bytes of a thread's name that Linux keeps: proc_pid_comm(5), TASK_COMM_LEN less its zero byte."""


def named_thread(work: Callable[[], object], name: str) -> threading.Thread:
    """A thread, not started yet, that does not keep the program alive.

    Args:
        work: what it does.
        name: its name; the system shows the first 15 bytes of it.
    """

    def run() -> None:
        show_name()
        work()

    return threading.Thread(target=run, name=name, daemon=True)


def named_pool(name: str, threads: int | None = None) -> ThreadPoolExecutor:
    """A pool whose threads are called NAME_0, NAME_1 and so on.

    Args:
        name: their name.
        threads: how many at most; None for as many as Python takes by itself.
    """
    return ThreadPoolExecutor(threads, thread_name_prefix=name, initializer=show_name)


def show_name() -> None:
    """Tell the system the name of the thread that calls this; does nothing where that can't be done.

    Python does it by itself from 3.14 on.
    """
    if sys.platform != "linux":
        return
    thread = threading.current_thread()
    with contextlib.suppress(OSError):
        kept = Path(f"/proc/self/task/{thread.native_id}/comm")
        kept.write_bytes(thread.name.encode()[:_LONGEST])
