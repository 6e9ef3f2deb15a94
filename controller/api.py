"""The Controller API: what every front end works on, in process, over the local socket, or over MQTT."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from typing import Protocol

from controller.health import Health
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Lock,
    Origin,
    Outcome,
    Record,
    StateValue,
    Traffic,
)
from controller.sequences_records import SequenceOrder, SequenceProgress, SequenceView
from controller.triggers_records import TriggerStatus
from profiles.model import Value

__all__ = [
    "ControllerApi",
    "JournalEntry",
    "JournalQuery",
    "ProbeReport",
    "ProfileText",
    "SiteView",
    "UnitView",
]


@dataclass(frozen=True, slots=True)
class JournalQuery:
    """Which commands are asked for; newest first."""

    limit: int = 50
    since: float | None = None
    """UTC seconds; None for the beginning."""
    until: float | None = None
    unit: str | None = None
    result: str | None = None
    text: str | None = None
    """Found anywhere in unit, action, origin, reason or sentence."""
    command_id: str | None = None
    traffic: bool = False
    """Whether the traffic kept around failures comes with it."""


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """A command and what became of it."""

    command: Command
    outcome: Outcome | None
    """None while it is under way."""
    traffic: tuple[Traffic, ...] = ()


@dataclass(frozen=True, slots=True)
class ProfileText:
    """A profile's file as it stands."""

    name: str
    text: str
    revision: str
    """Changes with every save; give it back when saving."""
    path: str
    writable: bool
    """Shipped profiles are not: saving one makes a person's own."""


@dataclass(frozen=True, slots=True)
class ActionView:
    """An action, as much of it as a front end shows."""

    name: str
    title: str
    effect: str
    parameters: dict[str, dict[str, Value | list[Value] | None]] = field(default_factory=dict)
    """By name: type, title, range, values, unit, default."""
    sets: dict[str, Value] = field(default_factory=dict)
    """The states that it makes so, where it does not depend on a parameter."""
    hold_off_ms: float = 0.0
    """The least time before the next action to the same unit."""
    addressed: bool = True
    """Whether its bytes carry an address; without one every unit on the bus hears them as its own."""


@dataclass(frozen=True, slots=True)
class UnitView:
    """A unit, as a front end shows it."""

    id: str
    title: str
    bus: str
    address: int | None
    role: str
    group: str
    actions: tuple[ActionView, ...]
    states: dict[str, dict[str, Value | list[Value] | None]]
    """By name: type, title, range, values, unit, settable, and ``set``: the action that takes the value, or
    a list of ``value=action``."""
    ask_before_energise: bool = False
    minimum_off_s: float = 0.0
    minimum_on_s: float = 0.0


@dataclass(frozen=True, slots=True)
class BusView:
    """A bus, as a front end shows it."""

    id: str
    port: str
    profile: str
    topology: str
    units_expected: int | None
    simulated: bool
    baud: float = 0.0
    frame: str = "8N1"
    bit_order: str = "lsb"
    idle: str = "high"
    burst_gap_ms: float = 40.0
    """The greatest idle line within a message."""


@dataclass(frozen=True, slots=True)
class SiteView:
    """The site, as a front end shows it."""

    id: str
    title: str
    buses: tuple[BusView, ...]
    units: tuple[UnitView, ...]
    path: str = ""
    """The site file that the controller was started with."""


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """Who answers on a bus, and where the ring is cut."""

    bus: str
    outcome: Outcome | None
    """Of the probe's action; None where nothing could be sent."""
    units_expected: int | None
    units_answering: int | None
    hop_bits: float | None
    """Learned length of one hop in bit times."""
    latency_ms: float | None
    """The adapter's, where it is known."""
    jitter_ms: float | None
    answered: dict[str, str] = field(default_factory=dict)
    """Where each unit can be asked by itself: unit -> its outcome's result or reason."""
    counters: dict[str, int] = field(default_factory=dict)
    text: str = ""
    look_at: str = ""
    lags_ms: tuple[float, ...] = ()
    """How long each frame of the probe took from its writing to its whole echo."""

    @property
    def well(self) -> bool:
        """Whether all that could be told is as it should be."""
        if self.outcome is None or not self.outcome.result.good:
            return False
        known = self.units_answering is not None and self.units_expected is not None
        return not known or self.units_answering == self.units_expected


class ControllerApi(Protocol):
    """What a front end can ask of a controller."""

    async def submit(self, command: Command) -> Outcome:
        """Carry out a command; returns when its outcome is journalled."""

    async def cancel(self, command_id: str) -> bool:
        """Take back a command that waits or is under way; whether there was one."""

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        """De-energise a unit, a group, a bus, or everything, now: past locks and queues."""

    async def site(self) -> SiteView:
        """The site's buses, units, actions and states."""

    async def states(self) -> dict[str, dict[str, StateValue]]:
        """Every unit's states."""

    async def buses(self) -> list[BusStatus]:
        """How each bus is."""

    async def health(self) -> Health:
        """How the controller itself is."""

    async def alerts(self) -> list[Alert]:
        """What is wrong now."""

    async def locks(self) -> list[Lock]:
        """The service locks that stand."""

    def subscribe(
        self, kinds: frozenset[str] | None = None, buses: frozenset[str] | None = None
    ) -> AsyncIterator[Record]:
        """Records as they happen, by kind (a record class's name) and bus; None for all.

        Bounded: a slow reader gets a ``Lost`` record that says how many it missed.
        """

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:
        """Commands and what became of them, newest first."""

    async def lock(self, target: str, who: str, why: str) -> Lock:
        """Set a service lock on a unit, a group or a bus."""

    async def unlock(self, lock_id: str) -> bool:
        """Clear one lock; whether there was one."""

    async def presume(self, unit: str, state: str, value: Value, origin: Origin) -> StateValue:
        """Set a state right by hand: it is then ``presumed``."""

    async def profile(self, name: str) -> ProfileText:
        """A profile's file."""

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:
        """Save a profile; refused if its revision has moved. Running buses take it; nothing is sent."""

    async def sequences(self) -> list[SequenceView]:
        """The site's sequences, and how far each has come."""

    async def sequence(
        self, name: str, order: SequenceOrder, origin: Origin, agreed: bool = False
    ) -> SequenceProgress:
        """Begin a sequence up or down, or cancel it; returns when it has begun, or was refused.

        How it goes on is told as ``SequenceProgress`` records. ``agreed`` says that a person was asked about
        the units that ask before they are energised.
        """

    async def triggers(self) -> list[TriggerStatus]:
        """The site's triggers: what each waits for, and what it last did."""

    async def probe(self, bus: str) -> ProbeReport:
        """Find out who answers."""

    async def simulate(self, bus: str, order: str) -> str:
        """Give a simulated bus a fault or press a button; says what it did."""
