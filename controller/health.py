"""How a controller is, in one record: since when it runs, its journal, its disk, its buses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from controller.records import BusStatus

__all__ = ["Health", "links", "rounded"]


@dataclass(frozen=True, slots=True)
class Health:
    """How a controller is."""

    up_since: float
    """UTC seconds."""
    journal: bool
    """Whether the journal takes entries: while it does not, nothing that energises is sent."""
    disk_free_mb: int | None
    """What is left where the journal lies, in two digits; None where that can't be told."""
    buses: dict[str, str] = field(default_factory=dict)
    """Each bus's link: up, down or listening; ``stuck`` where a thread of it has stopped."""
    alerts: int = 0
    locks: int = 0


def rounded(count: int | None) -> int | None:
    """Bytes as megabytes in two digits: a figure that does not change with every entry."""
    if count is None:
        return None
    megabytes = count >> 20
    step = int(10 ** max(0, len(str(megabytes)) - 2))
    return megabytes // step * step


def links(buses: Iterable[BusStatus], stuck: Iterable[str]) -> dict[str, str]:
    """Each bus's link in a word."""
    stopped = frozenset(stuck)
    return {each.bus: "stuck" if each.bus in stopped else each.link.value for each in buses}
