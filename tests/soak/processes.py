"""A controller in a process of its own, and what it holds: memory, threads, handles."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from controller.local_client import LocalClient
from tests.tui.conftest import Desk, Program


@dataclass(frozen=True)
class Held:
    """What a process holds, as Linux tells it: proc_pid_status(5), proc_pid_task(5), proc_pid_fd(5)."""

    memory_kb: int
    threads: int
    handles: int

    def __str__(self) -> str:
        return f"{self.memory_kb / 1024:.1f} MB, {self.threads} threads, {self.handles} handles"

    @classmethod
    def by(cls, pid: int) -> Held:
        """What a process holds now."""
        folder = Path(f"/proc/{pid}")
        status = dict(
            line.split(":", 1) for line in (folder / "status").read_text().splitlines() if ":" in line
        )
        return cls(
            int(status["VmRSS"].split()[0]),
            len(list((folder / "task").iterdir())),
            len(list((folder / "fd").iterdir())),
        )


@dataclass
class Running:
    """A running controller."""

    program: Program
    client: LocalClient

    def held(self) -> Held:
        """What it holds now."""
        return Held.by(self.program.pid)


@contextlib.asynccontextmanager
async def running(desk: Desk, site: Path, state: Path) -> AsyncIterator[Running]:
    """``linewarden run`` of a site, and a front end of it."""
    program = desk.start("run", "--site", str(site), "--state", str(state))
    await asyncio.to_thread(program.until, "running; nothing was sent")
    async with await LocalClient.connect(state) as client:
        yield Running(program, client)
    assert program.end() == 0


_POOL = 6
"""Threads that asyncio begins when two files are first looked at at once, and keeps: four more than there are
cores (concurrent.futures), here two. What leaks a thread a command, or an unplug, leaks hundreds."""


def check_nothing_grew(warm: Held, last: Held) -> None:
    """Memory within 5 %, no thread beyond asyncio's own pool, and not a handle more."""
    assert last.memory_kb <= warm.memory_kb * 1.05, (warm, last)
    assert last.threads <= warm.threads + _POOL, (warm, last)
    assert last.handles <= warm.handles, (warm, last)
