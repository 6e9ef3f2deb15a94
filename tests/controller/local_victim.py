"""A controller in a process of its own, to be killed: ``python -m tests.controller.local_victim FOLDER``."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from controller.local import LocalServer
from controller.state_folder import Claim
from tests.controller.small_controller import SmallController


async def main() -> None:
    controller = SmallController()
    controller.may_end.clear()
    with Claim(Path(sys.argv[1])) as claim:
        async with LocalServer(controller, claim):
            print("listening", flush=True)
            await asyncio.Event().wait()


asyncio.run(main())
