"""The gate: the one way to the line, for every command from every origin.

It asks in this order: is the command fresh, known, allowed for this origin, in range, within the bus's rate,
free of locks, agreed to where a unit asks, past its minimum times, and is ``only_if`` met. De-energising is
never refused for a rate, a lock or a time: it passes. Hold-off and minimum on times make a command wait
instead of refusing it.

It governs our own commands alone. A front panel, a remote or another lead unit can still switch gear, and
with ``pass_on`` this computer carries what they say: no lock covers that.

Pure: what time it is, which locks stand and how the states are, is handed in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.clearance import BusRules, Cleared, Refusal, UnitRules
from controller.records import Command, Lock, OriginKind, Reason, StateChange
from controller.resolving import Resolver
from controller.states import StateBook
from controller.unit_times import Rate, Ready, UnitTimes
from profiles.compiled import CompiledProfile
from profiles.errors import NotKnown
from profiles.model import Effect, Value, written

__all__ = ["BusRules", "Cleared", "Gate", "Refusal", "UnitRules"]

_AUTOMATIC = (OriginKind.MQTT, OriginKind.TRIGGER, OriginKind.SEQUENCE)


class Gate:
    """Judges commands; remembers what was sent when, for rates and times.

    Args:
        buses: the site's buses.
        units: the site's units.
    """

    def __init__(self, buses: Iterable[BusRules], units: Iterable[UnitRules]) -> None:
        self._buses = {bus.id: bus for bus in buses}
        self._units = {unit.id: unit for unit in units}
        self._resolver = Resolver(self._buses, self._units)
        self._rates = {bus.id: Rate(bus.rate) for bus in self._buses.values() if bus.rate is not None}
        self._times = UnitTimes()
        self._made_by = {bus.id: _makers(bus.profile) for bus in self._buses.values()}

    def set_profile(self, bus: str, profile: CompiledProfile) -> None:
        """A bus has a new profile: what waits is judged anew at its turn."""
        self._buses[bus] = replace(self._buses[bus], profile=profile)
        self._resolver = Resolver(self._buses, self._units)
        self._made_by[bus] = _makers(profile)

    def take_rules(self, buses: Iterable[BusRules], units: Iterable[UnitRules]) -> None:
        """The site has other buses and units from now on; what was sent when stays in mind."""
        before, rates = self._buses, self._rates
        self._buses = {bus.id: bus for bus in buses}
        self._units = {unit.id: unit for unit in units}
        self._resolver = Resolver(self._buses, self._units)
        self._rates = {}
        for bus in self._buses.values():
            if bus.rate is not None:
                same = bus.id in before and before[bus.id].rate == bus.rate
                self._rates[bus.id] = rates[bus.id] if same else Rate(bus.rate)
        self._made_by = {bus.id: _makers(bus.profile) for bus in self._buses.values()}

    def units_of(self, target: str) -> tuple[str, ...]:
        """The units that a unit's, a group's or a bus's id stands for.

        Raises:
            NotKnown: it stands for none.
        """
        if target in self._units:
            return (target,)
        found = tuple(u.id for u in self._units.values() if target and target in (u.bus, u.group))
        if not found and target not in self._buses:
            raise NotKnown(f"no unit, group or bus is called {target!r}", todo=self._resolver.hint(target))
        return found

    def takes_from_mqtt(self, unit: str, action: str) -> bool:
        """Whether the site lets an action of a unit be commanded over MQTT."""
        return self._resolver.takes_from_mqtt(unit, action)

    def reaches(self, cleared: Cleared, target: str) -> bool:
        """Whether a command concerns a unit, a group or a bus, or any unit of it."""
        if target == cleared.bus or target in cleared.units:
            return True
        return any(target == self._units[unit].group for unit in cleared.units if target)

    # Judging

    def admit(
        self, command: Command, *, utc: float, now: float, locks: Iterable[Lock], states: StateBook
    ) -> Cleared | Refusal:
        """Judge a command as it comes in: everything that does not depend on its turn.

        Args:
            command: what is asked.
            utc: UTC seconds.
            now: monotonic seconds.
            locks: the service locks that stand.
            states: how the units are.
        """
        cleared = self._stale(command, utc) or self._resolver.judged(command)
        if isinstance(cleared, Refusal):
            return cleared
        refusal = (
            self._too_many(cleared, now)
            or self._locked(cleared, locks, states)
            or self._not_agreed(cleared, states)
        )
        if refusal is not None:
            return refusal
        if cleared.bus in self._rates:
            self._rates[cleared.bus].count(now)
        return cleared

    def at_its_turn(
        self, cleared: Cleared, *, utc: float, now: float, locks: Iterable[Lock], states: StateBook
    ) -> Cleared | Refusal:
        """Judge a command again when the line is free for it: time has passed since it was admitted."""
        stale = self._stale(cleared.command, utc)
        if stale is not None:
            return stale
        if cleared.profile is not self._buses[cleared.bus].profile:
            again = self._resolver.judged(cleared.command)
            if isinstance(again, Refusal):
                return again
            cleared = again
        return (
            self._locked(cleared, locks, states)
            or self._not_agreed(cleared, states)
            or self._too_soon(cleared, now)
            or self._condition(cleared, states)
            or cleared
        )

    def ready(self, cleared: Cleared) -> Ready:
        """From when it may be sent, on the monotonic clock."""
        stays_on = float("-inf")
        if cleared.de_energises and cleared.command.origin.kind in _AUTOMATIC:
            for unit in cleared.units:
                stays_on = max(stays_on, self._times.on_since(unit) + self._units[unit].minimum_on)
        return Ready(self._times.held_until(cleared.units), stays_on)

    # Remembering

    def sent(self, cleared: Cleared, at: float) -> None:
        """It went out whole at the monotonic instant ``at``, or may have."""
        if cleared.action is None:
            return
        hold_off = cleared.action.spec.hold_off_ms / 1000
        for unit in cleared.units:
            self._times.told(unit, at, hold_off)
            self._went(unit, cleared.effect, at)

    def minds(self, unit: str) -> bool:
        """Whether it matters how a unit is observed to be: one that has minimum times."""
        rules = self._units[unit]
        return rules.minimum_off > 0 or rules.minimum_on > 0

    def noticed(self, change: StateChange, at: float) -> None:
        """A unit was observed to be so, whoever has told it to: its minimum times count from there."""
        unit = self._units.get(change.unit)
        if unit is not None:
            effect = self._made_by[unit.bus].get((change.state, change.value.value))
            self._went(unit.id, effect, at)

    def _went(self, unit: str, effect: Effect | None, at: float) -> None:
        if effect is Effect.DE_ENERGISE:
            self._times.went_off(unit, at)
        elif effect is Effect.ENERGISE:
            self._times.went_on(unit, at)

    def remember(self, command: Command, at: float) -> None:
        """An earlier run of this program sent it at the monotonic instant ``at``, or may have."""
        found = self._resolver.judged(command)
        if isinstance(found, Cleared):
            self.sent(found, at)

    @property
    def memory(self) -> float:
        """Seconds for which it matters what was sent: the longest hold-off or minimum time."""
        times = [max(unit.minimum_off, unit.minimum_on) for unit in self._units.values()]
        for bus in self._buses.values():
            times += [action.spec.hold_off_ms / 1000 for action in bus.profile.actions.values()]
        return max(times, default=0.0)

    # One question each

    def _stale(self, command: Command, utc: float) -> Refusal | None:
        # Turned round so that a deadline that is no number is over.
        if command.deadline is not None and not utc <= command.deadline:
            text = "its time was over before it could be sent"
            return Refusal(Reason.STALE, text, "look at the sender's clock, and at what kept the bus busy")
        return None

    def _too_many(self, cleared: Cleared, now: float) -> Refusal | None:
        rate = self._rates.get(cleared.bus)
        if rate is None or cleared.de_energises or not rate.full(now):
            return None
        return Refusal(
            Reason.TOO_FAST,
            f"more than {self._buses[cleared.bus].rate:g} commands a second for bus {cleared.bus}",
            "find out what sends so many, or raise `rate_per_s` in the site file",
        )

    def _locked(self, cleared: Cleared, locks: Iterable[Lock], states: StateBook) -> Refusal | None:
        if not self._may_energise(cleared, states):
            return None
        for lock in locks:
            if self.reaches(cleared, lock.target):
                return Refusal(
                    Reason.LOCKED,
                    f"{lock.target} is under a service lock of {lock.who}: {lock.why}",
                    f"ask {lock.who}; a lock is cleared on the spot with `linewarden unlock {lock.id[:8]}`",
                )
        return None

    def _not_agreed(self, cleared: Cleared, states: StateBook) -> Refusal | None:
        if cleared.command.agreed or not self._may_energise(cleared, states):
            return None
        for unit in cleared.units:
            if self._units[unit].asks:
                return Refusal(
                    Reason.NOT_AGREED,
                    f"{unit} asks before it is energised, and nobody was asked",
                    "do it on the spot: on the dashboard, or with `--yes` on the command line",
                )
        return None

    def _may_energise(self, cleared: Cleared, states: StateBook) -> bool:
        return cleared.energises or (cleared.toggles and not self._surely(cleared, states))

    @staticmethod
    def _surely(cleared: Cleared, states: StateBook) -> bool:
        """Whether a toggle does what its name says: the units themselves have said that they are so."""
        wanted = cleared.action.spec.only_if if cleared.action else {}
        return bool(wanted) and all(states.observed(unit, wanted) for unit in cleared.units)

    def _too_soon(self, cleared: Cleared, now: float) -> Refusal | None:
        if not cleared.energises:
            return None
        for unit in cleared.units:
            left = self._times.off_since(unit) + self._units[unit].minimum_off - now
            if left > 0:
                return Refusal(
                    Reason.TOO_FAST,
                    f"{unit} has to stay off for another {max(left, 0.1):.1f} s",
                    "wait, or see `minimum_off_s` in the site file",
                )
        return None

    def _condition(self, cleared: Cleared, states: StateBook) -> Refusal | None:
        if cleared.action is None:
            return None
        wanted: Mapping[str, Value] = cleared.action.spec.only_if
        told = ", ".join(f"{name} is {written(value)}" for name, value in wanted.items())
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
                    "the unit itself; if it is so after all, set its state right by hand",
                )
        return None


def _makers(profile: CompiledProfile) -> dict[tuple[str, Value | None], Effect]:
    """By state and value: the effect of the action that makes it so."""
    return {
        (state, value): action.spec.effect
        for action in profile.actions.values()
        if action.spec.effect in (Effect.ENERGISE, Effect.DE_ENERGISE)
        for state, value in action.spec.sets.items()
    }
