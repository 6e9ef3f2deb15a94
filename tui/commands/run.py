"""``linewarden run``: the controller without a screen, until SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import signal
import sys
from contextlib import AbstractAsyncContextManager

from controller.local import LocalServer
from controller.mqtt_settings import settings_for
from controller.records import Alert, Command, Outcome
from controller.service import Controller
from controller.site import load_site
from controller.state_folder import Claim
from tui.session import find_site, own_controller, state_folder
from tui.telling import outcome_words, plain

log = logging.getLogger("linewarden")


def run(arguments: argparse.Namespace) -> int:
    """Run until told to end."""
    logging.basicConfig(
        level=logging.INFO if arguments.verbose else logging.WARNING,
        stream=sys.stderr,
        format="%(levelname)s %(name)s: %(message)s",
    )
    loaded = load_site(find_site(arguments))
    folder = state_folder(arguments, loaded)
    # Before any port is opened: a secret that can't be read is a fault of the call.
    broker = None if loaded.site.mqtt is None else settings_for(loaded.site.mqtt, loaded.path.parent)

    async def main() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for name in ("SIGTERM", "SIGINT"):
            with contextlib.suppress(NotImplementedError):  # Windows has no handlers in the loop
                loop.add_signal_handler(getattr(signal, name), stop.set)
        with Claim(folder) as claim:
            async with (
                own_controller(loaded, claim) as controller,
                LocalServer(controller, claim),
                bridge(controller),
            ):
                await serve(controller, stop)

    def bridge(controller: Controller) -> AbstractAsyncContextManager[object]:
        if broker is None:
            return contextlib.nullcontext()
        from controller.mqtt import MqttBridge

        return MqttBridge(controller, loaded, broker)

    async def serve(controller: Controller, stop: asyncio.Event) -> None:
        teller = asyncio.create_task(_tell(controller))
        await controller.ready()
        print(f"{loaded.site.site.title or loaded.site.site.id}: running; nothing was sent", flush=True)
        await stop.wait()
        teller.cancel()
        await asyncio.gather(teller, return_exceptions=True)

    asyncio.run(main())
    print("ended", flush=True)
    return 0


async def _tell(controller: Controller) -> None:
    """Commands, outcomes and alerts into the log."""
    commands: dict[str, Command] = {}
    async for record in controller.subscribe(frozenset(("Command", "Outcome", "Alert"))):
        match record:
            case Command():
                commands[record.id] = record
            case Outcome():
                command = commands.pop(record.command_id, None)
                if command is not None:
                    level = logging.INFO if record.result.good else logging.WARNING
                    log.log(level, "%s", outcome_words(command, record))
            case Alert(over=True):
                log.warning("over: %s: %s", record.target, plain(record.text))
            case Alert():
                look = f"; look at {record.look_at}" if record.look_at else ""
                log.warning("alert: %s: %s", record.target, plain(record.text + look))
