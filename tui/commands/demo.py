"""``linewarden demo``: a short evening at the simulated Larkfield Hall."""

from __future__ import annotations

import argparse
import asyncio
import sys

from tui.demo.evening import load_hall, play


def run(arguments: argparse.Namespace) -> int:
    """Play it; 1 where it did not go as told."""
    # A pipe has nobody who reads along.
    fast = arguments.fast or not sys.stdout.isatty()
    went_as_told = asyncio.run(play(load_hall(), lambda line: print(line, flush=True), fast=fast))
    print()
    print(_WHAT_NEXT if went_as_told else "The evening did not go as told: this is a fault of Linewarden.")
    return 0 if went_as_told else 1


_WHAT_NEXT = """That was Linewarden on simulated lines. With gear of your own, see README.
This is no emergency stop and no safety interlock; a service lock is no substitute for isolating and locking
out the supply before opening gear."""
