"""The gate: the one way to the line, for every command from every origin.

It asks in this order: is the command known, fresh, allowed for this origin, in range, within the bus's rate,
free of locks, past its minimum times, and is ``only_if`` met. De-energising is never refused for a rate, a
lock or a time: it passes. Hold-off and minimum on times make a command wait instead of refusing it.

It governs our own commands alone. A front panel, a remote or another lead unit can still switch gear, and
with ``pass_on`` this computer carries what they say: no lock covers that.

Pure: what time it is, which locks stand and how the states are, is handed in.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from controller.records import Command, Lock, OriginKind, Reason
from controller.states import StateBook
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.errors import BadValue, NotKnown
from profiles.model import Effect, Value

__all__ = ["BusRules", "Cleared", "Gate", "Refusal", "UnitRules"]

_AUTOMATIC = (OriginKind.MQTT, OriginKind.TRIGGER, OriginKind.SEQUENCE)
_LOCAL = (OriginKind.SCREEN, OriginKind.COMMAND_LINE)


@dataclass(frozen=True, slots=True)
class UnitRules:
    """What the gate knows of a unit."""

    id: str
    bus: str
    address: int | None = None
    group: str = ""
    from_mqtt: frozenset[str] | None = None
    """Actions that may be commanded over MQTT; None for all."""
    minimum_off: float = 0.0
    """Seconds off before it may be energised again."""
    minimum_on: float = 0.0
    """Seconds on before automation may de-energise it; people may at once."""


@dataclass(frozen=True, slots=True)
class BusRules:
    """What the gate knows of a bus."""

    id: str
    profile: CompiledProfile
    rate: float | None = None
    """Most commands a second, over any ten seconds; None for no limit."""
    allow_raw: bool = False
    writes: bool = True


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a command does not pass."""

    reason: Reason
    text: str
    todo: str = ""
    """What a person can do about it."""


@dataclass(frozen=True, slots=True)
class Cleared:
    """A command that passed: what it is to the bus."""

    command: Command
    bus: str
    units: tuple[str, ...]
    """The units that it concerns."""
    action: CompiledAction | None
    """None for raw bytes."""
    values: dict[str, Value] = field(default_factory=dict)
    address: int | None = None
    to_all: bool = False

    @property
    def effect(self) -> Effect:
        """What it does to the energy in the gear; raw bytes may do anything."""
        return self.action.spec.effect if self.action else Effect.UNKNOWN

    @property
    def energises(self) -> bool:
        """Whether it may energise: ``unknown`` counts as if it did."""
        return self.effect in (Effect.ENERGISE, Effect.UNKNOWN)

    @property
    def de_energises(self) -> bool:
        """Whether it only takes energy away."""
        return self.effect is Effect.DE_ENERGISE


