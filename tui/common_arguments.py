"""What the commands' arguments have in common."""

from __future__ import annotations

import argparse
from collections.abc import Callable

__all__ = ["Add", "json_option"]

Add = Callable[[str, str], argparse.ArgumentParser]
"""Makes a command of its name and what it does."""


def json_option(command: argparse.ArgumentParser, what: str = "one JSON document") -> None:
    """Let a command print for programs instead of for people.

    Args:
        command: which.
        what: it prints.
    """
    command.add_argument("--json", action="store_true", help=f"print {what} and nothing else")
