"""How long a person waits for the dashboard: with 16 full lines behind it, and for its first paint.

It runs on a real pseudo-terminal; a key counts as painted when the text that it brings is read from there.
What the far end counted as taken from it is the reference for the bytes. A key is held to the bar itself; by
it stands how long its thread waited for a processor, which is nothing on a machine that has no other work.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import pytest

from profiles.library import find
from tests.bench.figures import Figure, print_table
from tests.bench.screens import TimedScreen
from tests.bench.test_bench_listening import FarEnd
from tests.peers.mosquitto import Mosquitto
from tests.tui.conftest import Desk

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]

_LINES = 16
_KEYS = int(os.environ.get("LINEWARDEN_DASHBOARD_KEYS", "200"))
_ROOT = Path(__file__).resolve().parents[2]
_F2, _F3, _F6, _CTRL_Q = "\x1bOQ", "\x1bOR", "\x1b[17~", "\x11"


def _environment(desk: Desk) -> dict[str, str]:
    # As it is installed: compiled once, not anew in each run.
    return {name: value for name, value in desk.environment.items() if name != "PYTHONDONTWRITEBYTECODE"}


def _p99(times: list[float]) -> float:
    return statistics.quantiles(times, n=100)[98]


def test_a_key_with_sixteen_full_lines_behind_it(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
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
        told = tmp_path / "told.json"
        words = [sys.executable, "-m", "tests.bench.live_dashboard", "site.toml", "state", str(told)]
        screen = TimedScreen(words, tmp_path, _environment(desk))
        screen.first("type a unit's number")
        far.order("go")
        screen.drain(3.0)
        cpu, waited, began = screen.cpu, screen.waited, time.perf_counter()
        units = []
        screen.press("j", "(amp-0,")
        for number in range(_KEYS // 2):
            units.append(screen.press("k" if number % 2 else "j", f"(amp-{(number + 1) % 2},"))
            screen.drain(0.05)
        screen.press(_F3, "Traffic")
        traffic = []
        for number in range(_KEYS // 2):
            traffic.append(screen.press(" ", "go on" if number % 2 == 0 else "hold"))
            screen.drain(0.05)
        took = time.perf_counter() - began
        share, waiting = (screen.cpu - cpu) / took, (screen.waited - waited) / took
        far.order("stop")
        taken = [line["taken"] for line in far.read()["lines"]]
        screen.drain(2.0)
        assert screen.leave(_CTRL_Q) == 0
    finally:
        far.close()
        desk.close()
    document = json.loads(told.read_text())
    heard = [document["heard"][f"bus-{n}"] for n in range(_LINES)]
    held = [document["held"].get(f"bus-{n}", 0) for n in range(_LINES)]
    assert heard == taken
    uncounted = sum(heard) - sum(held) if not document["missed"] else float("nan")
    figures = [
        Figure(
            "a key on the units, painted (p99)",
            f"median {statistics.median(units) * 1000:.0f} ms",
            f"no processor for {waiting:.0%} of the time",
            _p99(units) * 1000,
            100,
            "ms",
        ),
        Figure(
            "a key on the traffic, painted (p99)",
            f"median {statistics.median(traffic) * 1000:.0f} ms",
            f"no processor for {waiting:.0%} of the time",
            _p99(traffic) * 1000,
            100,
            "ms",
        ),
        Figure("screen and controller", f"{document['rows']:,} rows", "one core", share, 1.0, "cores"),
        Figure(
            "records missed", f"{sum(held):,} bytes held", f"{sum(taken):,} sent", document["missed"], 0, ""
        ),
        Figure("frames uncounted", f"{sum(heard):,} heard", f"{sum(taken):,} sent", uncounted, 0, ""),
    ]
    print_table("The dashboard on 16 saturated lines at 115200 baud", figures)
    assert all(figure.holds for figure in figures)


def test_the_demos_first_paint(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    linewarden = os.path.join(os.path.dirname(sys.executable), "linewarden")  # noqa: PTH118, PTH120 -- keeps the venv's own path
    times, bare = [], []
    for _ in range(9):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import textual.app, pydantic"], check=True)
        bare.append(time.perf_counter() - began)
        screen = TimedScreen([linewarden, "demo"], tmp_path, _environment(desk))
        times.append(screen.first("Before you switch anything"))
        screen.drain(1.0)
        screen.leave(f"\r{_CTRL_Q}")
    desk.close()
    figures = [
        Figure(
            "linewarden demo, first paint (median)",
            f"{min(times):.2f} to {max(times):.2f} s",
            f"{statistics.median(bare):.2f} s for its libraries alone",
            statistics.median(times),
            1.2,
            "s",
        )
    ]
    print_table("First paint", figures)
    assert all(figure.holds for figure in figures)


@pytest.mark.peer("mosquitto")
def test_a_fault_is_on_the_screen(tmp_path: Path) -> None:
    """From the fault to its alert: an adapter is gone, a disk takes nothing, a broker has died."""
    resource = pytest.importorskip("resource", reason="there are no limits on files elsewhere")
    desk = Desk(tmp_path)
    linewarden = os.path.join(os.path.dirname(sys.executable), "linewarden")  # noqa: PTH118, PTH120 -- keeps the venv's own path
    with Mosquitto(tmp_path / "mosquitto") as broker:
        words = [linewarden, "demo", "--broker", broker.settings.shown]
        screen = TimedScreen(words, tmp_path, _environment(desk), (100, 30))
        screen.first("Before you switch anything")
        screen.press("\r", "everything off")
        screen.drain(1.0)
        screen.press(_F6, "orders go to bus")
        screen.press("\t", "")
        screen.type("unplug")
        adapter = screen.press("\r", "1 alert")
        screen.type("plug")
        screen.press("\r", "all well")
        screen.press(_F2, "X")
        _, most = resource.prlimit(screen.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(screen.pid, resource.RLIMIT_FSIZE, (0, most))
        screen.press("1", "Stage mixer")
        disk = screen.press("o", "the journal can't be written")
        resource.prlimit(screen.pid, resource.RLIMIT_FSIZE, (most, most))
        screen.press("f", "all well", patience=30)
        began = time.perf_counter()
        broker.kill()
        screen.press("", "MQTT broker")
        lost = time.perf_counter() - began
        assert screen.leave(_CTRL_Q) == 0
    desk.close()
    times = (("an adapter that is gone", adapter), ("a disk that is full", disk), ("a dead broker", lost))
    figures = [Figure(f"{what}, on the screen", "", "", took, 2.0, "s") for what, took in times]
    print_table("Faults on the screen", figures)
    assert all(figure.holds for figure in figures)
