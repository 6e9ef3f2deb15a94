"""``linewarden ports``: serial ports here, by path and by stable name."""

from __future__ import annotations

import argparse

from controller.ports import find_ports
from controller.records import to_json
from tui.telling import as_json, plain, table


def run(arguments: argparse.Namespace) -> int:
    """List them."""
    found = find_ports()
    if arguments.json:
        print(as_json([to_json(port) for port in found]))
    elif not found:
        print("no serial port is here; a network port or sim:// needs none")
    else:
        rows = [(port.path, port.stable or "-", plain(port.title)) for port in found]
        print("\n".join(table(rows, ("PATH", "STABLE NAME", "WHAT"))))
    return 0
