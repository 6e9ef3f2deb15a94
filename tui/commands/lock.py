"""``linewarden lock``: set a service lock."""

from __future__ import annotations

import argparse

from controller.api import ControllerApi
from controller.records import Lock, to_json
from controller.site import load_site
from tui.session import find_site, me, run_with_api
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
        for bus in _carried_past(arguments, lock.target):
            print(f"On {bus} pass_on is set: what other senders say is carried to the units all the same.")
    return 0


def _carried_past(arguments: argparse.Namespace, target: str) -> list[str]:
    """The rings of the target in which this computer repeats what others say: no lock holds that up."""
    site = load_site(find_site(arguments)).site
    of_target = {unit.bus for name, unit in site.units.items() if target in (name, unit.group)}
    return [name for name, bus in site.buses.items() if bus.pass_on and (name == target or name in of_target)]
