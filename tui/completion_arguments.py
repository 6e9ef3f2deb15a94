"""The arguments of `linewarden completion`."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from tui.common_arguments import Add

__all__ = ["add_completion"]


def add_completion(add: Add, site: Callable[[argparse.ArgumentParser], None]) -> None:
    """Add the command that prints a shell's completion.

    Args:
        add: makes a command of its name and what it does.
        site: adds the arguments that name a site.
    """
    command = add("completion", "a script with which a shell completes commands")
    command.description = (
        "Prints a script for the shell; docs/completion.md says where it goes. Units, actions, buses and "
        "sequences are then completed from the site file, for which the script asks with --names."
    )
    command.add_argument(
        "shell", metavar="SHELL", nargs="?", choices=("bash", "zsh", "fish"), help="bash, zsh or fish"
    )
    command.add_argument(
        "--names",
        metavar="KIND",
        choices=("units", "targets", "buses", "sequences", "actions", "profiles"),
        help="print names, one a line: units, targets (units, groups, buses), buses, sequences, actions "
        "or profiles",
    )
    command.add_argument("--of", metavar="UNIT", help="whose actions")
    site(command)
