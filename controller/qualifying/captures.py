"""Captures that a person gives of a run's actions, as words of a command line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from profiles.errors import BadValue

__all__ = ["CaptureGiven", "read_captures"]


@dataclass(frozen=True, slots=True)
class CaptureGiven:
    """A capture of an action as it was sent during the run."""

    action: str
    path: Path
    channel: str | None = None
    """Which channel; None for the first that says something."""
    original: Path | None = None
    """A capture of the original; None for the line as the profile says it should be."""


def read_captures(words: Sequence[str], originals: Sequence[str], channel: str | None) -> list[CaptureGiven]:
    """``ACTION=FILE`` words.

    Raises:
        BadValue: a word is none, or an original has no capture to stand against.
    """
    pairs = [_pair(word, "--capture") for word in words]
    against = dict(_pair(word, "--original") for word in originals)
    lone = against.keys() - {action for action, _ in pairs}
    if lone:
        raise BadValue(
            f"there is no capture of {min(lone)} to compare with its original", todo="give --capture"
        )
    return [CaptureGiven(action, path, channel, against.get(action)) for action, path in pairs]


def _pair(word: str, option: str) -> tuple[str, Path]:
    action, equals, path = word.partition("=")
    if not (action and equals and path):
        raise BadValue(f"{word!r} names no action and file", todo=f"write {option} ACTION=FILE")
    return action, Path(path)
