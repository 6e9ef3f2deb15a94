"""``linewarden triggers``: what each trigger waits for, and what it last did."""

from __future__ import annotations

import argparse

from controller.api import ControllerApi
from controller.records import TriggerStatus, to_json
from tui.session import run_with_api
from tui.telling import as_json, clock_time, plain


def run(arguments: argparse.Namespace) -> int:
    """Print them."""

    async def work(api: ControllerApi) -> list[TriggerStatus]:
        return await api.triggers()

    found = run_with_api(arguments, work)
    if arguments.json:
        print(as_json([to_json(status) for status in found]))
        return 0
    for status in found:
        print(plain(f"{status.trigger}: {status.title}"))
        print(plain(f"  waits for  {status.waits_for}{_level(status)}"))
        print(plain(f"  does       {status.does}"))
        if status.pending and status.due is not None:
            print(plain(f"  about to   {status.pending} at {clock_time(status.due)[:8]}"))
        if status.at is not None:
            print(plain(f"  last       {clock_time(status.at, date=True)[:19]} {status.last}"))
    if not found:
        print("this site has no triggers")
    return 0


def _level(status: TriggerStatus) -> str:
    return {True: " (so it is now)", False: " (not so now)", None: ""}[status.level]
