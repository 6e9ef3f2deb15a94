"""What a unit, a bus or a group is called where several sites are shown together: SITE/UNIT. Pure."""

from __future__ import annotations

__all__ = ["join", "split"]

_BETWEEN = "/"
"""No Homie id has one, so a name of this kind is never one of a single site's."""


def join(site: str, name: str) -> str:
    """A site's unit, bus or group among those of other sites."""
    return f"{site}{_BETWEEN}{name}"


def split(name: str) -> tuple[str, str]:
    """The site, and what it calls it: an empty text for the site itself."""
    site, _, own = name.partition(_BETWEEN)
    return site, own
