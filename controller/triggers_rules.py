"""Rules about the triggers of a site: what can be waited for, what can be started."""

from __future__ import annotations

import zoneinfo
from typing import TYPE_CHECKING

from controller.triggers_model import ThenSpec, TriggerSpec, WhenSpec
from profiles.errors import BadValue
from profiles.wording import near

if TYPE_CHECKING:
    from controller.site_rules import Key, LookedSite

__all__ = ["ALL", "kind_of", "look_at_triggers"]

ALL = "all"
"""What everything is called where something is switched off."""

_KINDS = {
    "line": ("line", {"line", "bus", "active"}),
    "state": ("state", {"state", "unit", "value"}),
    "heard": ("heard", {"heard", "unit"}),
    "event": ("event", {"event", "bus", "unit"}),
    "topic": ("mqtt", {"topic", "payload", "off_payload"}),
    "at": ("time", {"at", "days", "zone"}),
    "adapter": ("adapter", {"adapter"}),
}
"""By the key that tells it: the kind, and the keys that go with it."""
_LEVELS = ("line", "state", "adapter")
"""Kinds that are so for as long as they are, whoever looks."""


def kind_of(when: WhenSpec) -> str:
    """What it waits for: line, state, heard, event, mqtt, time or adapter."""
    return next((kind for key, (kind, _) in _KINDS.items() if getattr(when, key) is not None), "")


def look_at_triggers(looked: LookedSite) -> None:
    """Go through the rules for each trigger."""
    for name, spec in looked.site.triggers.items():
        path: Key = ("triggers", name)
        _when(looked, (*path, "when"), spec.when)
        _then(looked, (*path, "on"), spec.on)
        if spec.off is not None:
            _then(looked, (*path, "off"), spec.off)
        _timing(looked, path, spec)
        if kind_of(spec.when) == "mqtt" and looked.site.mqtt is None and ("mqtt",) not in looked.broken:
            looked.fault(
                (*path, "when", "topic"), "needs a broker, and the site has none", "add `[mqtt]` to the site"
            )


def _when(looked: LookedSite, path: Key, when: WhenSpec) -> None:
    given = when.model_fields_set
    kinds = [key for key in _KINDS if key in given]
    if len(kinds) != 1:
        told = f"waits for {' and '.join(kinds)}: it can be one of them" if kinds else "waits for nothing"
        looked.fault(path, told, f"write one of {', '.join(_KINDS)}")
        return
    for key in sorted(given - _KINDS[kinds[0]][1]):
        looked.fault((*path, key), f"does not go with `{kinds[0]}`", "leave it out")
    match kinds[0]:
        case "line":
            _bus(looked, path, "bus", when.bus)
        case "adapter":
            _bus(looked, path, "adapter", when.adapter)
        case "state":
            _state(looked, path, when)
        case "heard":
            _heard(looked, path, when)
        case "event":
            _event(looked, path, when)
        case "topic" if when.payload is None:
            looked.fault((*path, "payload"), "is missing: any message would do", 'add `payload = "on"`')
        case "topic" if when.payload == when.off_payload:
            looked.fault((*path, "off_payload"), "is that of `payload` too", "use another one")
        case "topic" if when.topic is not None and when.topic.startswith("$"):
            looked.fault((*path, "topic"), "is one of the broker's own", "use another one")
        case "at" if when.zone is not None:
            _zone(looked, (*path, "zone"), when.zone)


def _bus(looked: LookedSite, path: Key, key: str, name: str | None) -> None:
    if name is None:
        looked.fault((*path, key), "is missing", "name the bus whose adapter it is")
    elif name not in looked.site.buses and ("buses", name) not in looked.broken:
        looked.fault((*path, key), f"no bus is called {name!r}", near(name, list(looked.site.buses)))


def _unit(looked: LookedSite, path: Key, name: str | None) -> bool:
    """Whether there is such a unit."""
    if name in looked.site.units:
        return True
    if name is None:
        looked.fault((*path, "unit"), "is missing", "name the unit")
    elif ("units", name) not in looked.broken:
        looked.fault((*path, "unit"), f"no unit is called {name!r}", near(name, list(looked.site.units)))
    return False


def _state(looked: LookedSite, path: Key, when: WhenSpec) -> None:
    if when.value is None:
        looked.fault((*path, "value"), "is missing", "say what the state has to become")
    if not _unit(looked, path, when.unit):
        return
    profile = looked.profiles.get(looked.site.units[when.unit or ""].bus)
    if profile is None:
        return
    spec = profile.profile.states.get(when.state or "")
    if spec is None:
        known = list(profile.profile.states)
        looked.fault(
            (*path, "state"), f"{when.unit} has no state {when.state!r}", near(when.state or "", known)
        )
    elif when.value is not None and (problem := spec.problem(when.value)):
        looked.fault((*path, "value"), f"{problem}, not {when.value!r}")


