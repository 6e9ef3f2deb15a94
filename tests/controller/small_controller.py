"""A small controller in memory, whole as far as the Controller API can tell: for front ends' tests."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable

from controller.api import (
    ActionView,
    BusView,
    JournalEntry,
    JournalQuery,
    ProbeReport,
    ProfileText,
    SiteView,
    UnitView,
)
from controller.fanout import Fanout
from controller.health import Health
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Known,
    LinkState,
    Lock,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Record,
    Result,
    StateChange,
    StateValue,
)
from controller.sequences_records import (
    Phase,
    SequenceOrder,
    SequenceProgress,
    SequenceView,
    StepProgress,
    StepResult,
)
from controller.triggers_records import TriggerStatus
from profiles.errors import Fault, FileFaults, NotKnown, RevisionMoved
from profiles.model import Value

UNITS = ("foyer-amp", "stage-lift")


class SmallController:
    """Two units that can be powered on, where nobody holds a lock on them."""

    def __init__(self) -> None:
        self.fanout = Fanout()
        self.may_end = asyncio.Event()
        """Commands end when it is set."""
        self.may_end.set()
        self.begun = asyncio.Event()
        """Set when a command is under way."""
        self.entries: dict[str, JournalEntry] = {}
        self.cancelled: set[str] = set()
        self.powered: dict[str, StateValue] = {
            unit: StateValue(None, Known.UNKNOWN, 1.0, last_known=False) for unit in UNITS
        }
        self.standing: list[Lock] = []
        self.text = 'schema = 1\nname = "pellgate-chain"\n'
        self.fails: Callable[[], None] = lambda: None
        """Called by ``alerts``, for faults of the program."""

    async def submit(self, command: Command) -> Outcome:
        if command.unit not in UNITS:
            raise NotKnown(f"there is no unit {command.unit!r}", where="larkfield-hall", todo="see `status`")
        self.entries[command.id] = JournalEntry(command, None)
        self.begun.set()
        await self.may_end.wait()
        if command.id in self.cancelled:
            outcome = Outcome(command.id, Result.CANCELLED, Reason.CANCELLED)
        elif any(lock.target == command.unit for lock in self.standing):
            outcome = Outcome(command.id, Result.REFUSED, Reason.LOCKED, "a service lock holds it")
        else:
            outcome = Outcome(command.id, Result.CONFIRMED, frames=4, echoed=4, values={"level": 3})
            self._set(command.unit, command.action == "power-on", command.id)
        self.entries[command.id] = JournalEntry(command, outcome)
        self.fanout.publish(outcome)
        return outcome

    def _set(self, unit: str, on: bool, command_id: str | None) -> StateValue:
        self.powered[unit] = StateValue(on, Known.CONFIRMED, 2.0, command_id=command_id)
        self.fanout.publish(StateChange(unit, "power", self.powered[unit]))
        return self.powered[unit]

    async def cancel(self, command_id: str) -> bool:
        entry = self.entries.get(command_id)
        if entry is None or entry.outcome is not None:
            return False
        self.cancelled.add(command_id)
        return True

    async def all_off(self, scope: str | None, origin: Origin) -> list[Outcome]:
        units = [unit for unit in UNITS if scope in (None, unit)]
        return [await self.submit(Command(unit, "standby", origin=origin)) for unit in units]

    async def site(self) -> SiteView:
        bus = BusView("hall", "sim://", "pellgate-chain", "ring", 2, simulated=True)
        level: dict[str, Value | list[Value] | None] = {"type": "integer", "range": [0, 63], "default": None}
        action = ActionView("power-on", "Power on", "energise", {"level": level})
        units = tuple(
            UnitView(
                unit, unit.title(), "hall", number, "other", "", (action,), {"power": {"type": "boolean"}}
            )
            for number, unit in enumerate(UNITS)
        )
        return SiteView("larkfield-hall", "Larkfield Hall", (bus,), units)

    async def states(self) -> dict[str, dict[str, StateValue]]:
        return {unit: {"power": value} for unit, value in self.powered.items()}

    async def buses(self) -> list[BusStatus]:
        return [BusStatus("hall", LinkState.UP, 3.0, 2, 2, 6.25, {"bytes_sent": 8})]

    async def health(self) -> Health:
        return Health(1.75e9, True, 51_000, {"hall": "up"}, 0, len(self.standing))

    async def alerts(self) -> list[Alert]:
        self.fails()
        return [Alert("a", "hall", 3.0, "1 of 2 units answers", "the chain")]

    async def locks(self) -> list[Lock]:
        return list(self.standing)

    def subscribe(
        self, kinds: frozenset[str] | None = None, buses: frozenset[str] | None = None
    ) -> AsyncIterator[Record]:
        return self.fanout.subscribe(kinds, buses, size=200)

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:
        entries = [entry for entry in self.entries.values() if query.unit in (None, entry.command.unit)]
        return entries[::-1][: query.limit]

    async def lock(self, target: str, who: str, why: str) -> Lock:
        lock = Lock(f"lock-{len(self.standing)}", target, who, why, 4.0)
        self.standing.append(lock)
        return lock

    async def unlock(self, lock_id: str) -> bool:
        before = len(self.standing)
        self.standing = [lock for lock in self.standing if lock.id != lock_id]
        return len(self.standing) < before

    async def presume(self, unit: str, state: str, value: Value, origin: Origin) -> StateValue:
        self.powered[unit] = StateValue(value, Known.PRESUMED, 5.0)
        return self.powered[unit]

    async def profile(self, name: str) -> ProfileText:
        return ProfileText(name, self.text, self._revision(), f"/profiles/{name}.toml", writable=True)

    async def put_profile(self, name: str, text: str, revision: str) -> ProfileText:
        if revision != self._revision():
            raise RevisionMoved("somebody else saved it", where=name, todo="look at theirs first")
        if "schema" not in text:
            faults = [
                Fault(name, "schema", 1, "is missing", "write `schema = 1`"),
                Fault(name, "line", None, "?"),
            ]
            raise FileFaults(faults)
        self.text = text
        return await self.profile(name)

    def _revision(self) -> str:
        return hashlib.sha256(self.text.encode()).hexdigest()

    async def sequences(self) -> list[SequenceView]:
        return [
            SequenceView(
                "evening",
                "Evening",
                ("foyer-amp power-on",),
                ("foyer-amp standby",),
                "stop",
                "go-on",
                ("hall",),
            )
        ]

    async def sequence(
        self, name: str, order: SequenceOrder, origin: Origin, agreed: bool = False
    ) -> SequenceProgress:
        steps = (StepProgress("foyer-amp power-on", StepResult.RUNNING),)
        progress = SequenceProgress(name, order.value, Phase.RUNNING, steps, origin.name, 6.0, 6.0)
        self.fanout.publish(progress)
        return progress

    async def triggers(self) -> list[TriggerStatus]:
        return [TriggerStatus("door", "Door", "line", "CTS of hall's adapter goes on", "evening up", False)]

    async def probe(self, bus: str) -> ProbeReport:
        outcome = await self.submit(Command(UNITS[0], "probe", origin=Origin(OriginKind.PROBE)))
        return ProbeReport(
            bus, outcome, 2, None, 9.75, 1.0, None, {"foyer-amp": "confirmed"}, {"bytes_sent": 8}
        )

    async def simulate(self, bus: str, order: str) -> str:
        return f"{bus}: {order}"
