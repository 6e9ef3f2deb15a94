"""``linewarden unlock``: clear a service lock, on the spot."""

from __future__ import annotations

import argparse
import sys

from controller.api import ControllerApi
from tui.session import run_with_api
from tui.telling import as_json, plain


def run(arguments: argparse.Namespace) -> int:
    """Clear it; 1 where there is no such lock."""

    async def work(api: ControllerApi) -> tuple[bool, list[str]]:
        cleared = await api.unlock(arguments.lock)
        return cleared, [f"{lock.id[:8]} on {lock.target} ({lock.who})" for lock in await api.locks()]

    cleared, left = run_with_api(arguments, work)
    if arguments.json:
        print(as_json({"cleared": cleared, "left": len(left)}))
    elif cleared:
        print(f"cleared; {len(left)} lock{'s' * (len(left) != 1)} left")
    else:
        known = f"the locks are {plain(', '.join(left))}" if left else "no lock stands"
        print(f"linewarden: no lock begins with {arguments.lock!r}; {known}", file=sys.stderr)
    return 0 if cleared else 1
