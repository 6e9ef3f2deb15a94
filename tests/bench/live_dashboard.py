"""The dashboard and its controller in a process of their own, on a real terminal, for the benchmarks.

Takes the site file, the state folder, and a file for what it tells at its end: one JSON document with the
bytes in the traffic that the dashboard holds by bus, those that the controller heard, and what it missed.
"""

from __future__ import annotations

import asyncio
import json
import sys
from pathlib import Path

from controller.service import Controller
from controller.site import load_site
from tui.alone import run_alone
from tui.app import DashboardApp
from tui.model import HallModel


async def main(site: Path, state: Path) -> dict[str, object]:
    controller = await Controller.open(load_site(site), state)
    try:
        await controller.ready()
        app = DashboardApp(controller, await HallModel.read(controller), who="Ada", cautions=False)
        await run_alone(app)
        held: dict[str, int] = {}
        for row in range(len(app.traffic)):
            saying = app.traffic[row]
            held[saying.bus] = held.get(saying.bus, 0) + len(saying.data)
        heard = {bus.bus: bus.counters["bytes_heard"] for bus in await controller.buses()}
        return {"held": held, "heard": heard, "missed": app.model.lost, "rows": len(app.traffic)}
    finally:
        await controller.close()


if __name__ == "__main__":
    document = asyncio.run(main(Path(sys.argv[1]), Path(sys.argv[2])))
    Path(sys.argv[3]).write_text(json.dumps(document), encoding="utf-8")