def _heard(looked: LookedSite, path: Key, when: WhenSpec) -> None:
    if not _unit(looked, path, when.unit):
        return
    profile = looked.profiles.get(looked.site.units[when.unit or ""].bus)
    if profile is not None and when.heard not in profile.actions:
        known = list(profile.actions)
        looked.fault(
            (*path, "heard"), f"{when.unit} has no action {when.heard!r}", near(when.heard or "", known)
        )


def _event(looked: LookedSite, path: Key, when: WhenSpec) -> None:
    if (when.bus is None) == (when.unit is None):
        looked.fault(path, "says not whose event, or twice", "write either `bus` or `unit`")
        return
    if when.unit is not None:
        if not _unit(looked, path, when.unit):
            return
        bus = looked.site.units[when.unit].bus
    else:
        _bus(looked, path, "bus", when.bus)
        bus = when.bus or ""
    profile = looked.profiles.get(bus)
    known = [] if profile is None else [each.spec.event for each in profile.observations if each.spec.event]
    if profile is not None and when.event not in known:
        looked.fault(
            (*path, "event"),
            f"{profile.profile.name} has no event {when.event!r}",
            near(when.event or "", known),
        )


def _zone(looked: LookedSite, path: Key, name: str) -> None:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        todo = near(name, sorted(zoneinfo.available_timezones())) or 'write it as "Europe/London"'
        looked.fault(path, f"no time zone is called {name!r} here", todo)


def _then(looked: LookedSite, path: Key, then: ThenSpec) -> None:
    given = then.model_fields_set
    kinds = [key for key in ("action", "sequence", "off") if key in given]
    if len(kinds) != 1:
        told = f"starts {' and '.join(kinds)}: it can be one of them" if kinds else "starts nothing"
        looked.fault(path, told, "write one of action, sequence, off")
        return
    takes = {
        "action": {"unit", "action", "parameters"},
        "sequence": {"sequence", "go"},
        "off": {"off"},
    }[kinds[0]]
    for key in sorted(given - takes):
        looked.fault((*path, key), f"does not go with `{kinds[0]}`", "leave it out")
    site = looked.site
    match kinds[0]:
        case "sequence":
            if (
                then.sequence not in site.sequences
                and ("sequences", then.sequence or "") not in looked.broken
            ):
                looked.fault(
                    (*path, "sequence"),
                    f"no sequence is called {then.sequence!r}",
                    near(then.sequence or "", list(site.sequences)),
                )
        case "off":
            groups = {unit.group for unit in site.units.values() if unit.group}
            known = [ALL, *site.units, *site.buses, *sorted(groups)]
            if then.off not in known and not looked.broken:
                looked.fault((*path, "off"), f"nothing is called {then.off!r}", near(then.off or "", known))
        case "action":
            _action(looked, path, then)


def _action(looked: LookedSite, path: Key, then: ThenSpec) -> None:
    if not _unit(looked, path, then.unit):
        return
    profile = looked.profiles.get(looked.site.units[then.unit or ""].bus)
    if profile is None:
        return
    action = profile.actions.get(then.action or "")
    if action is None:
        known = list(profile.actions)
        looked.fault(
            (*path, "action"), f"{then.unit} has no action {then.action!r}", near(then.action or "", known)
        )
        return
    try:
        action.parameters(then.parameters)
    except BadValue as error:
        looked.fault((*path, "parameters"), error.what, error.todo)


def _timing(looked: LookedSite, path: Key, spec: TriggerSpec) -> None:
    kind = kind_of(spec.when)
    given = spec.model_fields_set
    has_level = kind in _LEVELS or (kind == "mqtt" and spec.when.off_payload is not None)
    pulse = spec.mode == "pulse" or not has_level
    if spec.mode == "level" and not has_level:
        looked.fault((*path, "mode"), f"is level, and what is waited for ({kind}) has none", "leave it out")
        return
    if spec.off is not None and pulse and spec.hold_s == 0:
        looked.fault(
            (*path, "off"), "would never be done: a pulse has no end", "say with `hold_s` how long it counts"
        )
    if pulse and "delay_off_s" in given:
        looked.fault((*path, "delay_off_s"), "is for what has a level", "use `hold_s`")
    if "debounce_ms" in given and kind not in _LEVELS:
        looked.fault((*path, "debounce_ms"), f"is not for {kind}", "leave it out")
    if spec.at_start == "follow" and (pulse or kind not in _LEVELS):
        looked.fault((*path, "at_start"), "is follow, and there is no level to follow", "leave it out")
    if "start_delay_s" in given and spec.at_start != "follow":
        looked.fault((*path, "start_delay_s"), 'is for at_start = "follow"', "leave it out")
