"""How the journal's entries are written as text."""

from __future__ import annotations

import json
from typing import Any

from controller.records import to_json

__all__ = ["as_text", "search_words", "storable"]

_encoder = json.JSONEncoder(separators=(",", ":"))


def as_text(record: Any) -> str:
    """A record as JSON, in ASCII."""
    return _encoder.encode(to_json(record))


def storable(text: str) -> str:
    """Text that SQLite takes: what is no Unicode text is escaped."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def search_words(*parts: str) -> str:
    """What a search looks in: the parts in lower case, a line each."""
    return storable("\n".join(parts).casefold())
