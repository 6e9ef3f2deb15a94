"""Sense inputs: a unit's own trigger output on a control line of an adapter is an observation of its state.

The line says how the unit is, whatever it was told and by whom. Where a command went round whole and the line
still says otherwise some seconds later, the line is right: the state is what it says, and an alert tells of
the contradiction. While its adapter is away the line says nothing, and what it said last is doubted.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass

from controller.control_lines import ControlLine
from controller.fanout import Fanout
from controller.records import BusStatus, Event, Known, LinkState, Record, StateChange
from controller.site import LoadedSite
from controller.site_model import SenseSpec, Site
from controller.surroundings import Surroundings
from controller.waiting import Clock
from profiles.model import Value

__all__ = ["Sensing", "sensed_lines"]


def sensed_lines(site: Site, bus: str) -> frozenset[str]:
    """The control lines of a bus's adapter that say how units are."""
    senses = (unit.sense for unit in site.units.values())
    return frozenset(sense.line for sense in senses if sense is not None and sense.bus == bus)


@dataclass(slots=True)
class _Input:
    """One sense input."""

    unit: str
    spec: SenseSpec
    says: bool | None = None
    """What the unit is by its line, once that has been steady; None while nothing is known of it."""
    coming: bool | None = None
    """What the line says now, before it has been steady for long enough."""
    steady: asyncio.TimerHandle | None = None
    doubt: asyncio.TimerHandle | None = None
    """Set while the book says otherwise and the unit may still be on its way."""
    told: Value | None = None
    """What it was told and has not become, while an alert says so."""


class Sensing:
    """Keeps the book of states to what the sense inputs of a site say; for the event loop.

    Args:
        loaded: the site.
        surroundings: the book, and who is told.
        clock: monotonic seconds, for minimum times.
    """

    def __init__(self, loaded: LoadedSite, surroundings: Surroundings, clock: Clock) -> None:
        self._loaded = loaded
        self._with = surroundings
        self._clock = clock
        self._inputs: dict[str, _Input] = {}
        self._closed = False

    def start(self, fanout: Fanout) -> None:
        """Begin to listen."""
        self._renew()
        fanout.listen(self._take, ("ControlLine", "BusStatus", "StateChange", "Event"))

    def close(self) -> None:
        """Say nothing more."""
        self._closed = True
        for each in self._inputs.values():
            _cancel(each)

    def _renew(self) -> None:
        """Take the site's inputs as they are now; one that is as it was goes on."""
        wanted: Mapping[str, SenseSpec] = {
            name: unit.sense for name, unit in self._loaded.site.units.items() if unit.sense is not None
        }
        for unit, each in list(self._inputs.items()):
            if wanted.get(unit) != each.spec:
                _cancel(each)
                self._contradiction(each, None)
                del self._inputs[unit]
        for unit, spec in wanted.items():
            self._inputs.setdefault(unit, _Input(unit, spec))

    def _take(self, record: Record) -> None:
        if self._closed:
            return
        match record:
            case ControlLine():
                for each in self._inputs.values():
                    if (each.spec.bus, each.spec.line) == (record.bus, record.line):
                        self._level(each, record.level)
            case BusStatus(link=LinkState.DOWN):
                for each in self._inputs.values():
                    if each.spec.bus == record.bus:
                        self._away(each)
            case StateChange():
                found = self._inputs.get(record.unit)
                if found is not None and found.spec.state == record.state:
                    self._compare(found)
            case Event(name="site-reloaded"):
                self._renew()

    # What the line says

    def _level(self, each: _Input, level: bool) -> None:
        each.coming = level == (each.spec.active == "high")
        if each.steady is not None:
            each.steady.cancel()
        each.steady = asyncio.get_running_loop().call_later(
            each.spec.debounce_ms / 1000, self._is_steady, each
        )

    def _is_steady(self, each: _Input) -> None:
        each.steady = None
        if self._inputs.get(each.unit) is not each or each.coming is None:
            return
        each.says = each.coming
        self._observe(each)

    def _observe(self, each: _Input) -> None:
        if each.says is None:
            return
        changes = self._with.states.put(
            each.unit, {each.spec.state: each.says}, Known.OBSERVED, self._with.utc()
        )
        for change in changes:
            if self._with.gate.minds(each.unit):
                self._with.gate.noticed(change, self._clock())
            self._with.publish(change)
        self._compare(each)

    def _away(self, each: _Input) -> None:
        """Nobody sees the line any more."""
        _cancel(each)
        each.says = each.coming = None
        self._contradiction(each, None)
        for change in self._with.states.doubt(each.unit, [each.spec.state], self._with.utc()):
            self._with.publish(change)

    # Whether the book agrees

    def _compare(self, each: _Input) -> None:
        value = self._with.states.get(each.unit, each.spec.state)
        if each.says is None or value is None:
            return
        if value.value == each.says:
            # Told or observed: both say the same, or will when the unit has come so far.
            if each.doubt is not None:
                each.doubt.cancel()
                each.doubt = None
            # The book says what the line says: that alone ends no contradiction with what was told before.
            if each.told == each.says or value.known is not Known.OBSERVED:
                self._contradiction(each, None)
        elif each.doubt is None:
            loop = asyncio.get_running_loop()
            # One that nothing is known of is known by its line at once; one that was told may be on its way.
            wait = 0.0 if value.known is Known.UNKNOWN else each.spec.grace_s
            each.doubt = loop.call_later(wait, self._insist, each)

    def _insist(self, each: _Input) -> None:
        each.doubt = None
        value = self._with.states.get(each.unit, each.spec.state)
        if each.says is None or value is None or value.value == each.says:
            return
        if value.known is not Known.UNKNOWN:
            self._contradiction(each, value.value)
        self._observe(each)

    def _contradiction(self, each: _Input, told: Value | None) -> None:
        unit, spec = each.unit, each.spec
        if told is None:
            if each.told is not None:
                self._with.alert("sense", unit, None, "")
            each.told = None
            return
        each.told = told
        says = "true" if each.says else "false"
        text = f"{spec.state} should be {str(told).lower()}, and its sense input says {says}"
        look = f"the unit and its mains; then the lead from it to {spec.line.upper()} of {spec.bus}'s adapter"
        self._with.alert("sense", unit, text, look)


def _cancel(each: _Input) -> None:
    for handle in (each.steady, each.doubt):
        if handle is not None:
            handle.cancel()
    each.steady = each.doubt = None
