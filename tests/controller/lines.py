"""One bus of each kind, on a simulated line behind a ``sim://`` port or behind a real pty."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from controller.records import LinkState
from controller.service import Controller
from controller.simulator.adapter import AdapterFacts
from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from controller.simulator.medium import Topology
from controller.simulator.pty_port import PtyPort
from controller.site import load_site
from tests.controller.halls import Watch, chain_text, compiled, running, shipped, until, write_site

PORTS = ("sim", "pty")


@dataclass(frozen=True)
class Kind:
    """How a bus is built."""

    profile: str
    """The profile's text."""
    topology: str
    units: int
    site: str = ""
    """More keys of the bus in the site file."""
    layout: dict[str, Any] = field(default_factory=dict)
    """More of the simulated line."""


def quicker(name: str, baud: float) -> str:
    """A shipped profile at a higher rate, with one attempt less."""
    text = shipped(name).replace("retries = 2", "retries = 1")
    (line,) = [line for line in text.splitlines() if line.startswith("baud = ")]
    return text.replace(line, f"baud = {baud:g}")


IMPATIENT = chain_text(9600).replace("timeout_ms = 250.0", "timeout_ms = 150.0")

RING = Kind(IMPATIENT, "ring", 3, "units_expected = 3")
PASSING = Kind(IMPATIENT, "ring", 3, "units_expected = 3\npass_on = true", {"pass_on": True})
OPEN = Kind(shipped("midi-scene"), "open", 2)
LIFT = Kind(quicker("pellgate-screen", 38400), "shared", 2, "hears_itself = false", {"hears_itself": False})
BLINDS = Kind(shipped("pellgate-blind"), "shared", 2, "hears_itself = true", {"hears_itself": True})
RELAYS = Kind(shipped("modbus-relay"), "shared", 2, "hears_itself = true", {"hears_itself": True})
SUPPLY = Kind(quicker("scpi-supply", 38400), "shared", 1, "hears_itself = false", {"hears_itself": False})
TAP = Kind(IMPATIENT, "tap", 3)


@dataclass
class Line:
    """A running bus and what is told of it."""

    api: Controller
    watch: Watch
    order: Callable[[str], Awaitable[str]]
    """Gives the simulated line an order."""
    written: Callable[[], bytes]
    """What the controller has told that it sent."""


@contextlib.asynccontextmanager
async def line(kind: Kind, port: str, folder: Path) -> AsyncIterator[Line]:
    """A controller with that one bus, ``bus``, and its units ``unit-1`` and so on."""
    with contextlib.ExitStack() as stack:
        pty: PtyPort | None = None
        if port == "pty":
            layout = Layout(units=kind.units, topology=Topology(kind.topology), **kind.layout)
            simulated = SimulatedLine(compiled(kind.profile), layout, AdapterFacts())
            pty = stack.enter_context(PtyPort(simulated, link=folder / "adapter"))
            name = str(folder / "adapter")
            facts = "adapter_latency_ms = 0.0\nadapter_jitter_ms = 0.05"
        else:
            more = "".join(f"&{key}={str(value).lower()}" for key, value in kind.layout.items())
            name = f"sim://{folder}/kind.toml?units={kind.units}&topology={kind.topology}{more}"
            facts = ""
        text = f'[site]\nid = "larkfield-hall"\n[buses.bus]\nport = "{name}"\nprofile = "kind.toml"\n'
        text += f'topology = "{kind.topology}"\n{kind.site}\n{facts}\n'
        addressed = compiled(kind.profile).profile.address is not None
        for number in range(1, kind.units + 1):
            text += f'[units.unit-{number}]\nbus = "bus"\n' + f"address = {number}\n" * addressed
        loaded = load_site(write_site(folder, text, kind=kind.profile))
        async with running(loaded, folder / "state") as controller:
            watch = Watch(controller)
            # Ptys are numbered for the whole machine: another program may look for one that it has lost.
            await until(lambda: controller._buses["bus"].status.link is not LinkState.DOWN)

            async def order(words: str) -> str:
                if pty is not None:
                    return pty.order(words)
                return await controller.simulate("bus", words)

            def written() -> bytes:
                sent = [each for each in watch.records if getattr(each, "direction", None) == "sent"]
                return b"".join(each.data for each in sent)  # type: ignore[union-attr]  # -- only traffic has a direction

            yield Line(controller, watch, order, written)
            await watch.end()
