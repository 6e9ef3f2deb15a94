"""A burst of a capture as a draft profile of its own, with that capture as its evidence."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from profiles.bench.alignment import Press
from profiles.bench.decoding import DecodeOptions
from profiles.bench.drafting import draft_profile
from profiles.bench.findings import examine
from profiles.bench.samples import Source, read_samples
from profiles.errors import BadValue
from profiles.model import LineSettings
from profiles.storage import save_text
from tui.bench_reading import Reading
from tui.capture_keeping import copy_capture, place_of, places

__all__ = ["BurstOfCapture", "keep_capture", "line_warning", "write_draft"]

_LARGEST = 64 * 10**6
"""Bytes of a capture that is kept as evidence without being asked for."""


@dataclass(frozen=True, slots=True)
class BurstOfCapture:
    """A burst, and what it is of."""

    data: bytes
    path: Path
    channel: str
    options: DecodeOptions
    """What was given when it was read."""


def write_draft(burst: BurstOfCapture, folder: Path, name: str, title: str, action: str) -> Path:
    """Write a new draft profile of one action, and keep its capture beside it. For a thread of its own.

    Args:
        burst: what the action sends.
        folder: where profiles are kept.
        name: the profile's.
        title: the profile's title; may be empty.
        action: the action's name.

    Returns:
        The profile's file.

    Raises:
        BadValue: there is one of that name already.
        LinewardenError: the line can't be told, or it makes no profile.
        FileUnwritable: it can't be written.
    """
    target = folder / f"{name}.toml"
    if target.exists():
        raise BadValue("is there already", where=str(target), todo="choose another name")
    line, samples = read_samples([Source(action, burst.path)], burst.options, channel=burst.channel)
    sample = replace(samples[0], presses=(Press(burst.data),))
    findings = examine(line, [sample])
    kept, copies = places(folder, [sample])
    shown = title.strip() or name.replace("-", " ").capitalize()
    draft = draft_profile(findings, name=name, title=shown, confirm=None, kept=kept, file=str(target))
    for source, copy in copies:
        _check_size(source)
        copy_capture(source, copy)
    folder.mkdir(parents=True, exist_ok=True)
    save_text(target, draft.text)
    return target


def keep_capture(burst: BurstOfCapture, folder: Path, action: str) -> tuple[str, str]:
    """Keep a capture beside a profile; gives its file as the profile names it, and the channel.

    Raises:
        BadValue: it is too large to be copied along.
        FileUnwritable: it can't be copied.
    """
    _check_size(burst.path)
    below, target = place_of(folder, burst.path, action, set())
    if target is not None:
        copy_capture(burst.path, target)
    return below, burst.channel


def _check_size(path: Path) -> None:
    size = path.stat().st_size
    if size > _LARGEST:
        raise BadValue(
            f"it has {size / 1e6:.0f} MB, too many to be kept beside a profile",
            where=str(path),
            todo="export the stretch around the message as a capture of its own",
        )


def line_warning(reading: Reading, line: LineSettings) -> str:
    """Why a line can hardly be one of a profile's kind; empty where it may be."""
    fit = reading.sure.fit
    if fit.baud is None or fit.frame is None:
        return "This line's settings could not be told: see that they are the profile's."
    idle = "high" if fit.idle else "low"
    far = abs(fit.baud / line.baud - 1) > 0.03
    same = (fit.frame.data_bits, fit.frame.parity) == (line.format.data_bits, line.format.parity)
    if far or not same or idle != line.idle:
        ours = f"{fit.baud:g} {fit.frame}, idle {idle}"
        theirs = f"{line.baud:g} {line.frame}, idle {line.idle}"
        return f"This line is {ours}; the profile's is {theirs}: is it another bus?"
    return ""
