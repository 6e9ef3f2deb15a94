"""The dashboard on all sites behind a broker, in a process of its own on a real terminal, for the benchmarks.

Takes the broker's port, how many units there are, and a file for what it tells: one JSON document with the
seconds and CPU seconds from its start until it shows every unit of sites that are all ready, and its memory.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time
from pathlib import Path

from controller.mqtt_settings import BrokerSettings
from tests.bench.broker_client import used_memory
from tui.alone import run_alone
from tui.model import HallModel
from tui.remote.dashboard import BrokerDashboard
from tui.remote.sites import RemoteSites


async def main(port: int, units: int, told: Path) -> int:
    began = time.perf_counter()
    async with await RemoteSites.connect(BrokerSettings("127.0.0.1", port), who="Ada") as sites:
        app = BrokerDashboard(sites, await HallModel.read(sites), who="Ada", cautions=False)

        def look() -> None:
            if len(app.model.site.units) < units or not all(s.ready for s in sites.mirror.sites.values()):
                asyncio.get_running_loop().call_later(0.05, look)
                return
            known = {"seconds": time.perf_counter() - began, "cpu": time.process_time()}
            told.write_text(json.dumps({**known, "memory": used_memory("self")}), encoding="utf-8")

        look()
        return await run_alone(app)


if __name__ == "__main__":
    sys.exit(asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))))
