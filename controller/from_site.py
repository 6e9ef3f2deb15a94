"""From a site's file to what the gate and the buses need."""

from __future__ import annotations

from controller.bus import BusSetup
from controller.guard import BusRules, UnitRules
from controller.journal_store import Learned
from controller.ports import PortSettings
from controller.site import BusSpec, LoadedSite, UnitSpec
from profiles.compiled import CompiledProfile

__all__ = ["bus_rules", "bus_setup", "unit_rules"]


def bus_rules(name: str, spec: BusSpec, profile: CompiledProfile) -> BusRules:
    """What the gate needs to know of a bus."""
    return BusRules(name, profile, spec.rate_per_s, spec.allow_raw, writes=spec.topology != "tap")


def unit_rules(name: str, spec: UnitSpec) -> UnitRules:
    """What the gate needs to know of a unit."""
    allowed = {"all": None, "none": frozenset[str]()}
    from_mqtt = allowed[spec.mqtt] if isinstance(spec.mqtt, str) else frozenset(spec.mqtt)
    return UnitRules(
        name, spec.bus, spec.address, spec.group or "", from_mqtt, spec.minimum_off_s, spec.minimum_on_s
    )


def bus_setup(name: str, spec: BusSpec, loaded: LoadedSite, learned: Learned | None) -> BusSetup:
    """What a bus needs to know of itself. What the site says outranks what was measured."""
    line = loaded.profiles[name].line
    latency, jitter = _seconds(spec.adapter_latency_ms), _seconds(spec.adapter_jitter_ms)
    if latency is None and learned is not None:
        latency, jitter = learned.latency_s, learned.jitter_s
    elif latency is not None and jitter is None:
        jitter = 0.0
    hop = learned.hop_bits / line.baud if learned is not None and learned.hop_bits is not None else None
    return BusSetup(
        name,
        PortSettings(
            _port(name, spec.port, loaded), line, spec.dtr, spec.rts, spec.rs485, spec.adapter_inverts
        ),
        spec.topology,
        {unit.address: unit_id for unit_id, unit in loaded.site.units.items() if unit.bus == name},
        spec.units_expected,
        bool(spec.hears_itself),
        spec.pass_on,
        latency,
        jitter,
        hop,
    )


def _port(name: str, port: str, loaded: LoadedSite) -> str:
    """The port as it is opened: a simulated line keeps the bus's name, so that it can be given orders."""
    if not port.startswith("sim://") or "name=" in port:
        return port
    return f"{port}{'&' if '?' in port else '?'}name={loaded.site.site.id}-{name}"


def _seconds(milliseconds: float | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000
