"""A controller in a process of its own, and what it holds: memory, threads, handles."""

from __future__ import annotations

import asyncio
import contextlib
import os
import re
from collections import Counter
from collections.abc import AsyncIterator, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from controller.local_client import LocalClient
from tests.tui.conftest import Desk, Program

_POOL = "files"
"""What the threads of asyncio's pool are called in ``linewarden run``."""


@dataclass(frozen=True)
class Held:
    """What a process holds, as Linux tells it: proc_pid_status(5), proc_pid_task(5), proc_pid_fd(5)."""

    memory_kb: int
    threads: Mapping[str, int]
    """How many threads there are of each name; those of asyncio's pool, files_0 and so on, count as one."""
    handles: int

    def __str__(self) -> str:
        names = ", ".join(f"{count} x {name}" if count > 1 else name for name, count in self.threads.items())
        threads = f"{sum(self.threads.values())} threads ({names})"
        return f"{self.memory_kb / 1024:.1f} MB, {threads}, {self.handles} handles"

    @classmethod
    def by(cls, pid: int) -> Held:
        """What a process holds now."""
        folder = Path(f"/proc/{pid}")
        status = dict(
            line.split(":", 1) for line in (folder / "status").read_text().splitlines() if ":" in line
        )
        return cls(
            int(status["VmRSS"].split()[0]),
            Counter(sorted(_names_of_threads(folder / "task"))),
            len(list((folder / "fd").iterdir())),
        )


def _names_of_threads(tasks: Path) -> Iterator[str]:
    for task in tasks.iterdir():
        with contextlib.suppress(OSError):  # it has ended since
            name = (task / "comm").read_text().strip()
            yield _POOL if re.fullmatch(rf"{_POOL}_\d+", name) else name


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


def check_nothing_grew(warm: Held, last: Held) -> None:
    """Memory within 5 %, the same threads by name, and not a handle more.

    asyncio's pool alone begins a thread whenever more files are looked at at once than ever before, and keeps
    it: up to four more than there are cores, 32 at most (concurrent.futures.ThreadPoolExecutor).
    """
    told = f"when warm: {warm}; at the end: {last}"
    assert last.memory_kb <= warm.memory_kb * 1.05, told
    assert _but_the_pool(last) == _but_the_pool(warm), told
    assert last.threads.get(_POOL, 0) <= min(32, (os.cpu_count() or 1) + 4), told
    assert last.handles <= warm.handles, told


def _but_the_pool(held: Held) -> dict[str, int]:
    return {name: count for name, count in held.threads.items() if name != _POOL}
