"""How far away each site is, in words: who answers and how soon, who does not. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from rich.cells import cell_len
from rich.text import Text

from tui.looks import Looks
from tui.painting import fit
from tui.remote.mirror import Mirror
from tui.remote.round_trips import RoundTrips
from tui.remote.site_mirror import SiteMirror
from tui.remote.standing import Standing

__all__ = ["SiteWords", "link_line", "link_words", "note"]

_SHORT = {
    Standing.INIT: "is beginning",
    Standing.DISCONNECTED: "was stopped",
    Standing.SLEEPING: "sleeps",
    Standing.LOST: "is lost",
    Standing.GONE: "is not there",
    Standing.LOOKING: "is looked for",
    Standing.UNREACHABLE: "out of reach",
}


@dataclass(frozen=True, slots=True)
class SiteWords:
    """One site's link."""

    title: str
    text: str
    well: bool
    command: str = ""
    """How long the last command took, where it went there."""


def link_words(
    mirror: Mirror, trips: RoundTrips, silent_for: Callable[[str], float | None]
) -> list[SiteWords]:
    """What is to be said of each site, trouble first.

    Args:
        mirror: the sites.
        trips: how long each takes to answer.
        silent_for: for how many seconds a site has not answered; None where nothing speaks against it.
    """
    words = [_words(site, trips, silent_for(site.id)) for site in mirror.sites.values()]
    return sorted(words, key=lambda each: each.well)


def _words(site: SiteMirror, trips: RoundTrips, silent: float | None) -> SiteWords:
    title = site.found.title
    if not site.ready:
        return SiteWords(title, _SHORT[site.standing], well=False)
    if silent is not None:
        return SiteWords(title, f"has not answered for {silent:.0f} s", well=False)
    trip = trips.of(site.id)
    text = "is there" if trip.seconds is None else f"answers in {milliseconds(trip.seconds)}"
    last = trips.last_command
    command = f", command {milliseconds(last[1])}" if last is not None and last[0] == site.id else ""
    return SiteWords(title, text, well=True, command=command)


def milliseconds(seconds: float) -> str:
    """A short time in words."""
    return f"{seconds:.1f} s" if seconds >= 10 else f"{max(1, round(seconds * 1000))} ms"


def link_line(words: Sequence[SiteWords], width: int, looks: Looks) -> Text:
    """As many sites as fit into a line; how many more there are."""
    # No more than that fit, however short they are.
    first = words[: width // 4 + 1]
    names = [fit(each.title, max(8, width // 3)) for each in first]
    full = [f"{name} {each.text}{each.command}" for name, each in zip(names, first, strict=True)]
    short = [f"{name} {each.text}" for name, each in zip(names, first, strict=True)]
    said = full if _cells(full) < width else short
    while len(said) > 1 and _cells([*said, *([_AND_MORE] if len(said) < len(words) else [])]) >= width:
        said = said[:-1]
    text = Text(" ")
    for each, word in zip(said, words, strict=False):
        text.append(fit(each, width - 2), looks.quiet if word.well else looks.wrong).append(_BETWEEN)
    if len(said) < len(words):
        text.append(f"and {len(words) - len(said)} more", looks.quiet)
    text.rstrip()
    text.truncate(width, overflow="ellipsis")
    return text


_BETWEEN = "   "
_AND_MORE = "and 1000 more"


def _cells(parts: Sequence[str]) -> int:
    return 1 + sum(cell_len(part) for part in parts) + len(_BETWEEN) * (len(parts) - 1)


def note(mirror: Mirror, silent_for: Callable[[str], float | None]) -> str:
    """What every screen has to say of the way to the sites; empty where all is well."""
    if mirror.broker is not None:
        return "broker out of reach"
    away = [site for site in mirror.sites.values() if not site.ready]
    if len(away) == 1:
        return f"{fit(away[0].found.title, 20)} {_SHORT[away[0].standing]}"
    if away:
        return f"{len(away)} of {len(mirror.sites)} sites away"
    silent = [site for site in mirror.sites.values() if silent_for(site.id) is not None]
    if len(silent) == 1:
        return f"{fit(silent[0].found.title, 20)} does not answer"
    return f"{len(silent)} of {len(mirror.sites)} sites do not answer" if silent else ""
