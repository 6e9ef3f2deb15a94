"""What the gate is told of buses and units, and what it says of a command."""

from __future__ import annotations

from dataclasses import dataclass, field

from controller.records import Command, Reason
from profiles.compiled import CompiledAction, CompiledProfile
from profiles.model import Effect, Value
from profiles.template import Message

__all__ = ["MAY_ENERGISE", "BusRules", "Cleared", "Refusal", "UnitRules"]

MAY_ENERGISE = (Effect.ENERGISE, Effect.UNKNOWN)
"""Effects of what may put energy into gear: one that nobody knows counts as if it did."""


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
    asks: bool = False
    """Whether a person has to agree before it is energised."""


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
    """Whether it reaches every unit on the bus, whoever it was meant for."""
    toggles: bool = False
    """Whether another action that may energise says the same bytes: gear that has nothing but a toggle."""
    profile: CompiledProfile | None = None
    """By what it was cleared."""
    message: Message | None = None
    """Its bytes, where no counter is in them that is still to be counted."""

    @property
    def effect(self) -> Effect:
        """What it does to the energy in the gear; raw bytes may do anything."""
        return self.action.spec.effect if self.action else Effect.UNKNOWN

    @property
    def energises(self) -> bool:
        """Whether it may energise: ``unknown`` counts as if it did."""
        return self.effect in MAY_ENERGISE

    @property
    def de_energises(self) -> bool:
        """Whether it only takes energy away."""
        return self.effect is Effect.DE_ENERGISE
