"""``linewarden demo``: a short evening at the simulated Larkfield Hall, or its dashboard."""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from pathlib import Path

from controller.local import LocalServer
from controller.mqtt_settings import BrokerSettings
from controller.service import Controller
from controller.state_folder import Claim
from tui.demo.broker import at_broker
from tui.demo.evening import load_hall, play
from tui.remote.broker import broker_settings


def run(arguments: argparse.Namespace) -> int:
    """Open the hall's dashboard; without a terminal, or ``--headless``, play the evening.

    1 where the evening did not go as told.
    """
    named = None if arguments.broker is None else broker_settings(arguments)
    if sys.stdout.isatty() and not arguments.headless:
        return asyncio.run(_dashboard(named))
    # A pipe has nobody who reads along.
    fast = arguments.fast or not sys.stdout.isatty()
    went_as_told = asyncio.run(play(load_hall(), _say, fast=fast, named=named))
    print()
    print(_WHAT_NEXT if went_as_told else "The evening did not go as told: this is a fault of Linewarden.")
    return 0 if went_as_told else 1


def _say(line: str) -> None:
    print(line, flush=True)


async def _dashboard(named: BrokerSettings | None) -> int:
    from tui.commands.dash import show

    with tempfile.TemporaryDirectory(prefix="linewarden-demo-") as folder, Claim(Path(folder)) as claim:
        loaded = load_hall()
        controller = await Controller.open(loaded, claim.folder)
        try:
            await controller.ready()
            async with LocalServer(controller, claim), at_broker(controller, loaded, named, _say):
                return await show(controller)
        finally:
            await controller.close()


_WHAT_NEXT = """That was Linewarden on simulated lines. With gear of your own, see README.
This is no emergency stop and no safety interlock; a service lock is no substitute for isolating and locking
out the supply before opening gear."""
