"""Sites by the dozen in one process, each with its controller, its simulated gear and its way to a broker.

Takes a folder, the broker's port, the first site's number and how many there are. Says ``open`` when every
controller has opened its ports, goes to the broker with all sites at once when it is told ``go``, and ends
when its standard input does.
"""

from __future__ import annotations

import asyncio
import sys
from contextlib import AsyncExitStack
from pathlib import Path

from controller.mqtt import MqttBridge
from controller.service import Controller
from controller.site import load_site
from controller.state_folder import Claim

__all__ = ["BUSES", "UNITS", "site_id", "unit_id", "write_site"]

BUSES, UNITS = 2, 20
"""Of each site: the shipped profile has room for 15 units on a bus."""


def site_id(number: int) -> str:
    """A site's id."""
    return f"hall-{number}"


def unit_id(number: int) -> str:
    """A unit's id, by its number in the site."""
    return f"u{number}"


def write_site(folder: Path, port: int, number: int) -> Path:
    """Write one site's file: units of the shipped profile in simulated rings, shared between its buses."""
    chain = UNITS // BUSES
    lines = [f'[site]\nid = "{site_id(number)}"\ntitle = "Hall {number}"']
    for bus in range(BUSES):
        url = f"sim://pellgate-chain?units={chain}&topology=ring&name={site_id(number)}-{bus}"
        lines.append(f'[buses.b{bus}]\nport = "{url}"\nprofile = "pellgate-chain"')
        lines.append(f'topology = "ring"\nunits_expected = {chain}')
    lines += [
        f'[units.{unit_id(unit)}]\nbus = "b{unit // chain}"\naddress = {unit % chain + 1}\ngroup = "all"'
        for unit in range(UNITS)
    ]
    lines.append(f'[mqtt]\nbroker = "mqtt://127.0.0.1:{port}"')
    path = folder / f"{site_id(number)}.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


async def main(folder: Path, port: int, first: int, count: int) -> None:
    """Run the sites until standard input ends."""
    loop = asyncio.get_running_loop()
    async with AsyncExitStack() as stack:
        opened = []
        for number in range(first, first + count):
            loaded = load_site(write_site(folder, port, number))
            claim = stack.enter_context(Claim(folder / f"state-{number}"))
            controller = await Controller.open(loaded, claim.folder)
            stack.push_async_callback(controller.close)
            opened.append((controller, loaded))
        for controller, _ in opened:
            await controller.ready()
        print("open", flush=True)
        if await loop.run_in_executor(None, sys.stdin.readline) != "go\n":
            return
        bridges = [MqttBridge.of(controller, loaded) for controller, loaded in opened]
        await asyncio.gather(*(stack.enter_async_context(bridge) for bridge in bridges))
        await loop.run_in_executor(None, sys.stdin.read)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), *map(int, sys.argv[2:5])))
