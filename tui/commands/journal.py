"""``linewarden journal``: what was commanded and what became of it."""

from __future__ import annotations

import argparse
import asyncio
import datetime as dt
import re
import time

from controller.api import JournalEntry, JournalQuery
from controller.journal_offline import find_offline
from controller.local_client import LocalClient
from controller.records import to_json
from controller.site import load_site
from profiles.errors import ControllerAway, InputError
from tui.session import check_same_site, find_site, state_folder
from tui.telling import as_json, entry_lines

_AGO = re.compile(r"(\d+(?:\.\d+)?)\s*([smhdw])")
_SECONDS = {"s": 1, "m": 60, "h": 3600, "d": 86400, "w": 604800}


def run(arguments: argparse.Namespace) -> int:
    """Ask the running controller, or read the journal itself where none runs."""
    loaded = load_site(find_site(arguments))
    folder = state_folder(arguments, loaded)
    if arguments.limit < 1:
        raise InputError(f"--limit must be at least 1, not {arguments.limit}")
    query = JournalQuery(
        limit=arguments.limit,
        since=_instant(arguments.since),
        unit=arguments.unit,
        result=arguments.result,
        text=arguments.text,
        traffic=arguments.traffic,
    )

    async def ask() -> list[JournalEntry]:
        try:
            client = await LocalClient.connect(folder)
        except ControllerAway:
            return find_offline(folder / "journal.sqlite", query)
        async with client:
            check_same_site(await client.site(), loaded)
            return await client.journal(query)

    entries = asyncio.run(ask())
    if arguments.json:
        print(as_json([to_json(entry) for entry in entries]))
    elif not entries:
        print("the journal has nothing of that kind")
    else:
        for entry in reversed(entries):
            print("\n".join(entry_lines(entry)))
    return 0


def _instant(text: str | None) -> float | None:
    """UTC seconds out of a date, a time, or so long ago.

    Raises:
        InputError: it is neither.
    """
    if text is None:
        return None
    ago = _AGO.fullmatch(text.strip())
    if ago:
        return time.time() - float(ago[1]) * _SECONDS[ago[2]]
    try:
        return dt.datetime.fromisoformat(text).astimezone().timestamp()
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"{text!r} is no time", todo="write a date or time such as 2026-01-05T20:00, or 2h, 3d"
        ) from None
