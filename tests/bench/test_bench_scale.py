"""Up to 200 sites with 4,000 units at one Mosquitto: what they cost, and whether that grows as they do.

The sites are simulated and share a few processes; an independent subscriber, mosquitto_sub, says when all of
them are announced. It ends by itself: a size that does not fit into the time any more is left out.
"""

from __future__ import annotations

import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.bench.broker_client import Client, used_cpu, used_memory
from tests.bench.figures import Figure, print_table
from tests.bench.many_sites import UNITS
from tests.bench.scale_rig import CONFIG, Latency, ManySites, Readiness, commands
from tests.bench.screens import TimedScreen
from tests.peers.mosquitto import Mosquitto
from tests.tui.conftest import Desk

pytestmark = [
    pytest.mark.bench,
    pytest.mark.peer("mosquitto", "mosquitto_sub"),
    pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="what is used is read from /proc"),
    pytest.mark.timeout(300),
]

SIZES = tuple(int(size) for size in os.environ.get("LINEWARDEN_SCALE", "25,50,100,200").split(","))
_WITHIN = 180.0
"""Seconds for all sizes; a size takes about a fifth of a second a site, and 20 seconds."""
_REST = 3.0
_OUTAGE = 1.0
_AT_REST = 30
_SECONDS = 4
_KEYS = 40
_STILL = 100
"""Packets between two looks."""
_CTRL_Q = "\x11"


@dataclass
class Measured:
    """What one size has cost. Seconds, MB, cores and CPU seconds; of the sites all together."""

    sites: int
    opened: float = 0.0
    announced: float = 0.0
    again: float = 0.0
    """From the broker's return until all are announced again."""
    packets: float = 0.0
    """That the broker took in for announcing, and MB in them."""
    megabytes: float = 0.0
    broker_memory: float = 0.0
    broker_announcing: float = 0.0
    broker_rest: float = 0.0
    rest_packets: float = 0.0
    """A second, in and out, at rest."""
    sites_memory: float = 0.0
    sites_announcing: float = 0.0
    """With opening them."""
    sites_rest: float = 0.0
    rest: Latency | None = None
    loaded: dict[int, Latency] = field(default_factory=dict)
    """By commands a second."""
    load: dict[int, tuple[float, float]] = field(default_factory=dict)
    """Cores that the broker and the sites took for it."""
    known: dict[str, float] = field(default_factory=dict)
    """Of the dashboard, when it showed all units: seconds, CPU seconds and MB."""
    dash_rest: float = 0.0
    dash_command: float = 0.0
    """For each command that goes by."""
    keys: list[float] = field(default_factory=list)


class _Counted:
    """The broker's own counters."""

    def __init__(self, broker: Mosquitto) -> None:
        self._client = Client(broker, "$SYS/broker/messages/+", "$SYS/broker/bytes/+")
        self._now: dict[str, float] = {}

    def now(self) -> dict[str, float]:
        """All of them, after the next time that it tells them."""
        time.sleep(1.5)
        while not self._client.heard.empty():
            topic, payload, _, _ = self._client.heard.get()
            self._now[topic.removeprefix("$SYS/broker/")] = float(payload)
        return dict(self._now)

    def still(self) -> dict[str, float]:
        """The same, once hardly any message is on its way any more."""
        before = self.now()
        for _ in range(5):
            after = self.now()
            if after["messages/received"] - before["messages/received"] < _STILL:
                break
            before = after
        return after

    def close(self) -> None:
        """Hang up."""
        self._client.close()


class _Spent:
    """CPU seconds of the broker and of the sites since it was made."""

    def __init__(self, broker: Mosquitto, many: ManySites) -> None:
        self._broker, self._many = broker, many
        self._at, self._broker_then, self._sites_then = time.perf_counter(), used_cpu(broker.pid), many.cpu

    @property
    def seconds(self) -> tuple[float, float]:
        """The broker's, and the sites'."""
        return used_cpu(self._broker.pid) - self._broker_then, self._many.cpu - self._sites_then

    @property
    def cores(self) -> tuple[float, float]:
        """The same for each second that went by."""
        took = time.perf_counter() - self._at
        broker, sites = self.seconds
        return broker / took, sites / took


