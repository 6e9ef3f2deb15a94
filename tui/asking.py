"""Asking a person at the terminal before gear is energised that the site says so of."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable

from controller.clearance import MAY_ENERGISE
from controller.site import LoadedSite, load_site
from tui.session import find_site
from tui.telling import plain

__all__ = ["agreed", "that_ask"]


def that_ask(loaded: LoadedSite, told: Iterable[tuple[str, str]]) -> list[str]:
    """The units that ask before they are energised, of those that are told something.

    Args:
        loaded: the site.
        told: (unit or bus, action) pairs.
    """
    found: dict[str, None] = {}
    for target, action in told:
        for name, unit in loaded.site.units.items():
            spec = loaded.profiles[unit.bus].actions.get(action)
            if target not in (name, unit.bus) or not unit.ask_before_energise or spec is None:
                continue
            if spec.spec.effect in MAY_ENERGISE:
                found[name] = None
    return list(found)


def agreed(
    arguments: argparse.Namespace, told: Callable[[LoadedSite], Iterable[tuple[str, str]]]
) -> bool | None:
    """Whether a person says yes: by ``--yes``, or asked at the terminal where a unit wants it.

    Returns:
        None where the person was asked and said no; False where nobody had to be asked, or could be.
    """
    if arguments.yes:
        return True
    if not sys.stdin.isatty():
        return False
    loaded = load_site(find_site(arguments))
    asking = that_ask(loaded, told(loaded))
    if not asking:
        return False
    print(
        plain(f"{', '.join(asking)}: this may energise the gear. Go on? [y/N] "),
        end="",
        file=sys.stderr,
        flush=True,
    )
    if sys.stdin.readline().strip().lower() in ("y", "yes"):
        return True
    print("linewarden: not done", file=sys.stderr)
    return None
