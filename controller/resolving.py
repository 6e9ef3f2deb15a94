"""What a command is to its bus: whether it is known, may come from where it comes from, and is in range.

All of that hangs on the site and its profiles alone, and not on the time, on locks or on states.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.clearance import MAY_ENERGISE, BusRules, Cleared, Refusal, UnitRules
from controller.records import Command, OriginKind, Reason
from profiles.compiled import CompiledAction
from profiles.errors import BadValue, NotKnown
from profiles.model import Value
from profiles.template import MOST_BYTES

__all__ = ["Resolver"]

_LOCAL = (OriginKind.SCREEN, OriginKind.COMMAND_LINE)
_MOST_REMEMBERED = 1000
_Key = tuple[str, str, bytes | None, OriginKind, tuple[tuple[str, type, Value], ...]]


class Resolver:
    """Judges commands by one site as it stands; where that changes, make another.

    Args:
        buses: the site's buses, by id.
        units: the site's units, by id.
    """

    def __init__(self, buses: Mapping[str, BusRules], units: Mapping[str, UnitRules]) -> None:
        self._buses = dict(buses)
        self._units = dict(units)
        self._on_bus = {
            bus: tuple(unit.id for unit in units.values() if unit.bus == bus) for bus in self._buses
        }
        self._remembered: dict[_Key, Cleared] = {}
        """Commands that were found to be good: automation says the same again and again."""

    def judged(self, command: Command) -> Cleared | Refusal:
        """Is it known, may it come from there, is it in range."""
        try:
            key = _key(command)
            known = self._remembered.get(key) if key is not None else None
            if known is not None:
                return replace(known, command=command)
            found = self._resolve(command)
        except NotKnown as error:
            return Refusal(Reason.NOT_KNOWN, error.what, error.todo)
        except BadValue as error:
            return Refusal(Reason.OUT_OF_RANGE, error.what, error.todo)
        if isinstance(found, Cleared) and key is not None:
            if len(self._remembered) >= _MOST_REMEMBERED:
                self._remembered.clear()
            self._remembered[key] = found
        return found

    def _resolve(self, command: Command) -> Cleared | Refusal:
        unit = self._units.get(command.unit)
        bus = self._buses.get(unit.bus if unit else command.unit)
        if bus is None:
            raise NotKnown(f"no unit or bus is called {command.unit!r}", todo=self.hint(command.unit))
        if not bus.writes:
            text = f"bus {bus.id} is a tap: nothing is ever written to it"
            return Refusal(Reason.LISTEN_ONLY, text, "see `topology` in the site file")
        everyone = self._on_bus[bus.id]
        if command.raw is not None:
            return (
                self._raw_not_allowed(command, bus)
                or _raw_problem(command.raw, bus)
                or Cleared(command, bus.id, everyone, None, to_all=True, profile=bus.profile)
            )
        action = bus.profile.action(command.action)
        units, to_all = everyone, True
        # Bytes without an address reach every unit on the line, whoever they were meant for.
        if unit is not None and action.send.addressed:
            units, to_all = (unit.id,), False
        forbidden = self._not_allowed(command, units)
        if forbidden is not None:
            return forbidden
        values = action.parameters(command.parameters)
        address = _address(command, unit, action, bus)
        # Built now, so that what can't be is refused at once; a counter's number is only up at its turn.
        message = action.message(values, address=address)
        others = (bus.profile.actions[name].spec.effect for name in action.twins)
        toggles = any(effect in MAY_ENERGISE for effect in others)
        ready = None if action.send.counters else message
        return Cleared(command, bus.id, units, action, values, address, to_all, toggles, bus.profile, ready)

    def takes_from_mqtt(self, unit: str, action: str) -> bool:
        """Whether the site lets an action of a unit be commanded over MQTT."""
        allowed = self._units[unit].from_mqtt
        return allowed is None or action in allowed

    def _raw_not_allowed(self, command: Command, bus: BusRules) -> Refusal | None:
        if command.origin.kind not in _LOCAL:
            text, todo = "raw bytes can be sent on the spot only", "use `linewarden send` there"
            return Refusal(Reason.NOT_ALLOWED, text, todo)
        if not bus.allow_raw:
            text = f"bus {bus.id} takes no raw bytes"
            return Refusal(Reason.NOT_ALLOWED, text, "set `allow_raw = true` for it in the site file")
        return None

    def _not_allowed(self, command: Command, units: Iterable[str]) -> Refusal | None:
        if command.origin.kind is OriginKind.MQTT:
            for unit in units:
                if not self.takes_from_mqtt(unit, command.action):
                    return Refusal(
                        Reason.NOT_ALLOWED,
                        f"{unit} takes no {command.action} over MQTT",
                        "see `mqtt` for this unit in the site file",
                    )
        return None

    def hint(self, name: str) -> str:
        """What may have been meant by a name that is not known."""
        import difflib

        near = difflib.get_close_matches(name, [*self._units, *self._buses], n=2)
        return f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(self._units)}"


def _key(command: Command) -> _Key | None:
    """What a command is remembered by; None where a parameter is no plain value: that is always refused."""
    # The kinds of the values too: true is 1 to Python, and is none for a number.
    given = tuple((name, type(value), value) for name, value in command.parameters.items())
    if not all(issubclass(kind, Value) for _, kind, _ in given):
        return None
    return command.unit, command.action, command.raw, command.origin.kind, given


def _address(command: Command, unit: UnitRules | None, action: CompiledAction, bus: BusRules) -> int | None:
    """The address that the message carries.

    Raises:
        BadValue: it needs one, and there is none.
    """
    if not action.send.addressed:
        return unit.address if unit else None
    if unit is not None and unit.address is not None:
        return unit.address
    if unit is not None:
        raise BadValue(f"{command.unit} has no address", todo="give it one in the site file")
    known = bus.profile.profile.address
    if known is None or known.all is None:
        raise BadValue(f"{bus.profile.profile.name} has no address for all units", todo="name one unit")
    return known.all


def _raw_problem(data: bytes, bus: BusRules) -> Refusal | None:
    bits = bus.profile.line.format.data_bits
    text = ""
    if not data:
        text = "there are no bytes to send"
    elif len(data) > MOST_BYTES:
        text = f"{len(data)} bytes are more than the {MOST_BYTES} that one command may send"
    elif max(data) >= 1 << bits:
        text = f"{max(data):02X} does not fit the {bits} data bits of bus {bus.id}"
    return Refusal(Reason.OUT_OF_RANGE, text, "give other bytes") if text else None
