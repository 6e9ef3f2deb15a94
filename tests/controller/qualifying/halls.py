"""A small site on simulated lines, whose units need no hold-off: runs of a second."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from controller.qualifying.plan import Asked
from controller.qualifying.runner import Progress, qualify
from controller.qualifying.trials import Trials
from controller.records import Origin, OriginKind
from controller.service import Controller
from controller.simulator.registry import stop_all
from controller.site import load_site

ORIGIN = Origin(OriginKind.COMMAND_LINE, "Ada")

PROFILE = """
schema = 1
name = "quick-chain"
title = "A chain without hold-offs"

[line]
baud = 19200
frame = "8N1"

[confirm]
method = "loop"
timeout_ms = 150.0
retries = 1
retry_pause_ms = 20.0

[address]
range = [1, 9]

[states.power]
type = "boolean"
set = { true = "power-on", false = "standby" }

[states.warm]
type = "boolean"

[actions.power-on]
effect = "energise"
send = [{ hex = "C0" }, { address = 1 }, { hex = "01" }, { check = "xor-8" }]
sets = { power = true }

[actions.standby]
effect = "de-energise"
send = [{ hex = "C0" }, { address = 1 }, { hex = "00" }, { check = "xor-8" }]
sets = { power = false }

[actions.warm]
effect = "neutral"
send = [{ hex = "C0" }, { address = 1 }, { hex = "07" }, { check = "xor-8" }]
sets = { warm = true }

[actions.cold]
effect = "neutral"
send = [{ hex = "C0" }, { address = 1 }, { hex = "08" }, { check = "xor-8" }]
sets = { warm = false }

[[observations]]
match = [{ hex = "C8" }, { address = 1 }, { hex = "01" }]
sets = { warm = true }
event = "up"

[[observations]]
match = [{ hex = "C8" }, { address = 1 }, { hex = "00" }]
sets = { warm = false }

[[observations]]
match = [{ hex = "C9" }, { address = 1 }, { field = "on", table = { true = 1, false = 0 } }]
sets = { power = "on" }
"""

SITE = """
[site]
id = "larkfield-hall"
title = "Larkfield Hall"

[buses.hall]
port = "sim://{profile}?units=2&topology=ring"
profile = "quick-chain.toml"
topology = "ring"
units_expected = 2

[units.foyer-amp]
bus = "hall"
title = "Foyer amplifier"
address = 1
ask_before_energise = true
{more}
[units.hall-amp]
bus = "hall"
address = 2
"""


@asynccontextmanager
async def hall(folder: Path, more: str = "") -> AsyncIterator[Controller]:
    """A controller of a ring of two."""
    profile = folder / "quick-chain.toml"
    profile.write_text(PROFILE)
    site = folder / "site.toml"
    site.write_text(SITE.format(profile=profile, more=more))
    controller = await Controller.open(load_site(site), folder / "state")
    try:
        await controller.ready()
        yield controller
    finally:
        await controller.close()
        stop_all()


async def run_on(
    controller: Controller,
    asked: Asked,
    during: Callable[[Progress, asyncio.Event], None] = lambda *_: None,
) -> Trials:
    """A run; ``during`` is told each step and may stop it."""
    stop = asyncio.Event()
    return await qualify(
        controller, asked, origin=ORIGIN, stop=stop, tell=lambda progress: during(progress, stop)
    )
