"""Rules about a site that need more than one of its keys, or its profiles, to be judged."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from controller.mqtt_announce import template_faults
from controller.sequences_rules import look_at_sequences
from controller.site_model import BusSpec, MqttSpec, Site, UnitSpec
from controller.triggers_rules import look_at_triggers
from profiles.compiled import CompiledProfile
from profiles.errors import Fault
from profiles.locating import Step
from profiles.model import Method, ValueType
from profiles.shape import Shown
from profiles.wording import near

__all__ = ["Key", "LookedSite", "is_this_machine", "look_at_site"]

Key = tuple[Step, ...]

_ENDS_OF_ONE_PORT = ("loop://", "sim://")
"""URLs that make a line of their own each time they are opened."""


@dataclass(slots=True)
class LookedSite:
    """A site under the rules, and what they found."""

    site: Site
    profiles: Mapping[str, CompiledProfile]
    """By bus; a bus whose profile has faults is not here."""
    shown: Shown
    broken: frozenset[Key] = frozenset()
    """What of the file could not be read."""
    faults: list[Fault] = field(default_factory=list)

    def fault(self, path: Key, what: str, todo: str = "") -> None:
        """Say what is wrong."""
        self.faults.append(self.shown.fault(path, what, todo))

    def warn(self, path: Key, what: str, todo: str = "") -> None:
        """Say what is worth knowing."""
        self.faults.append(self.shown.fault(path, what, todo, warning=True))


def look_at_site(looked: LookedSite) -> None:
    """Go through all rules."""
    site = looked.site
    if not site.buses and not looked.broken:
        looked.fault(("buses",), "is missing: the site has no bus", "add `[buses.hall]` with its port")
    ports: dict[str, str] = {}
    for name, bus in site.buses.items():
        _bus(looked, name, bus)
        port = _same_port(bus.port)
        first = ports.setdefault(port, name)
        if first != name and not port.startswith(_ENDS_OF_ONE_PORT):
            looked.fault(
                ("buses", name, "port"), f"is that of {first} too", "give each bus an adapter of its own"
            )
    for name, unit in site.units.items():
        _unit(looked, name, unit)
    _names(looked)
    _addresses(looked)
    look_at_sequences(looked)
    look_at_triggers(looked)
    if site.mqtt is not None:
        _mqtt(looked, site.mqtt)


def _bus(looked: LookedSite, name: str, bus: BusSpec) -> None:
    path: Key = ("buses", name)
    if bus.topology == "shared" and bus.hears_itself is None:
        looked.fault(
            (*path, "hears_itself"),
            "is missing: a shared line needs it",
            "say true where the adapter receives what it sends, else false",
        )
    if bus.topology != "shared" and bus.hears_itself is not None:
        looked.fault(
            (*path, "hears_itself"), f"is for a shared line, and this is a {bus.topology}", "leave it out"
        )
    if bus.topology != "ring":
        for key in ("units_expected", "pass_on"):
            if getattr(bus, key):
                looked.fault(
                    (*path, key), f"is for a ring, and the topology is {bus.topology}", "leave it out"
                )
    elif bus.units_expected is None:
        looked.warn(
            (*path, "units_expected"),
            "is missing: nobody can be told when a unit stops answering",
            "say how many units are in the ring",
        )
    if bus.pass_on and bus.topology == "ring":
        looked.warn(
            (*path, "pass_on"),
            "makes this computer part of the ring: off, it opens it, and its latency is every sender's",
        )
    profile = looked.profiles.get(name)
    if profile is not None:
        _method(looked, name, bus, profile)


def _method(looked: LookedSite, name: str, bus: BusSpec, profile: CompiledProfile) -> None:
    """Whether what the profile waits for can come back on such a line."""
    method = profile.confirm.method
    fitting = {Method.LOOP: "ring", Method.LOCAL: "shared", Method.REPLY: "shared"}.get(method)
    _probes(looked, name, bus, profile)
    path: Key = ("buses", name, "topology")
    title = f"{profile.profile.name} confirms by {method}"
    if bus.topology == "tap" or fitting is None:
        return
    if bus.topology != fitting:
        looked.fault(
            path, f"is {bus.topology}, and {title}", f'use topology = "{fitting}", or another profile'
        )
    elif method is Method.LOCAL and bus.hears_itself is False:
        looked.fault(("buses", name, "hears_itself"), f"is false, and {title}: by what it hears of itself")


def _probes(looked: LookedSite, name: str, bus: BusSpec, profile: CompiledProfile) -> None:
    """Whether a scheduled probe can be sent, and can tell anything."""
    path: Key = ("buses", name, "probe_every_s")
    if bus.probe_every_s is None:
        return
    if bus.topology == "tap":
        looked.fault(path, "is for a bus that is written to, and this is a tap", "leave it out")
    elif profile.profile.probe is None:
        looked.fault(
            path,
            f"{profile.profile.name} names no harmless probe",
            'leave it out, or add `probe = "ACTION"` to the profile',
        )
    elif profile.confirm.method is Method.NONE:
        looked.fault(
            path, f"{profile.profile.name} confirms nothing: no probe could find a break", "leave it out"
        )


def _unit(looked: LookedSite, name: str, unit: UnitSpec) -> None:
    path: Key = ("units", name)
    buses = looked.site.buses
    if unit.bus not in buses:
        if ("buses", unit.bus) not in looked.broken and ("buses",) not in looked.broken:
            looked.fault((*path, "bus"), f"no bus is called {unit.bus!r}", near(unit.bus, list(buses)))
        return
    profile = looked.profiles.get(unit.bus)
    if profile is None:
        return
    _sense(looked, name, unit, profile)
    address = profile.profile.address
    if address is None:
        if unit.address is not None:
            looked.fault((*path, "address"), f"{profile.profile.name} has no addresses", "leave it out")
    elif unit.address is None:
        looked.fault(
            (*path, "address"), "is missing", f"use one from {address.range[0]} to {address.range[1]}"
        )
    elif unit.address == address.all:
        looked.fault(
            (*path, "address"), f"{unit.address} is for all units", "name the bus to command all of its units"
        )
    elif not address.range[0] <= unit.address <= address.range[1]:
        looked.fault(
            (*path, "address"),
            f"is {unit.address}, and {profile.profile.name} has {address.range[0]} to {address.range[1]}",
        )
    if not isinstance(unit.mqtt, str):
        for index, action in enumerate(unit.mqtt):
            if action not in profile.actions:
                looked.fault(
                    (*path, "mqtt", index),
                    f"{profile.profile.name} has no action {action!r}",
                    near(action, list(profile.actions)),
                )


def _sense(looked: LookedSite, name: str, unit: UnitSpec, profile: CompiledProfile) -> None:
    """Whether a sense input can be read, and tells something that the unit has."""
    sense, path = unit.sense, ("units", name, "sense")
    if sense is None:
        return
    buses = looked.site.buses
    if sense.bus not in buses:
        looked.fault((*path, "bus"), f"no bus is called {sense.bus!r}", near(sense.bus, list(buses)))
    states = profile.profile.states
    if sense.state not in states:
        looked.fault(
            (*path, "state"),
            f"{profile.profile.name} has no state {sense.state!r}",
            near(sense.state, list(states)),
        )
    elif states[sense.state].type is not ValueType.BOOLEAN:
        looked.fault(
            (*path, "state"), f"{sense.state} is not true or false, as a line is", "name another state"
        )
    for other, spec in looked.site.units.items():
        if other == name:
            return
        if spec.sense is not None and (spec.sense.bus, spec.sense.line) == (sense.bus, sense.line):
            looked.fault((*path, "line"), f"tells of {other} already", "give each unit a line of its own")


def _names(looked: LookedSite) -> None:
    """Units, groups and buses are all named where a target is asked for."""
    site = looked.site
    for name, unit in site.units.items():
        if name in site.buses:
            looked.fault(("units", name), "a bus is called so too", "give one of them another name")
        if unit.group is not None and (unit.group in site.units or unit.group in site.buses):
            kind = "unit" if unit.group in site.units else "bus"
            looked.fault(
                ("units", name, "group"), f"a {kind} is called {unit.group!r} too", "use another name"
            )
    for table, names in (("units", site.units), ("buses", site.buses)):
        if "site" in names:
            looked.fault((table, "site"), "is how the whole site is named", "use another name")


def _addresses(looked: LookedSite) -> None:
    taken: dict[tuple[str, int | None], str] = {}
    counts: dict[str, int] = {}
    for name, unit in looked.site.units.items():
        counts[unit.bus] = counts.get(unit.bus, 0) + 1
        first = taken.setdefault((unit.bus, unit.address), name)
        profile = looked.profiles.get(unit.bus)
        if first == name or profile is None:
            continue
        if unit.address is not None:
            looked.fault(("units", name, "address"), f"is {first}'s too", "give each unit of a bus its own")
        elif profile.profile.address is None:
            looked.fault(
                ("units", name, "bus"),
                f"{first} is on it already, and without addresses they can't be told apart",
                "make one unit of them",
            )
    for name, bus in looked.site.buses.items():
        if bus.units_expected is not None and counts.get(name, 0) > bus.units_expected:
            looked.fault(
                ("buses", name, "units_expected"),
                f"is {bus.units_expected}, and the site has {counts[name]} units on this bus",
                "count all units in the ring",
            )


def _mqtt(looked: LookedSite, mqtt: MqttSpec) -> None:
    url = urlsplit(mqtt.broker)
    if url.scheme == "mqtt":
        if mqtt.tls is not None:
            looked.fault(
                ("mqtt", "tls"), "needs a broker at mqtts://", "correct `broker`, or leave `tls` out"
            )
        elif not mqtt.allow_plaintext and not is_this_machine(url.hostname or ""):
            looked.fault(
                ("mqtt", "broker"),
                "is beyond this machine, without TLS: whoever is on the way can read and send",
                "use mqtts://, or say allow_plaintext = true",
            )
    tls = mqtt.tls
    if tls is not None and (tls.certificate_file is None) != (tls.key_file is None):
        there, missing = (
            ("key_file", "certificate_file")
            if tls.certificate_file is None
            else ("certificate_file", "key_file")
        )
        looked.fault(("mqtt", "tls", there), f"needs {missing} beside it")
    for index, key, what, todo in template_faults(mqtt.announce):
        looked.fault(("mqtt", "announce", index, key), what, todo)
    if mqtt.response_prefix is not None and mqtt.response_prefix.split("/")[0] in ("homie", "$SYS", ""):
        looked.fault(
            ("mqtt", "response_prefix"),
            "would let whoever asks have us publish where devices are commanded",
            "use a prefix of its own, such as linewarden/responses",
        )
    if mqtt.secret_file is not None and mqtt.user is None:
        looked.fault(("mqtt", "secret_file"), "needs `user` beside it", "add the user that it belongs to")


def is_this_machine(host: str) -> bool:
    """Whether a host is this machine, as its name tells."""
    import ipaddress

    if host.lower() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _same_port(port: str) -> str:
    """A port's name such that two names of one port are the same, as far as that shows without opening it."""
    if port.lower().startswith("usb:"):
        return port.lower()
    return port if "://" in port else os.path.normcase(os.path.realpath(port))
