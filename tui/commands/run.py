"""``linewarden run``: the controller without a screen, until SIGTERM."""

from __future__ import annotations

import argparse
import asyncio
import logging
import sys

from controller.service_manager import PriorityFormatter, ServiceManager, reads_our_errors
from controller.site import load_site
from controller.threads import named_pool
from tui.session import find_site, state_folder
from tui.unattended import Unattended, broker_of


def run(arguments: argparse.Namespace) -> int:
    """Run until told to end."""
    if arguments.unit_file:
        from tui.unit_file import unit_file

        print(unit_file(), end="")
        return 0
    _log_to_errors(verbose=arguments.verbose)
    loaded = load_site(find_site(arguments))
    folder = state_folder(arguments, loaded)
    # Before any port is opened: a secret that can't be read is a fault of the call.
    broker = broker_of(loaded)
    manager = ServiceManager()

    async def main() -> None:
        asyncio.get_running_loop().set_default_executor(named_pool("files"))
        await Unattended(loaded, broker, manager).run(folder)

    try:
        asyncio.run(main())
    finally:
        manager.close()
    print("ended", flush=True)
    return 0


def _log_to_errors(*, verbose: bool) -> None:
    handler = logging.StreamHandler(sys.stderr)
    if reads_our_errors():
        handler.setFormatter(PriorityFormatter("%(name)s: %(message)s"))
    else:
        handler.setFormatter(logging.Formatter("%(levelname)s %(name)s: %(message)s"))
    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, handlers=[handler])
