"""``linewarden demo``: a short evening at the simulated Larkfield Hall, or its dashboard."""

from __future__ import annotations

import argparse
import asyncio
import importlib
import sys
import tempfile
from contextlib import AsyncExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from controller.local import LocalServer
from controller.mqtt_settings import BrokerSettings
from controller.service import Controller
from controller.site import LoadedSite
from controller.state_folder import Claim
from profiles.errors import BrokerError
from tui.demo.evening import load_hall, play
from tui.session import me

if TYPE_CHECKING:
    from tui.app import DashboardApp


def run(arguments: argparse.Namespace) -> int:
    """Open the hall's dashboard; without a terminal, or ``--headless``, play the evening.

    1 where the evening did not go as told.
    """
    named = None if arguments.broker is None else _named(arguments)
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


def _named(arguments: argparse.Namespace) -> BrokerSettings:
    from tui.remote.broker import broker_settings

    return broker_settings(arguments)


async def _dashboard(named: BrokerSettings | None) -> int:
    with tempfile.TemporaryDirectory(prefix="linewarden-demo-") as folder, Claim(Path(folder)) as claim:
        loaded = load_hall()
        controller = await Controller.open(loaded, claim.folder)
        try:
            ready = asyncio.create_task(controller.ready(), name="ports")
            await asyncio.sleep(0)
            from tui.alone import run_alone
            from tui.app import DashboardApp  # the dashboard is loaded while the ports open
            from tui.model import HallModel

            await ready
            async with LocalServer(controller, claim), AsyncExitStack() as stack:
                if named is not None:
                    from tui.demo.broker import at_broker

                    await stack.enter_async_context(at_broker(controller, loaded, named, _say))
                app = DashboardApp(controller, await HallModel.read(controller), who=me().name)
                if named is None:
                    beside = asyncio.create_task(_broker_beside(app, controller, loaded), name="demo broker")
                    stack.push_async_callback(_end, beside)
                return await run_alone(app)
        finally:
            await controller.close()


async def _broker_beside(app: DashboardApp, controller: Controller, loaded: LoadedSite) -> None:
    """A broker of the demo's own, once there is something to be seen; help says how to watch it."""
    await app.painted.wait()
    demo_broker = await asyncio.to_thread(importlib.import_module, "tui.demo.broker")
    try:
        async with demo_broker.at_broker(controller, loaded, None, app.notes.append):
            await asyncio.Event().wait()
    except BrokerError as error:
        app.notes.append(f"Without MQTT: {error}.")


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


_WHAT_NEXT = """That was Linewarden on simulated lines. With gear of your own, see README.
This is no emergency stop and no safety interlock; a service lock is no substitute for isolating and locking
out the supply before opening gear."""
