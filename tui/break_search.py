"""Leading a person to the break in a ring, step by step: words out, a key in, a probe a step."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from controller.api import ControllerApi, ProbeReport, SiteView
from controller.break_finding import BreakSearch, Found
from controller.records import Reason
from profiles.errors import InputError, NotKnown
from tui.telling import plain

__all__ = ["Searched", "search_for_break"]


@dataclass(slots=True)
class Searched:
    """How a search went."""

    bus: str
    found: Found | None = None
    whole: bool = False
    """Whether the whole ring carried the last probe."""
    steps: list[dict[str, Any]] = field(default_factory=list)
    """Each probe: ``place``, ``came_back``, ``units_answering``."""


async def search_for_break(
    api: ControllerApi, bus: str, say: Callable[[str], None], *, line: Callable[[], str] | None = None
) -> Searched:
    """Probe the ring, and where it is cut lead to the place.

    Args:
        api: the controller.
        bus: the ring.
        say: shows a line to the person.
        line: waits for a line that the person types, its end included; empty where no more comes.

    Raises:
        NotKnown: there is no such bus.
        InputError: it is no ring, or the number of its units is not known.
    """
    view = await api.site()
    units, names = _ring(view, bus)
    searched, search = Searched(bus), BreakSearch(units, names)
    ask = line if line is not None else sys.stdin.readline
    if await _whole(api, searched, say):
        return searched
    if names:
        order = ", ".join(f"{number} {name}" for number, name in enumerate(names, 1))
        say(f"Units are counted from the adapter's output on: {order} (as the site file lists them).")
    else:
        say("Units are counted from the adapter's output on.")
    say("Take the return lead off the adapter's input. Enter: done; q: give up.")
    while (place := search.place) is not None:
        left = search.steps_left
        say(f"Join the adapter's input to {_output(search, place)} ({left} step{'s' * (left != 1)} left).")
        if not await _goes_on(ask):
            return searched
        report = await api.probe(bus)
        came_back, answering = _came_back(report)
        odd = search.took(came_back, answering)
        searched.steps.append({"place": place, "came_back": came_back, "units_answering": answering})
        say(f"  {odd}" if odd else f"  {_word(search, place, report, came_back)}")
    searched.found = search.found
    if searched.found is not None:
        say(f"Found: {searched.found.text}.")
        say(f"  look at   {searched.found.look_at}")
    say("When it is mended and the return lead is back in its place: Enter probes the whole ring; q ends.")
    if await _goes_on(ask):
        await _whole(api, searched, say)
    return searched


def _ring(view: SiteView, bus: str) -> tuple[int, list[str]]:
    """How many units the ring has, and what they are called where the site file lists all of them."""
    known = {each.id: each for each in view.buses}
    if bus not in known:
        raise NotKnown(f"no bus is called {bus!r}", todo=f"known are {', '.join(known)}")
    if known[bus].topology != "ring":
        raise InputError(
            f"is no ring, its topology is {known[bus].topology}",
            where=bus,
            todo="`linewarden probe` without --find-break asks each unit that can be asked",
        )
    units = known[bus].units_expected
    if units is None:
        raise InputError(
            "the number of units in the ring is not known",
            where=bus,
            todo="say `units_expected` in the site file",
        )
    names = [unit.id for unit in view.units if unit.bus == bus]
    return units, names if len(names) == units else []


async def _whole(api: ControllerApi, searched: Searched, say: Callable[[str], None]) -> bool:
    report = await api.probe(searched.bus)
    searched.whole = report.outcome is not None and report.outcome.result.good
    text = report.text
    if searched.whole and not report.well:
        text += ", and the ring is whole"
    say(plain(f"{searched.bus}: {text}"))
    return searched.whole


def _came_back(report: ProbeReport) -> tuple[bool, int | None]:
    """Whether the adapter heard what it sent, and how many units repeated it, where that can be told."""
    outcome = report.outcome
    if outcome is not None and outcome.reason is Reason.ECHO_EARLY:
        return True, 0  # sooner than a single unit could have repeated it
    return outcome is not None and outcome.result.good, report.units_answering


async def _goes_on(ask: Callable[[], str]) -> bool:
    typed = await asyncio.to_thread(ask)
    return bool(typed) and typed.strip().lower() not in ("q", "quit")


def _output(search: BreakSearch, place: int) -> str:
    return "its own output" if place == 0 else f"the output of {search.name(place)}"


def _word(search: BreakSearch, place: int, report: ProbeReport, came_back: bool) -> str:
    if came_back:
        lag = report.outcome.lag_ms if report.outcome is not None else None
        took = f" after {lag.least:.2f} ms" if lag is not None else ""
        counted = "" if report.units_answering is None else f", repeated by {report.units_answering}"
        return f"it came back{took}{counted}: all is good up to {search.name(place)}"
    why = report.outcome.reason.value if report.outcome is not None and report.outcome.reason else "nothing"
    return f"it did not come back ({why}): the break is before the output of {search.name(place)}"
