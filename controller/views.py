"""What a front end is told of a site: its buses, units, actions and states."""

from __future__ import annotations

from controller.api import ActionView, BusView, SiteView, UnitView
from controller.site import LoadedSite
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.model import Parameter, StateSpec, Value

__all__ = ["site_view"]


def site_view(loaded: LoadedSite) -> SiteView:
    """The whole site."""
    site = loaded.site
    buses = tuple(
        BusView(
            name,
            bus.port,
            bus.profile,
            bus.topology,
            bus.units_expected,
            bus.port.startswith("sim://"),
            loaded.profiles[name].line.baud,
            loaded.profiles[name].line.frame,
            loaded.profiles[name].line.bit_order,
            loaded.profiles[name].line.idle,
            loaded.profiles[name].line.burst_gap_ms,
        )
        for name, bus in site.buses.items()
    )
    units = []
    for name, unit in site.units.items():
        profile = loaded.profiles[unit.bus]
        units.append(
            UnitView(
                name,
                unit.title or name,
                unit.bus,
                unit.address,
                unit.role,
                unit.group or "",
                tuple(_action(action) for action in profile.actions.values()),
                {state: _state(spec, profile) for state, spec in profile.profile.states.items()},
                unit.ask_before_energise,
                unit.minimum_off_s,
                unit.minimum_on_s,
            )
        )
    path = str(loaded.path.resolve())
    return SiteView(site.site.id, site.site.title or site.site.id, buses, tuple(units), path)


def _action(action: CompiledAction) -> ActionView:
    parameters = {name: _valued(spec) for name, spec in action.spec.parameters.items()}
    for name, spec in action.spec.parameters.items():
        parameters[name]["default"] = spec.default
    sets = {
        state: value
        for state, value in action.spec.sets.items()
        if not (isinstance(value, str) and value in action.spec.parameters)
    }
    return ActionView(
        action.name,
        action.title,
        action.spec.effect.value,
        parameters,
        sets,
        action.spec.hold_off_ms,
        action.send.addressed,
    )


def _state(spec: StateSpec, profile: CompiledProfile) -> dict[str, Value | list[Value] | None]:
    by_value = {} if spec.set is None or isinstance(spec.set, str) else spec.set
    named = [spec.set] if isinstance(spec.set, str) else list(by_value.values())
    return {
        **_valued(spec),
        "settable": bool(named) and all(name in profile.actions for name in named),
        "set": spec.set if isinstance(spec.set, str) else [f"{v}={a}" for v, a in by_value.items()],
    }


def _valued(spec: Parameter | StateSpec) -> dict[str, Value | list[Value] | None]:
    return {
        "type": spec.type.value,
        "title": spec.title,
        "range": list(spec.range) if spec.range else None,
        "values": list(spec.values) or None,
        "unit": spec.measured_in,
    }
