"""A 20-frame action in lockstep round four units on a pty, the chain in a process of its own.

The reference is the least time that the wire allows: 20 frames x (4 + 1) frame times. N is known, and not
measured.
"""

from __future__ import annotations

import asyncio
import statistics
from pathlib import Path

import pytest

from controller.records import Command, Known, Result
from controller.service import Controller
from controller.site import load_site
from tests.bench.figures import Figure, print_table
from tests.tui.conftest import Desk

pytestmark = pytest.mark.bench

_RUNS = 20
_UNITS = 4
_BARS = {4800: 1.06, 19200: 1.15, 115200: 1.6}
_MESSAGE = " ".join(f"{0xA0 + place:02X}" for place in range(20))

PROFILE = """
schema = 1
name = "twenty"

[line]
baud = {baud}

[confirm]
method = "loop"
retries = 0

[states.power]
type = "boolean"
set = {{ true = "power-on" }}

[actions.power-on]
effect = "energise"
send = [{{ hex = "{message}" }}]
sets = {{ power = true }}
"""

SITE = """
[site]
id = "larkfield-hall"

[buses.hall]
port = "{port}"
profile = "twenty.toml"
topology = "ring"
units_expected = 4
adapter_latency_ms = {latency}
adapter_jitter_ms = {jitter}

[units.amp]
bus = "hall"
"""


async def _measure(folder: Path, baud: int, latency: float) -> tuple[float, list[int | None], list[Result]]:
    """The median of took over least, what was said of the units, and how each ended."""
    desk = Desk(folder)
    desk.write("twenty.toml", PROFILE.format(baud=baud, message=_MESSAGE))
    link = str(folder / "line")
    desk.write("site.toml", SITE.format(port=link, latency=latency, jitter=max(latency, 0.6)))
    try:
        chain = desk.start(
            *("sim", "--profile", "twenty.toml", "--units", str(_UNITS), "--topology", "ring"),
            *("--link", link, "--latency-ms", str(latency)),
        )
        assert chain.line() == link
        controller = await Controller.open(load_site(folder / "site.toml"), folder / "state")
        try:
            await controller.ready()
            outcomes = [await controller.submit(Command("amp", "power-on")) for _ in range(_RUNS)]
            assert (await controller.states())["amp"]["power"].known is Known.CONFIRMED
        finally:
            await controller.close()
    finally:
        desk.close()
    ratios = [(outcome.took_ms or 0) / (outcome.wire_ms or 1) for outcome in outcomes]
    return statistics.median(ratios), [o.units_answering for o in outcomes], [o.result for o in outcomes]


def test_lockstep_round_four_units(tmp_path: Path) -> None:
    figures = []
    for baud, bar in _BARS.items():
        for latency in (0.0, 1.0, 16.0):
            folder = tmp_path / f"{baud}-{latency:g}"
            folder.mkdir()
            ratio, answering, results = asyncio.run(_measure(folder, baud, latency))
            assert set(results) == {Result.CONFIRMED}
            # Right, or "can't tell", and never wrong.
            assert set(answering) <= {_UNITS, None}
            told = sum(each is not None for each in answering)
            least = 20 * (_UNITS + 1) * 10 / baud * 1000
            figures.append(
                Figure(
                    f"{baud} baud, adapter {latency:g} ms, units told in {told} of {_RUNS}",
                    f"{ratio * least:.1f} ms",
                    f"{least:.1f} ms",
                    ratio,
                    bar if latency == 0 else None,
                )
            )
    print_table("A 20-frame action round 4 units, median of 20", figures)
    assert all(figure.holds for figure in figures)
