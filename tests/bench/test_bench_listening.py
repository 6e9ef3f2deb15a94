"""One controller that listens to 16 saturated lines at 115200 baud, delivered in batches of 5 ms.

The lines are in a process of their own; the CPU time is this process's, the controller and nothing else. The
reference for the bytes is what the far end counted as taken from it.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from controller.records import Known, Traffic
from controller.service import Controller
from controller.site import load_site
from profiles.library import find
from tests.bench.figures import Figure, print_table

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

_LINES = 16
_SECONDS = float(os.environ.get("LINEWARDEN_LISTEN_SECONDS", "30"))
_WARM_UP = 25.0
"""Seconds until all that is kept to look back on is full, so that memory should grow no more."""
_ROOT = Path(__file__).resolve().parents[2]


class FarEnd:
    """The saturated lines."""

    def __init__(self, profile: Path) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.saturated_lines", str(profile), str(_LINES), "0.005"],
            cwd=_ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            bufsize=1,
        )
        hello = self.read()
        self.paths: list[str] = hello["paths"]
        self.said = bytes.fromhex(hello["said"])
        """What each line says, over and over."""

    def read(self) -> Any:
        assert self._process.stdout is not None
        return json.loads(self._process.stdout.readline())

    def order(self, word: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(word + "\n")
        self._process.stdin.flush()

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(20)
        self._process.stdout.close()


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


class Order:
    """Holds what a front end is told of each bus to what its line says, byte by byte."""

    def __init__(self, said: bytes) -> None:
        self._size = len(said)
        self._said = said * (4096 // len(said) + 2)
        self.heard: dict[str, int] = {}
        self.faults: list[str] = []
        self.told = 0
        """Messages that were understood."""

    async def follow(self, controller: Controller) -> None:
        async for record in controller.subscribe(frozenset(("Traffic",))):
            if not isinstance(record, Traffic):
                self.faults.append(f"{record}")
                continue
            place = self.heard.get(record.bus, 0)
            start = place % self._size
            if record.data != self._said[start : start + len(record.data)]:
                self.faults.append(f"{record.bus} at byte {place}: {record.data.hex()}")
            self.heard[record.bus] = place + len(record.data)
            self.told += record.meaning.count("; ") + 1 if record.meaning else 0


async def _listen(site: Path, state: Path, far: FarEnd) -> tuple[float, list[dict[str, int]], float]:
    """The share of a core, each bus's counters, and how much memory grew after the warm-up."""
    controller = await Controller.open(load_site(site), state)
    try:
        await controller.ready()
        order = Order(far.said)
        following = asyncio.create_task(order.follow(controller))
        await asyncio.sleep(0)
        far.order("go")
        await asyncio.sleep(_WARM_UP)
        began, cpu, memory = time.perf_counter(), time.process_time(), _resident_mb()
        await asyncio.sleep(_SECONDS)
        share = (time.process_time() - cpu) / (time.perf_counter() - began)
        grown = _resident_mb() - memory
        far.order("stop")
        await asyncio.sleep(1.5)  # what is on its way arrives, and half messages are given up
        counters = [bus.counters for bus in await controller.buses()]
        states = await controller.states()
        following.cancel()
        await asyncio.gather(following, return_exceptions=True)
        assert order.faults == []
        assert order.heard == {f"bus-{n}": bus["bytes_heard"] for n, bus in enumerate(counters)}
        # Every message of the chain that a unit says by itself has five bytes.
        assert order.told == sum(order.heard.values()) // 5
        assert all(unit["volume"].known is Known.OBSERVED for unit in states.values())
        return share, counters, grown
    finally:
        await controller.close()


def test_sixteen_saturated_lines(tmp_path: Path) -> None:
    profile = tmp_path / "fast-chain.toml"
    text = find("pellgate-chain").text().replace("baud = 4800", "baud = 115200")
    profile.write_text(text.replace('name = "pellgate-chain"', 'name = "fast-chain"'))
    far = FarEnd(profile)
    try:
        site = ['[site]\nid = "larkfield-hall"\n']
        for number, path in enumerate(far.paths):
            site.append(
                f'[buses.bus-{number}]\nport = "{path}"\nprofile = "fast-chain.toml"\ntopology = "tap"\n'
            )
            site.append(f'[units.amp-{number}]\nbus = "bus-{number}"\naddress = 1\n')
        (tmp_path / "site.toml").write_text("\n".join(site))
        share, counters, grown = asyncio.run(_listen(tmp_path / "site.toml", tmp_path / "state", far))
        told = far.read()
    finally:
        far.close()
    heard = [bus["bytes_heard"] for bus in counters]
    taken = [line["taken"] for line in told["lines"]]
    assert heard == taken
    assert not any(line["lost"] for line in told["lines"])
    assert not any(bus["bytes_unexplained"] for bus in counters)
    rate = sum(heard) / (_SECONDS + _WARM_UP) / _LINES
    figures = [
        Figure("share of one core in the controller", f"{share:.0%}", f"{_LINES} lines", share, 0.6, "cores"),
        Figure("bytes a second a line", f"{rate:.0f}", "11520", 11520 / rate, 1.05),
        Figure("memory grown", f"{grown:.1f} MB", f"{_SECONDS:g} s", grown, 10, "MB"),
    ]
    print_table("Listening to 16 saturated lines at 115200 baud", figures)
    assert all(figure.holds for figure in figures)
