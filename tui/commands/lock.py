"""``linewarden lock``: set a service lock."""

from __future__ import annotations

import argparse

from controller.api import ControllerApi
from controller.records import Lock, to_json
from tui.session import me, run_with_api
from tui.telling import as_json, plain


def run(arguments: argparse.Namespace) -> int:
    """Set it."""

    async def work(api: ControllerApi) -> Lock:
        return await api.lock(arguments.target, arguments.who or me().name or "unknown", arguments.why)

    lock = run_with_api(arguments, work)
    if arguments.json:
        print(as_json(to_json(lock)))
    else:
        print(f"{lock.target} is locked by {plain(lock.who)}: {plain(lock.why)}")
        print(f"Clear it on the spot with: linewarden unlock {lock.id[:8]}")
        print("It stops our own commands only; isolate and lock out the supply before opening gear.")
    return 0
