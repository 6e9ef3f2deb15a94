"""Contradictions: a unit says that it is otherwise than was presumed of it, or than it was told a moment ago.

What the unit says is right, and the state follows it at once; the alert tells a person that something did not
come about as it seemed. Only of states that are true or false: a knob is turned all the time. A state with a
sense input has its own, see controller/sensing.py.
"""

from __future__ import annotations

import asyncio

from controller.records import Known, Record, StateChange, StateValue
from controller.site import LoadedSite
from controller.surroundings import Surroundings
from profiles.model import written

__all__ = ["JUST_TOLD", "STANDS", "Contradictions"]

JUST_TOLD = 10.0
"""Seconds after a confirmed command within which the unit contradicts it; later, somebody has switched it."""
STANDS = 300.0
"""Seconds for which a contradiction is told, unless something is known anew before."""


class Contradictions:
    """Watches states; for the event loop.

    Args:
        loaded: the site.
        surroundings: the states, and who is told.
    """

    def __init__(self, loaded: LoadedSite, surroundings: Surroundings) -> None:
        self._loaded = loaded
        self._with = surroundings
        self._before: dict[tuple[str, str], StateValue] = {}
        self._standing: dict[tuple[str, str], asyncio.TimerHandle] = {}

    def take(self, record: Record) -> None:
        """A state has changed, or is known in another way."""
        if not isinstance(record, StateChange):
            return
        key, value = (record.unit, record.state), record.value
        before, self._before[key] = self._before.get(key), value
        self._over(key)
        if before is None or value.known is not Known.OBSERVED or before.value == value.value:
            return
        if not isinstance(value.value, bool):
            return
        just_told = before.known is Known.CONFIRMED and value.since - before.since <= JUST_TOLD
        if before.known is not Known.PRESUMED and not just_told:
            return
        unit = self._loaded.site.units.get(record.unit)
        if unit is not None and unit.sense is not None and unit.sense.state == record.state:
            return
        how = "was just told to be" if just_told else "was presumed to be"
        text = f"{record.state} {how} {written(before.value)}, and the unit says {written(value.value)}"
        look = "the unit: it may not have obeyed, or somebody has switched it"
        self._with.alert(f"contradicted-{record.state}", record.unit, text, look)
        loop = asyncio.get_running_loop()
        self._standing[key] = loop.call_later(STANDS, self._over, key)

    def _over(self, key: tuple[str, str]) -> None:
        timer = self._standing.pop(key, None)
        if timer is not None:
            timer.cancel()
            self._with.alert(f"contradicted-{key[1]}", key[0], None, "")

    def close(self) -> None:
        """Tell nothing more."""
        for timer in self._standing.values():
            timer.cancel()
        self._standing.clear()
