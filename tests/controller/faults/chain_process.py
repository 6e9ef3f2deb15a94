"""A simulated chain in a process of its own (``linewarden sim``) behind a real pty, and a site on it."""

from __future__ import annotations

import contextlib
import re
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from controller.records import LinkState
from controller.service import Controller
from controller.site import LoadedSite, load_site
from tests.controller.halls import chain_text, running, until, write_site
from tests.tui.conftest import Desk, Program

TAIL = bytes.fromhex("01 01 00 00 10 10 10 20 FF 00 A5 A5 7E 55 AA 02 02 3C")
"""18 frames, with runs of equal ones as a hard case for doubled echoes; C3 and the address go before them."""
TIMEOUT_MS = 200
_HAPPENING = re.compile(r"unit \d+: (obeys|refuses|led|front panel)")


def long_action(*, retries: int, baud: float = 38400) -> str:
    """A chain's profile with an action of 20 frames, ``long-on``, that makes ``power`` true."""
    text = chain_text(baud).replace("timeout_ms = 250.0", f"timeout_ms = {TIMEOUT_MS}.0")
    text = text.replace("retries = 2", f"retries = {retries}")
    return text + (
        '\n[actions.long-on]\neffect = "energise"\n'
        f'send = [{{ hex = "C3" }}, {{ address = 1 }}, {{ hex = "{TAIL.hex()}" }}]\n'
        "sets = { power = true }\n"
    )


@dataclass
class Chain:
    """A running chain process."""

    program: Program
    port: Path
    units: int
    happenings: list[str] = field(default_factory=list)
    """What its units did, as it was told."""

    def order(self, text: str) -> str:
        """Give it an order, and return its answer."""
        line = self.program.order(text)
        while _HAPPENING.match(line):
            self.happenings.append(line)
            line = self.program.line()
        assert not line.startswith("linewarden:"), line
        return line

    def states(self) -> list[str]:
        """What its units are like, unit by unit, as they know it themselves."""
        line = self.order("show")
        assert line == "no faults", line
        found: list[str] = []
        while len(found) < self.units:
            line = self.program.line()
            (self.happenings if _HAPPENING.match(line) else found).append(line)
        return found

    def unplug(self) -> None:
        """Pull the adapter out: its port vanishes."""
        assert self.order("unplug") == "set: unplug"

    def plug(self) -> None:
        """Put it back: another pty, under the same name."""
        assert self.order("plug") == "cleared: unplug"
        assert self.program.line() == str(self.port)


@contextlib.contextmanager
def chain(folder: Path, profile: str, *, units: int = 4, more: tuple[str, ...] = ()) -> Iterator[Chain]:
    """A chain of a profile's text; ``profile.toml`` and the port ``adapter`` lie in the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    desk = Desk(folder)
    (folder / "profile.toml").write_text(profile, encoding="utf-8")
    port = folder / "adapter"
    try:
        program = desk.start(
            "sim",
            "--profile",
            str(folder / "profile.toml"),
            "--units",
            str(units),
            "--link",
            str(port),
            *more,
        )
        assert program.line() == str(port)
        yield Chain(program, port, units)
    finally:
        desk.close()


def site_on(folder: Path, profile: str, *, units: int = 4, keys: str = "") -> LoadedSite:
    """A site with that chain as its bus ``hall``, and the units ``unit-1`` and so on."""
    topology = "" if "topology" in keys else f'topology = "ring"\nunits_expected = {units}\n'
    text = (
        '[site]\nid = "larkfield-hall"\n[buses.hall]\nport = "{folder}/adapter"\nprofile = "profile.toml"\n'
    )
    # Two processes on a busy machine: how many units answer can't be told, and is not, with such a jitter.
    text += f"{topology}adapter_latency_ms = 0.0\nadapter_jitter_ms = 5.0\n{keys}\n"
    for number in range(1, units + 1):
        text += f'[units.unit-{number}]\nbus = "hall"\naddress = {number}\n'
    return load_site(write_site(folder, text, profile=profile))


@contextlib.asynccontextmanager
async def hall(folder: Path, profile: str, **more: object) -> AsyncIterator[Controller]:
    """A controller of that site, whose port is open."""
    loaded = site_on(folder, profile, **more)  # type: ignore[arg-type]  # -- handed on as they are
    async with running(loaded, folder / "state") as controller:
        await until(lambda: controller._buses["hall"].status.link is not LinkState.DOWN)
        yield controller
