"""Bursts out of sayings: a message that no template knows may come in several deliveries. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from controller.records import Direction
from tui.traffic_store import Saying, Tick, TrafficStore

__all__ = ["burst_rows", "joined", "strange_part"]

_LOOK_AROUND = 256
"""Rows on each side in which the rest of a burst is looked for: other buses' rows lie between."""


def burst_rows(store: TrafficStore, row: int, gap: float, frame: float) -> list[int]:
    """The rows that are one burst with this one, oldest first.

    What a template knows is a message by itself. Of the rest, rows of one bus that were heard with no more
    idle line between them than a burst has are one burst.

    Args:
        store: the rows.
        row: one of them.
        gap: the greatest idle line within a burst, in seconds.
        frame: a frame time, in seconds.
    """
    saying = store[row]
    rows = [row]
    if saying.direction is not Direction.HEARD or not saying.unexplained or saying.meaning:
        return rows
    for step in (-1, 1):
        near = saying
        for place in range(row + step, row + step * _LOOK_AROUND, step):
            if not 0 <= place < len(store):
                break
            other = store[place]
            if other.bus != saying.bus:
                continue
            earlier, later = (other, near) if step < 0 else (near, other)
            if other.meaning or not other.unexplained or other.direction is not saying.direction:
                break
            if later.at - len(later.data) * frame - earlier.at > gap:
                break
            rows.append(place)
            near = other
    return sorted(rows)


def joined(sayings: Sequence[Saying]) -> Saying:
    """Several sayings of one bus as one.

    Args:
        sayings: one at least, oldest first.
    """
    first, last = sayings[0], sayings[-1]
    if first is last:
        return first
    whole = Saying(
        last.at,
        first.began,
        first.bus,
        first.direction,
        "; ".join(dict.fromkeys(each.meaning for each in sayings if each.meaning)),
        bytearray(),
        bytearray(),
        first.lags[:0],
        next((each.fault for each in sayings if each.fault), ""),
        first.attempt,
        any(each.unexplained for each in sayings),
    )
    for each in sayings:
        whole.data += each.data
        whole.ticks += each.ticks
        whole.lags.extend(each.lags)
    return whole


def strange_part(saying: Saying) -> bytes:
    """What a profile has to learn of a saying: its longest stretch that nothing explains, else all of it."""
    longest = b""
    start: int | None = None
    for place, tick in enumerate([*saying.ticks, Tick.NONE]):
        if tick == Tick.STRANGE:
            start = place if start is None else start
        elif start is not None:
            longest = max(longest, bytes(saying.data[start:place]), key=len)
            start = None
    return longest or bytes(saying.data)
