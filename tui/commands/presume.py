"""``linewarden presume``: set a state right by hand."""

from __future__ import annotations

import argparse
import asyncio

from controller.local_client import LocalClient
from controller.records import StateValue, to_json
from controller.site import load_site
from profiles.errors import NotKnown
from tui.parameters import read_value
from tui.session import check_same_site, find_site, me, state_folder
from tui.telling import as_json, plain, state_word


def run(arguments: argparse.Namespace) -> int:
    """Tell the running controller."""
    loaded = load_site(find_site(arguments))

    async def work() -> StateValue:
        async with await LocalClient.connect(state_folder(arguments, loaded)) as api:
            view = await api.site()
            check_same_site(view, loaded)
            unit = next((each for each in view.units if each.id == arguments.unit), None)
            spec = unit.states.get(arguments.name) if unit is not None else None
            if spec is None:
                raise NotKnown(
                    f"there is no state {arguments.name!r} of a unit {arguments.unit!r}",
                    todo="`linewarden status` lists them",
                )
            value = read_value(arguments.name, arguments.value, str(spec.get("type")))
            return await api.presume(arguments.unit, arguments.name, value, me())

    state = asyncio.run(work())
    if arguments.json:
        print(as_json(to_json(state)))
    else:
        print(plain(f"{arguments.unit}: {state_word(arguments.name, state)}"))
    return 0
