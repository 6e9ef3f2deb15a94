"""Triggers in words, and their times as their state machine wants them. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from controller.site_model import Site
from controller.triggers_model import DAYS, ThenSpec, TriggerSpec
from controller.triggers_rules import ALL, kind_of
from controller.triggers_timing import Timing
from profiles.model import written

__all__ = ["does_words", "heard_actions", "timing_of", "waits_words", "watched_lines"]

_DEBOUNCE = {"line": 0.05, "adapter": 2.0}
"""Seconds for which an input has to be steady, where the site does not say. Of a line: common practice, no
source: contacts bounce for some milliseconds. Of an adapter: one that was opened anew has not been away."""
_DELAY = {"adapter": 5.0}
"""Seconds before ``on``, where the site does not say (common practice, no source: what comes on with the
mains needs some to listen)."""


def timing_of(spec: TriggerSpec) -> Timing:
    """Its times, defaults filled in."""
    kind = kind_of(spec.when)
    has_level = kind in ("line", "state", "adapter") or spec.when.off_payload is not None
    debounce = _DEBOUNCE.get(kind, 0.0) if spec.debounce_ms is None else spec.debounce_ms / 1000
    delay = _DELAY.get(kind, 0.0) if spec.delay_on_s is None else spec.delay_on_s
    return Timing(
        spec.mode == "pulse" or not has_level,
        debounce,
        delay,
        spec.delay_off_s,
        spec.hold_s,
        spec.at_start == "follow",
        spec.start_delay_s,
    )


def waits_words(spec: TriggerSpec) -> str:
    """What it waits for."""
    when = spec.when
    match kind_of(spec.when):
        case "line":
            return f"{(when.line or '').upper()} of bus {when.bus} goes {when.active}"
        case "state":
            value = "" if when.value is None else when.value
            return f"{when.unit}'s {when.state} becomes {written(value)}"
        case "heard":
            return f"somebody tells {when.unit} {when.heard}"
        case "event":
            return f"{when.unit or when.bus} says {when.event}"
        case "mqtt":
            return f"{when.payload!r} on {when.topic}"
        case "time":
            zone = f", {when.zone}" if when.zone else ""
            return f"{when.at}, {_days(when.days)}{zone}"
        case _:
            return f"the adapter of {when.adapter} appears"


def _days(days: Iterable[str]) -> str:
    wanted = [day for day in DAYS if day in set(days)]
    return "every day" if len(wanted) == len(DAYS) else " ".join(wanted)


def does_words(then: ThenSpec) -> str:
    """What it starts."""
    if then.sequence is not None:
        return f"{then.sequence} {then.go}"
    if then.off is not None:
        return "everything off" if then.off == ALL else f"{then.off} off"
    values = "".join(f" {name}={written(value)}" for name, value in then.parameters.items())
    return f"{then.unit} {then.action}{values}"


def watched_lines(site: Site, bus: str) -> frozenset[str]:
    """The control lines of a bus's adapter that triggers wait for."""
    found = (spec.when for spec in site.triggers.values())
    return frozenset(when.line for when in found if when.line is not None and when.bus == bus)


def heard_actions(site: Site, bus: str) -> frozenset[str]:
    """The actions that triggers wait for somebody else to send on a bus."""
    here = {name for name, unit in site.units.items() if unit.bus == bus}
    found = (spec.when for spec in site.triggers.values())
    return frozenset(when.heard for when in found if when.heard is not None and when.unit in here)
