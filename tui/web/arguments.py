"""The arguments of ``linewarden dash --web``."""

from __future__ import annotations

import argparse

__all__ = ["add_web"]


def add_web(command: argparse.ArgumentParser) -> None:
    """Add them to the command ``dash``."""
    web = command.add_argument_group("in a browser, see docs/web.md")
    web.add_argument(
        "--web",
        action="store_true",
        help="serve the running controller's dashboard to browsers, until Ctrl-C",
    )
    web.add_argument(
        "--web-address",
        metavar="HOST[:PORT]",
        help="where, as browsers are to name it (127.0.0.1:8321, this machine only); port 0: any free one",
    )