def _measure(folder: Path, sites: int) -> Measured:
    """Everything of one size."""
    folder.mkdir()
    found = Measured(sites)
    with Mosquitto(folder / "mosquitto", CONFIG) as broker, ManySites(folder, broker, sites) as many:
        found.opened = many.opened_in
        _announce(found, broker, many)
        found.rest = commands(broker, sites, None, _AT_REST)
        dash = _Dashboard(folder, broker, many.units)
        found.known, found.dash_rest = dash.known, dash.rest
        for rate in (sites // 4, sites // 2) if sites == max(SIZES) else (sites // 2,):
            spent, before, began = _Spent(broker, many), dash.cpu, time.perf_counter()
            found.loaded[rate] = commands(broker, sites, rate, rate * _SECONDS, dash.read)
            found.load[rate] = spent.cores
            idle = found.dash_rest * (time.perf_counter() - began)
            found.dash_command = (dash.cpu - before - idle) / (rate * _SECONDS)
        found.keys = dash.keys()
        dash.leave()
        found.broker_memory, found.sites_memory = used_memory(broker.pid), many.memory
        broker.stop()
        time.sleep(_OUTAGE)
        began = time.time()
        broker.start()
        ready = Readiness(broker, many.devices)
        found.again = ready.until_all() - began
        ready.close()
    return found


def _announce(found: Measured, broker: Mosquitto, many: ManySites) -> None:
    """All sites come at once; then nothing happens for a while."""
    counted, ready = _Counted(broker), Readiness(broker, many.devices)
    before, spent = counted.now(), _Spent(broker, many)
    began = many.announce()
    found.announced = ready.until_all() - began
    ready.close()
    found.broker_announcing, found.sites_announcing = spent.seconds[0], many.cpu
    after = counted.still()
    found.packets = after["messages/received"] - before["messages/received"]
    found.megabytes = (after["bytes/received"] - before["bytes/received"]) / 1e6
    spent, began = _Spent(broker, many), time.perf_counter()
    time.sleep(_REST)
    found.broker_rest, found.sites_rest = spent.cores
    rested = counted.now()
    way = ("messages/received", "messages/sent")
    found.rest_packets = sum(rested[name] - after[name] for name in way) / (time.perf_counter() - began)
    counted.close()


class _Dashboard:
    """The dashboard on all of them, on a terminal."""

    def __init__(self, folder: Path, broker: Mosquitto, units: int) -> None:
        self._units = units
        told = folder / "told.json"
        words = ["-m", "tests.bench.far_dashboard", str(broker.port), str(units), str(told)]
        desk = Desk(folder)
        self._screen = TimedScreen([sys.executable, *words], folder, desk.environment)
        self._screen.first("type a unit's number")
        until = time.perf_counter() + 60
        while not told.exists():
            assert time.perf_counter() < until, "the dashboard has not come to know all units"
            self._screen.drain(0.1)
        self._screen.drain(1.0)
        self.known: dict[str, float] = json.loads(told.read_text())
        cpu, at = self.cpu, time.perf_counter()
        self._screen.drain(_REST)
        self.rest = (self.cpu - cpu) / (time.perf_counter() - at)
        """Of one core."""

    @property
    def cpu(self) -> float:
        """CPU seconds that it has used."""
        return self._screen.cpu

    def read(self) -> None:
        """Take in what it has painted: where nobody does, it waits."""
        self._screen.drain(0.0)

    def keys(self) -> list[float]:
        """Seconds from a key to its paint: to the next unit and back, at the end of the list."""
        self._screen.type(str(self._units - 1))
        self._screen.drain(1.0)
        last = (self._units - 1) % UNITS
        times = []
        for number in range(_KEYS):
            key, unit = ("k", last - 1) if number % 2 else ("j", last)
            times.append(self._screen.press(key, f"u{unit},"))
            self._screen.drain(0.05)
        return times

    def leave(self) -> None:
        """End it."""
        assert self._screen.leave(_CTRL_Q) == 0


def _figures(measured: Sequence[Measured]) -> list[Figure]:
    most = measured[-1]
    sites = most.sites

    def rest(each: Measured) -> Latency:
        assert each.rest is not None
        return each.rest

    def loaded(each: Measured) -> Latency:
        return each.loaded[each.sites // 2]

    def row(
        what: str, value: Callable[[Measured], float], bar: float | None, unit: str, ours: str = ""
    ) -> Figure:
        # The largest size's figure, the smaller ones beside it: so that growth can be seen.
        smaller = ", ".join(f"{each.sites}: {value(each):.3g}" for each in measured[:-1])
        return Figure(what, ours, smaller, value(most), bar, unit)

    whole, slowest = Latency.words(rest(most).whole)
    full, full_slowest = Latency.words(loaded(most).whole)
    said = f"{most.packets:,.0f} packets, {most.megabytes:.1f} MB"
    return [
        row("announced, all at once", lambda m: m.announced, sites / 20, "s", said),
        row("announced again when the broker is back", lambda m: m.again, 3 + sites / 20, "s"),
        row("broker, for announcing, CPU a site", lambda m: 1000 * m.broker_announcing / m.sites, 20, "ms"),
        row("broker, memory", lambda m: m.broker_memory, 10 + sites / 2, "MB"),
        row(
            "broker, at rest",
            lambda m: m.broker_rest,
            0.1,
            "cores",
            f"{most.rest_packets:.0f} packets a second",
        ),
        row(
            "sites, opened and announced, CPU a site",
            lambda m: 1000 * m.sites_announcing / m.sites,
            500,
            "ms",
        ),
        row("sites, memory a site", lambda m: m.sites_memory / m.sites, 10, "MB"),
        row("sites, at rest, a site", lambda m: 1000 * m.sites_rest / m.sites, 3, "cores/1000"),
        row(
            "a command at rest, beyond the line (median)",
            lambda m: Latency.words(rest(m).beyond)[0],
            20,
            "ms",
            f"set to outcome {whole:.0f} ms, p99 {slowest:.0f} ms",
        ),
        row(
            "the same, one in two seconds a site",
            lambda m: Latency.words(loaded(m).beyond)[0],
            50,
            "ms",
            f"set to outcome {full:.0f} ms, p99 {full_slowest:.0f} ms",
        ),
        row("the same, p99", lambda m: Latency.words(loaded(m).beyond)[1], 300, "ms"),
        row("broker, one command in two seconds a site", lambda m: m.load[m.sites // 2][0], 0.3, "cores"),
        row(
            "sites, one command in two seconds a site",
            lambda m: m.load[m.sites // 2][1],
            None,
            "cores",
            "with the gear",
        ),
        row("dashboard, all units known", lambda m: m.known["seconds"], 3 + sites / 20, "s"),
        row("dashboard, CPU until then", lambda m: m.known["cpu"], 2 + sites / 25, "s"),
        row("dashboard, memory", lambda m: m.known["memory"], 150, "MB"),
        row("dashboard, at rest", lambda m: m.dash_rest, 0.15, "cores"),
        row("dashboard, for each command that goes by", lambda m: 1000 * m.dash_command, 10, "ms"),
        row(
            "a key on the dashboard, painted (p99)",
            lambda m: Latency.words(m.keys)[1],
            100,
            "ms",
            f"median {Latency.words(most.keys)[0]:.0f} ms",
        ),
    ]


def test_up_to_two_hundred_sites_at_one_broker(tmp_path: Path) -> None:
    began = time.perf_counter()
    measured: list[Measured] = []
    # The largest first: it must be there, whatever the time is.
    for sites in sorted(SIZES, reverse=True):
        if measured and time.perf_counter() - began + 30 + sites / 8 > _WITHIN:
            print(f"no time is left for {sites} sites")
            continue
        measured.insert(0, _measure(tmp_path / f"{sites}", sites))
    most = measured[-1]
    figures = _figures(measured)
    title = f"{most.sites} sites, {most.sites * UNITS:,} units at one broker; fewer sites beside it"
    print_table(title, figures, f"{time.perf_counter() - began:.0f} s for all sizes")
    for each in measured:
        for rate, latency in each.loaded.items():
            assert latency.results == {"confirmed": latency.sent}, (each.sites, rate)
    assert all(figure.holds for figure in figures)
