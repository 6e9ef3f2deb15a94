"""The arguments of `linewarden profiles`."""

from __future__ import annotations

import argparse

from tui.common_arguments import Add, json_option

__all__ = ["add_profiles"]


def add_profiles(add: Add) -> None:
    """Add the command that lists, shows, imports and exports profiles.

    Args:
        add: makes a command of its name and what it does.
    """
    command = add("profiles", "list, show, import, export")
    command.description = (
        "Lists the profiles that are found by name, shows one, and takes one with its evidence from one "
        "machine to another. A person's own take the place of shipped ones of the same name."
    )
    what = command.add_subparsers(metavar="WHAT", dest="what")
    json_option(command)

    def way(name: str, does: str) -> argparse.ArgumentParser:
        return what.add_parser(name, help=does, description=does[0].upper() + does[1:] + ".")

    listing = way("list", "all profiles and where each comes from (without WHAT, this)")
    show = way("show", "one profile: what it says, or with --text its file")
    show.add_argument("name", metavar="NAME")
    show.add_argument("--text", action="store_true", help="print the file itself")
    checks = way("checks", "the names of all checks that a profile can use")
    bring = way("import", "take in a profile that was exported, or a TOML file")
    bring.add_argument("file", metavar="FILE")
    bring.add_argument("--replace", action="store_true", help="in place of one of the same name")
    export = way("export", "one file with the profile and its evidence")
    export.add_argument("name", metavar="NAME")
    export.add_argument("file", metavar="FILE")
    export.add_argument("--replace", action="store_true", help="in place of a file of that name")
    for each in (listing, show, checks, bring, export):
        # Without a default of its own, `profiles --json show NAME` keeps what was said before WHAT.
        each.add_argument(
            "--json",
            action="store_true",
            default=argparse.SUPPRESS,
            help="print one JSON document and nothing else",
        )
