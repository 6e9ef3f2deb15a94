"""Files to choose from while a path is typed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Candidate", "candidates", "completed"]

_MOST = 400
_LIKELY = frozenset({".csv", ".tsv", ".txt", ".dat", ".vcd", ".wav", ".jsonl", ".json", ".log", ".gz"})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A file or folder that what was typed may become."""

    text: str
    """As it would be typed: a folder ends in a slash."""
    name: str
    folder: bool
    size: int


def _split(text: str) -> tuple[str, str]:
    """What was typed as its folder, the slash included, and the beginning of a name."""
    cut = max(text.rfind("/"), text.rfind(os.sep)) + 1
    return text[:cut], text[cut:]


def candidates(text: str, here: Path) -> list[Candidate]:
    """What a typed path may become: files that may be captures first, then other files, then folders.

    Args:
        text: as it is typed so far; a ~ is the home folder.
        here: the folder that it is relative to.
    """
    head, start = _split(text)
    folder = here / Path(head).expanduser() if head else here
    found: list[tuple[tuple[int, str], Candidate]] = []
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if len(found) >= 20 * _MOST:
                    break
                name = entry.name
                if not name.lower().startswith(start.lower()) or (name.startswith(".") and not start):
                    continue
                is_folder = entry.is_dir()
                size = 0 if is_folder else entry.stat().st_size
                rank = 2 if is_folder else int(Path(name).suffix.lower() not in _LIKELY)
                shown = f"{name}/" if is_folder else name
                found.append(((rank, name.lower()), Candidate(head + shown, shown, is_folder, size)))
    except OSError:
        # A folder that is not there, or not ours to read, has nothing to offer; opening it says why.
        return []
    found.sort(key=lambda each: each[0])
    return [candidate for _, candidate in found[:_MOST]]


def completed(text: str, here: Path) -> str:
    """What was typed, with all that its candidates have in common."""
    found = candidates(text, here)
    if not found:
        return text
    if len(found) == 1:
        return found[0].text
    first, *others = (each.text for each in found)
    length = len(first)
    while length and any(each[:length].lower() != first[:length].lower() for each in others):
        length -= 1
    longest = first[:length]
    return longest if len(longest) > len(text) else text
