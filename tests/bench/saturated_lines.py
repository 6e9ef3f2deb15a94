"""The far end of the listening benchmark, in a process of its own: full lines behind pseudo-terminals.

Prints one JSON document a line: first the ports' paths and what is said on each, over and over. Each line on
its standard input is obeyed: ``go`` fills the lines, ``stop`` lets them fall silent and prints what went out.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from controller.simulator.adapter import AdapterFacts
from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from controller.simulator.medium import Topology
from controller.simulator.pty_port import PtyPort
from controller.simulator.runner import Endpoint
from profiles.checking import load_profile


class Counted:
    """An endpoint that counts what the computer took."""

    def __init__(self, endpoint: Endpoint) -> None:
        self._endpoint = endpoint
        self.taken = 0

    def fileno(self) -> int:
        return self._endpoint.fileno()

    def read(self) -> bytes:
        return self._endpoint.read()

    def write(self, data: bytes) -> int:
        taken = self._endpoint.write(data)
        self.taken += taken
        return taken


def main(profile: Path, lines: int, batch_s: float) -> None:
    compiled = load_profile(profile.read_text(encoding="utf-8"), str(profile))
    layout = Layout(units=1, topology=Topology.TAP)
    ports = [PtyPort(SimulatedLine(compiled, layout, AdapterFacts(latency_s=batch_s))) for _ in range(lines)]
    counted = []
    for port in ports:
        assert port.live.endpoint is not None
        port.live.endpoint = Counted(port.live.endpoint)
        counted.append(port.live.endpoint)
    said = b"".join(ports[0].live.line.console.saturating_messages(1))
    print(json.dumps({"paths": [port.path for port in ports], "said": said.hex()}), flush=True)
    for line in sys.stdin:
        if line.strip() == "go":
            for port in ports:
                port.order("saturate 1")
        elif line.strip() == "stop":
            for port in ports:
                port.order("clear saturate")
            time.sleep(0.2)  # what the adapters still hold goes out
            both = zip(counted, ports, strict=True)
            sums = [{"taken": each.taken, "lost": port.live.lost} for each, port in both]
            cpu = time.process_time()
            print(json.dumps({"lines": sums, "cpu_s": cpu}), flush=True)
    for port in ports:
        port.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]))
