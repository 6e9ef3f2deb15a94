"""What goes from a journal that is old or large, in SQL; called inside a transaction."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from controller.journal_file import explained

__all__ = ["SCHEDULED", "delete_oldest", "delete_probes", "used_bytes"]

SCHEDULED = "probe-"
"""How the ids of scheduled probes begin, so that they are found among many commands at once."""
_JUST_BEHIND = "probe."
"""The least text behind all those that begin with it."""


def used_bytes(connection: sqlite3.Connection, path: Path) -> int:
    """Bytes in use, without what is kept free for reuse."""
    with explained(path):
        pages, free, page = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
    used: int = (pages - free) * page
    return used


def delete_oldest(connection: sqlite3.Connection, before: float, at_once: int) -> int:
    """Delete the oldest commands that are over and were entered before that UTC instant; how many went."""
    return connection.execute(
        "DELETE FROM commands WHERE n IN ("
        "SELECT n FROM commands WHERE outcome IS NOT NULL AND at < ? ORDER BY n LIMIT ?)",
        (before, at_once),
    ).rowcount


def delete_probes(connection: sqlite3.Connection, before: float, at_once: int) -> int:
    """Delete scheduled probes that found all well before that UTC instant; how many went.

    There are many of them, and they would push out the commands that somebody may ask for.
    """
    return connection.execute(
        "DELETE FROM commands WHERE n IN ("
        "SELECT n FROM commands WHERE id >= ? AND id < ? AND at < ?"
        " AND result IN ('confirmed', 'answered', 'sent')"
        " AND json_extract(command, '$.origin.kind') = 'probe' LIMIT ?)",
        (SCHEDULED, _JUST_BEHIND, before, at_once),
    ).rowcount
