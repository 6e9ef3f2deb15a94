"""From a site's file to what the gate and the buses need."""

from __future__ import annotations

from collections.abc import Collection
from urllib.parse import parse_qsl, urlsplit

from controller.bus_setup import BusSetup
from controller.guard import BusRules, UnitRules
from controller.journal import Learned
from controller.journal_watch import Keeping
from controller.ports import PortSettings
from controller.sensing import sensed_lines
from controller.site import BusSpec, JournalSpec, LoadedSite, UnitSpec
from controller.triggers_words import heard_actions, watched_lines
from profiles.compiled import CompiledProfile

__all__ = ["bus_rules", "bus_setup", "end_own_lines", "keeping", "unit_rules"]


def bus_rules(name: str, spec: BusSpec, profile: CompiledProfile) -> BusRules:
    """What the gate needs to know of a bus."""
    return BusRules(name, profile, spec.rate_per_s, spec.allow_raw, writes=spec.topology != "tap")


def unit_rules(name: str, spec: UnitSpec) -> UnitRules:
    """What the gate needs to know of a unit."""
    allowed = {"all": None, "none": frozenset[str]()}
    from_mqtt = allowed[spec.mqtt] if isinstance(spec.mqtt, str) else frozenset(spec.mqtt)
    return UnitRules(
        name,
        spec.bus,
        spec.address,
        spec.group or "",
        from_mqtt,
        spec.minimum_off_s,
        spec.minimum_on_s,
        spec.ask_before_energise,
    )


def keeping(spec: JournalSpec) -> Keeping:
    """How much of the journal is kept."""
    return Keeping(None if spec.keep_days is None else spec.keep_days * 86_400, spec.most_mb << 20)


def bus_setup(name: str, spec: BusSpec, loaded: LoadedSite, learned: Learned | None) -> BusSetup:
    """What a bus needs to know of itself. What the site says outranks what was measured."""
    line = loaded.profiles[name].line
    latency, jitter = _seconds(spec.adapter_latency_ms), _seconds(spec.adapter_jitter_ms)
    if learned is not None:
        latency = learned.latency_s if latency is None else latency
        jitter = learned.jitter_s if jitter is None else jitter
    return BusSetup(
        name,
        PortSettings(_port(name, spec, loaded), line, spec.dtr, spec.rts, spec.rs485, spec.adapter_inverts),
        spec.topology,
        {unit.address: unit_id for unit_id, unit in loaded.site.units.items() if unit.bus == name},
        spec.units_expected,
        bool(spec.hears_itself),
        spec.pass_on,
        latency,
        jitter,
        _hop_bits(learned, line.format.bits),
        watched_lines(loaded.site, name) | sensed_lines(loaded.site, name),
        heard_actions(loaded.site, name),
    )


def _hop_bits(learned: Learned | None, frame_bits: float) -> float | None:
    """The learned length of a hop, unless the profile's frames are of another length by now."""
    bits = learned.hop_bits if learned is not None else None
    return bits if bits is not None and 0.85 <= bits / frame_bits <= 1.05 else None


def _own_line(name: str, spec: BusSpec, loaded: LoadedSite) -> str | None:
    """The name of the simulated line that is made for this bus alone; None where there is none such.

    A site's file may name a line, so that others can use it too: that one lives on.
    """
    if not spec.port.startswith("sim://") or "name" in dict(parse_qsl(urlsplit(spec.port).query)):
        return None
    return f"{loaded.site.site.id}-{name}"


def end_own_lines(loaded: LoadedSite, buses: Collection[str] | None = None) -> None:
    """End the simulated lines that were made for this site's buses alone: they are of no use after it.

    Args:
        loaded: the site.
        buses: of these buses; None for all.
    """
    lines = [
        _own_line(name, spec, loaded)
        for name, spec in loaded.site.buses.items()
        if buses is None or name in buses
    ]
    if any(lines):
        from controller.simulator.registry import names, stop

        for line in set(names()).intersection(lines):
            stop(line)


def _port(name: str, spec: BusSpec, loaded: LoadedSite) -> str:
    """The port as it is opened: a simulated line has a name in any case, so that it can be given orders."""
    line = _own_line(name, spec, loaded)
    return spec.port if line is None else f"{spec.port}{'&' if '?' in spec.port else '?'}name={line}"


def _seconds(milliseconds: float | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000