class Gate:
    """Judges commands; remembers what was sent when, for rates and times.

    Args:
        buses: the site's buses.
        units: the site's units.
    """

    def __init__(self, buses: Iterable[BusRules], units: Iterable[UnitRules]) -> None:
        self._buses = {bus.id: bus for bus in buses}
        self._units = {unit.id: unit for unit in units}
        self._held_until: dict[str, float] = {}
        self._off_since: dict[str, float] = {}
        self._on_since: dict[str, float] = {}
        self._recent: dict[str, list[float]] = {}

    def set_profile(self, bus: str, profile: CompiledProfile) -> None:
        """A bus has a new profile."""
        old = self._buses[bus]
        self._buses[bus] = BusRules(bus, profile, old.rate, old.allow_raw, old.writes)

    def units_of(self, target: str) -> tuple[str, ...]:
        """The units that a unit's, a group's or a bus's id stands for.

        Raises:
            NotKnown: it stands for none.
        """
        if target in self._units:
            return (target,)
        found = tuple(u.id for u in self._units.values() if target in (u.bus, u.group))
        if not found and target not in self._buses:
            raise NotKnown(f"no unit, group or bus is called {target!r}", todo=self._hint(target))
        return found

    def admit(self, command: Command, *, utc: float, locks: Iterable[Lock]) -> Cleared | Refusal:
        """Judge a command as it comes in: everything that does not depend on its turn."""
        try:
            cleared = self._resolve(command)
        except NotKnown as error:
            return Refusal(Reason.NOT_KNOWN, error.what, error.todo)
        except BadValue as error:
            return Refusal(Reason.OUT_OF_RANGE, error.what, error.todo)
        if isinstance(cleared, Refusal):
            return cleared
        return (
            self._stale(command, utc) or self._not_allowed(cleared) or self._locked(cleared, locks) or cleared
        )

    def within_rate(self, cleared: Cleared, now: float) -> Refusal | None:
        """Count a command against its bus's rate; de-energising is counted and never refused."""
        rate = self._buses[cleared.bus].rate
        if rate is None:
            return None
        recent = [at for at in self._recent.get(cleared.bus, []) if now - at < _RATE_WINDOW]
        full = len(recent) >= max(1, math.floor(rate * _RATE_WINDOW))
        if full and not cleared.de_energises:
            self._recent[cleared.bus] = recent
            return Refusal(
                Reason.TOO_FAST,
                f"more than {rate:g} commands a second for bus {cleared.bus}",
                "find out what sends so many, or raise `rate_per_s` in the site file",
            )
        self._recent[cleared.bus] = [*recent, now]
        return None

    def at_its_turn(
        self, cleared: Cleared, *, utc: float, now: float, locks: Iterable[Lock], states: StateBook
    ) -> Refusal | None:
        """Judge a command again when the line is free for it: time has passed since it was admitted."""
        return (
            self._stale(cleared.command, utc)
            or self._locked(cleared, locks)
            or self._too_soon(cleared, now)
            or self._condition(cleared, states)
        )

    def ready_at(self, cleared: Cleared) -> float:
        """The monotonic instant from which it may be sent: hold-off, and automation's minimum on time."""
        at = max((self._held_until.get(unit, -math.inf) for unit in cleared.units), default=-math.inf)
        if cleared.de_energises and cleared.command.origin.kind in _AUTOMATIC:
            for unit in cleared.units:
                if unit in self._on_since:
                    at = max(at, self._on_since[unit] + self._units[unit].minimum_on)
        return at

    def sent(self, cleared: Cleared, now: float) -> None:
        """It went out, or may have."""
        if cleared.action is None:
            return
        for unit in cleared.units:
            self._held_until[unit] = now + cleared.action.spec.hold_off_ms / 1000
            if cleared.de_energises:
                self._off_since[unit] = now
                self._on_since.pop(unit, None)
            elif cleared.effect is Effect.ENERGISE:
                self._on_since.setdefault(unit, now)

    # One question each

    def _resolve(self, command: Command) -> Cleared | Refusal:
        unit = self._units.get(command.unit)
        bus = self._buses.get(unit.bus if unit else command.unit)
        if bus is None:
            raise NotKnown(f"no unit or bus is called {command.unit!r}", todo=self._hint(command.unit))
        if not bus.writes:
            return Refusal(
                Reason.LISTEN_ONLY, f"bus {bus.id} is a tap: nothing is ever written to it", "see `topology`"
            )
        units = (unit.id,) if unit else tuple(u.id for u in self._units.values() if u.bus == bus.id)
        if command.raw is not None:
            everyone = tuple(u.id for u in self._units.values() if u.bus == bus.id)
            return Cleared(command, bus.id, everyone, None)
        action = bus.profile.action(command.action)
        values = action.parameters(command.parameters)
        address = unit.address if unit else None
        if unit is None and action.send.addressed:
            known = bus.profile.profile.address
            address = known.all if known else None
            if address is None:
                raise BadValue(
                    f"{bus.profile.profile.name} has no address for all units", todo="name one unit"
                )
        if action.send.addressed and address is None:
            raise BadValue(f"{command.unit} has no address", todo="give it one in the site file")
        # Bytes without an address reach every unit on the line, whoever they were meant for.
        to_all = unit is None or not action.send.addressed
        if to_all and unit is not None:
            units = tuple(u.id for u in self._units.values() if u.bus == bus.id)
        return Cleared(command, bus.id, units, action, values, address, to_all)

    def _stale(self, command: Command, utc: float) -> Refusal | None:
        if command.deadline is not None and utc > command.deadline:
            return Refusal(
                Reason.STALE, "its time was over before it could be sent", "look at the sender's clock"
            )
        return None

    def _not_allowed(self, cleared: Cleared) -> Refusal | None:
        command = cleared.command
        if command.raw is not None:
            if command.origin.kind not in _LOCAL:
                return Refusal(
                    Reason.NOT_ALLOWED,
                    "raw bytes can be sent on the spot only",
                    "use `linewarden send` there",
                )
            if not self._buses[cleared.bus].allow_raw:
                return Refusal(
                    Reason.NOT_ALLOWED,
                    f"bus {cleared.bus} takes no raw bytes",
                    "set `allow_raw = true` for it in the site file",
                )
            return None
        if command.origin.kind is OriginKind.MQTT:
            for unit in cleared.units:
                allowed = self._units[unit].from_mqtt
                if allowed is not None and command.action not in allowed:
                    return Refusal(
                        Reason.NOT_ALLOWED,
                        f"{unit} takes no {command.action} over MQTT",
                        "see `mqtt` for this unit in the site file",
                    )
        return None

    def _locked(self, cleared: Cleared, locks: Iterable[Lock]) -> Refusal | None:
        if not cleared.energises:
            return None
        covered = {cleared.bus, *cleared.units}
        covered |= {self._units[unit].group for unit in cleared.units} - {""}
        if cleared.command.raw is not None or cleared.to_all:
            # What reaches everybody stops at any lock on the bus.
            covered |= {unit.id for unit in self._units.values() if unit.bus == cleared.bus}
            covered |= {u.group for u in self._units.values() if u.bus == cleared.bus} - {""}
        for lock in locks:
            if lock.target in covered:
                return Refusal(
                    Reason.LOCKED,
                    f"{lock.target} is under a service lock of {lock.who}: {lock.why}",
                    f"ask {lock.who}; a lock is cleared on the spot with `linewarden unlock {lock.id[:8]}`",
                )
        return None

    def _too_soon(self, cleared: Cleared, now: float) -> Refusal | None:
        if not cleared.energises:
            return None
        for unit in cleared.units:
            if unit in self._off_since:
                left = self._off_since[unit] + self._units[unit].minimum_off - now
                if left > 0:
                    return Refusal(
                        Reason.TOO_FAST,
                        f"{unit} has to stay off for another {left:.0f} s",
                        "wait, or see `minimum_off_s` in the site file",
                    )
        return None

    def _condition(self, cleared: Cleared, states: StateBook) -> Refusal | None:
        if cleared.action is None or not cleared.action.spec.only_if:
            return None
        wanted: Mapping[str, Value] = cleared.action.spec.only_if
        told = ", ".join(f"{name} is {_word(value)}" for name, value in wanted.items())
        for unit in cleared.units:
            holds = states.holds(unit, wanted)
            if holds is None:
                return Refusal(
                    Reason.CONDITION,
                    f"{cleared.command.action} needs to know that {told}, and of {unit} that is not known",
                    "look at the unit, then set its state right by hand",
                )
            if not holds:
                return Refusal(
                    Reason.CONDITION,
                    f"{cleared.command.action} is only for when {told}, and {unit} is not so",
                )
        return None

    def _hint(self, name: str) -> str:
        import difflib

        near = difflib.get_close_matches(name, [*self._units, *self._buses], n=2)
        return f"did you mean {' or '.join(near)}?" if near else f"known are {', '.join(self._units)}"


_RATE_WINDOW = 10.0


def _word(value: Value) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
