"""``linewarden completion``: a script with which a shell completes commands, and the names it asks for."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from profiles.errors import InputError, LinewardenError

__all__ = ["run"]


def run(arguments: argparse.Namespace) -> int:
    """Print the script, or names one a line; a site that can't be read has no names."""
    if arguments.names:
        try:
            found = _names(arguments)
        except (LinewardenError, OSError):
            # A person who presses Tab has asked nothing yet: no fault may be told into the line being typed.
            return 1
        print("".join(f"{name}\n" for name in sorted(found)), end="")
        return 0
    if arguments.shell is None:
        raise InputError("no shell is named", todo="write `linewarden completion bash`, zsh or fish")
    from tui.arguments import build_parser
    from tui.completion import script

    print(script(build_parser(), arguments.shell), end="")
    return 0


def _names(arguments: argparse.Namespace) -> set[str]:
    from profiles.library import list_profiles

    if arguments.names == "profiles":
        return {listed.source.name for listed in list_profiles()}
    from profiles.storage import parse_toml, read_text
    from tui.session import find_site

    path = find_site(arguments)
    site = parse_toml(read_text(path), str(path))
    units, buses = _tables(site, "units"), _tables(site, "buses")
    match arguments.names:
        case "units":
            return set(units)
        case "buses":
            return set(buses)
        case "sequences":
            return set(_tables(site, "sequences"))
        case "actions":
            return _actions(arguments.of, units, buses, path)
        case _:
            groups = {unit["group"] for unit in units.values() if isinstance(unit.get("group"), str)}
            return {*units, *buses, *groups}


def _tables(document: dict[str, Any], key: str) -> dict[str, dict[str, Any]]:
    """The tables under a key; what is no table is a fault that `linewarden check` tells."""
    under = document.get(key, {})
    return (
        {name: each for name, each in under.items() if isinstance(each, dict)}
        if isinstance(under, dict)
        else {}
    )


def _actions(
    unit: str | None, units: dict[str, dict[str, Any]], buses: dict[str, dict[str, Any]], site: Path
) -> set[str]:
    from profiles.library import find
    from profiles.storage import parse_toml

    # In place of a unit a bus can be named, for all its units.
    bus = units.get(unit or "", {}).get("bus", unit)
    profile = buses.get(bus, {}).get("profile") if isinstance(bus, str) else None
    if not isinstance(profile, str):
        return set()
    source = find(profile, site)
    return set(_tables(parse_toml(source.text(), source.where), "actions"))
