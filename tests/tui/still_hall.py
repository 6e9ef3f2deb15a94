"""A hall in which nothing moves by itself: every time and every figure is given, for pictures of screens."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from controller.api import JournalEntry, JournalQuery, ProfileText, SiteView
from controller.health import Health
from controller.profile_keeping import profile_text
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Direction,
    Known,
    LinkState,
    Lock,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Record,
    Result,
    StateValue,
    Traffic,
)
from controller.sequences_records import Phase, SequenceProgress, SequenceView, StepProgress, StepResult
from controller.triggers_records import TriggerStatus
from controller.views import site_view
from profiles.model import Value
from tests.controller.small_controller import SmallController
from tui.demo.evening import load_hall

__all__ = ["EVENING", "StillHall", "evening_hall", "evening_traffic"]

EVENING = 1_800_000_000.0
"""UTC seconds: 15 January 2027, 08:00:00."""

_ADA = Origin(OriginKind.SCREEN, "Ada")
_PANEL = Origin(OriginKind.MQTT, "panel", claimed=True)
_ORDERS = {
    "one": Command("mixer", "power-on", {}, _ADA, "one", EVENING - 300),
    "two": Command("hall-amp", "power-on", {}, _ADA, "two", EVENING - 299),
    "three": Command("mixer", "set-volume", {"level": 31}, _PANEL, "three", EVENING - 201),
    "four": Command("hall-amp", "", {"mute": True}, _ADA, "four", EVENING - 100, by_hand=True),
    "five": Command("hall-amp", "standby", {}, Origin(OriginKind.COMMAND_LINE, "kim"), "five", EVENING - 61),
}


class StillHall(SmallController):
    """Any site, as it stands.

    Args:
        site: what there is.
        known: the states by unit and name; all others are unknown.
    """

    def __init__(
        self, site: SiteView, known: Mapping[tuple[str, str], tuple[Value | None, Known]] | None = None
    ) -> None:
        super().__init__()
        self.view = site
        self.known = dict(known or {})
        self.wrong: list[Alert] = []
        self.down: dict[str, str] = {}
        """Buses whose adapter is away, and why."""
        self.written: list[JournalEntry] = []

    async def sequences(self) -> list[SequenceView]:
        words = (
            "mixer power-on",
            "wait until mixer's power is true, 10 s at most",
            "wait 2 s",
            "hall-amp power-on",
        )
        results = (StepResult.UNDONE, StepResult.DONE, StepResult.DONE, StepResult.FAILED)
        why = "hall-amp is under a service lock of Kim: new fuse"
        steps = [StepProgress(word, result) for word, result in zip(words, results, strict=True)]
        steps[-1] = replace(steps[-1], text=why)
        text = f"{words[-1]}: {why}"
        last = SequenceProgress(
            "evening",
            "up",
            Phase.UNDONE,
            tuple(steps),
            "trigger wall-switch",
            EVENING - 30,
            EVENING - 25,
            text,
        )
        down = ("hall-amp standby", "wait 2 s", "mixer standby")
        warning = "mixer (preamplifier) comes on after hall-amp, a power amplifier"
        return [
            SequenceView("evening", "Evening", words, down, "undo", "go-on", ("sound",), last=last),
            SequenceView(
                "matinee",
                "Matinée",
                words[:1],
                down[-1:],
                "stop",
                "go-on",
                ("sound",),
                ("mixer",),
                (warning,),
            ),
        ]

    async def triggers(self) -> list[TriggerStatus]:
        door, does = "Switch by the stage door", "evening up; after it evening down"
        waits = "CTS of bus lights goes on"
        return [
            TriggerStatus(
                "wall-switch", door, "line", waits, does, True, "", None, "evening up: undone", EVENING - 25
            ),
            TriggerStatus("night", "Night", "time", "23:30:00, every day", "everything off"),
            TriggerStatus(
                "mains",
                "Mains",
                "adapter",
                "the adapter of sound appears",
                "audio off",
                True,
                "audio off",
                EVENING + 4,
            ),
        ]

    async def site(self) -> SiteView:
        return self.view

    async def states(self) -> dict[str, dict[str, StateValue]]:
        unknown = (None, Known.UNKNOWN)
        return {
            unit.id: {
                name: StateValue(*self.known.get((unit.id, name), unknown), EVENING - 300)
                for name in unit.states
            }
            for unit in self.view.units
        }

    async def buses(self) -> list[BusStatus]:
        return [
            BusStatus(
                bus.id,
                LinkState.DOWN if bus.id in self.down else LinkState.UP,
                EVENING,
                bus.units_expected,
                bus.units_expected,
                8.4 if bus.topology == "ring" else None,
                text=self.down.get(bus.id, ""),
            )
            for bus in self.view.buses
        ]

    async def health(self) -> Health:
        return Health(EVENING - 3600, True, 51_000, {"sound": "up", "lights": "up"}, 0, 0)

    async def alerts(self) -> list[Alert]:
        return list(self.wrong)

    async def journal(self, query: JournalQuery) -> list[JournalEntry]:
        return self.written[: query.limit]

    async def profile(self, name: str) -> ProfileText:
        return profile_text(name, load_hall())

    def tell(self, records: Iterable[Record]) -> None:
        """Publish records."""
        for record in records:
            self.fanout.publish(record)


def evening_hall(*, broken: bool = False) -> StillHall:
    """Larkfield Hall in the middle of an evening; or with a cable of the ring out."""
    on, off = (True, Known.CONFIRMED), (False, Known.CONFIRMED)
    known: dict[tuple[str, str], tuple[Value | None, Known]] = {
        ("mixer", "power"): on,
        ("mixer", "input"): ("stage", Known.CONFIRMED),
        ("mixer", "volume"): (31, Known.OBSERVED),
        ("hall-amp", "power"): on,
        ("hall-amp", "mute"): (True, Known.PRESUMED),
        ("foyer-amp", "power"): off,
        ("screen-lift", "position"): (40, Known.OBSERVED),
        ("stage-lights", "scene"): (6, Known.PRESUMED),
    }
    hall = StillHall(site_view(load_hall()), known)
    hall.standing = [Lock("a-lock", "foyer-amp", "Ada", "new fuse", EVENING - 3600)]
    hall.written = [JournalEntry(_ORDERS[name], outcome) for name, outcome in _outcomes()]
    hall.written[0] = JournalEntry(
        _ORDERS["five"],
        hall.written[0].outcome,
        tuple(r for r in evening_traffic() if isinstance(r, Traffic))[-1:],
    )
    if broken:
        told = "nothing came back: the ring is open somewhere, or a unit in it has no mains"
        look = (
            "the cables all the way round, out of the adapter and back into it, and the mains of every unit"
        )
        hall.wrong = [Alert("chain-sound", "sound", EVENING - 60, told, look)]
        hall.down = {"lights": "the adapter has been unplugged"}
    return hall


def _outcomes() -> list[tuple[str, Outcome]]:
    def good(name: str, result: Result, at: float) -> tuple[str, Outcome]:
        return name, Outcome(
            name, result, text="all 4 frames came back", frames=4, echoed=4, attempts=1, at=at
        )

    failed = Outcome(
        "five",
        Result.FAILED,
        Reason.NO_ECHO,
        "nothing came back: the ring is open somewhere, or a unit in it has no mains",
        "the cables all the way round",
        frames=4,
        failed_at=0,
        attempts=3,
        at=EVENING - 60,
    )
    by_hand = Outcome("four", Result.PRESUMED, text="set by hand; nothing was sent", at=EVENING - 100)
    return [
        ("five", failed),
        ("four", by_hand),
        good("three", Result.CONFIRMED, EVENING - 200),
        good("two", Result.CONFIRMED, EVENING - 299),
        good("one", Result.CONFIRMED, EVENING - 300),
    ]


def evening_traffic() -> list[Record]:
    """What was said meanwhile: our own with echoes, others', what nobody knows, what never came back."""
    records: list[Record] = []

    def ours(name: str, data: str, meaning: str, at: float, back: int) -> None:
        raw = bytes.fromhex(data)
        records.append(_ORDERS[name])
        records.append(Traffic("sound", at, Direction.SENT, raw, None, meaning, None, name, (), 1))
        if back:
            lags = tuple(0.0084 + 0.0001 * n for n in range(back))
            records.append(Traffic("sound", at, Direction.ECHOED, raw[:back], lags, None, None, name, (), 1))

    outcomes = dict(_outcomes())
    ours("one", "A5 01 01 02", "power-on → mixer", EVENING - 300, 4)
    records.append(outcomes["one"])
    ours("two", "A5 02 01 03", "power-on → hall-amp", EVENING - 299, 4)
    records.append(outcomes["two"])
    told = bytes.fromhex("A6 01 56 1F 76")
    records.append(
        Traffic(
            "sound", EVENING - 200, Direction.HEARD, told, None, "Volume told, mixer: level 31, volume 31"
        )
    )
    mixed = bytes.fromhex("A5 01 30 31 F0 0F")
    records.append(
        Traffic(
            "sound", EVENING - 150, Direction.HEARD, mixed, None, "mute-on → mixer", unexplained=((4, 6),)
        )
    )
    records.append(Traffic("blinds", EVENING - 120, Direction.HEARD, b"\x1b[2J\x07", unexplained=((0, 5),)))
    ours("five", "A5", "standby → hall-amp", EVENING - 61, 0)
    records.append(outcomes["five"])
    return records
