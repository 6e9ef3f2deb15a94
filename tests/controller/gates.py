"""A gate to ask, with its clock, locks and states, for the gate's tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from controller.guard import BusRules, Cleared, Gate, Refusal, UnitRules
from controller.records import Command, Lock, Origin, OriginKind, Reason
from controller.states import StateBook
from tests.controller.halls import compiled, shipped

LAMP = """
schema = 1
name = "pellgate-lamp"
[line]
baud = 9600
frame = "7E1"
[confirm]
method = "none"
[states.power]
type = "boolean"
[states.lid]
type = "boolean"
[actions.on]
effect = "energise"
send = [{ hex = "01" }]
sets = { power = true }
repeatable = false
only_if = { power = false }
hold_off_ms = 400.0
[actions.off]
effect = "de-energise"
send = [{ hex = "01" }]
sets = { power = false }
repeatable = false
only_if = { power = true }
[actions.blink]
effect = "neutral"
send = [{ hex = "02" }]
[actions.fan]
send = [{ hex = "03" }]
[actions.out]
effect = "de-energise"
send = [{ hex = "04" }]
sets = { power = false }
"""
"""Gear whose lamp can only be toggled: `on` and `off` say the same byte. It has no addresses."""

UNITS = (
    UnitRules("mixer", "sound", 1, "audio", minimum_off=20.0, minimum_on=30.0),
    UnitRules("hall-amp", "sound", 2, "audio", from_mqtt=frozenset(("standby",))),
    UnitRules("foyer-amp", "sound", 3, ""),
    UnitRules("lamp", "light", None, "stage"),
    UnitRules("lift", "ears", 1),
)
ADA = Origin(OriginKind.SCREEN, "Ada")
KINDS = [Origin(kind) for kind in OriginKind]


class Bench:
    """A gate, and the clock, locks and states that it is asked with."""

    def __init__(self, rate: float | None = None, units: Sequence[UnitRules] = UNITS) -> None:
        chain = compiled(shipped("pellgate-chain"))
        profiles = {"sound": chain, "light": compiled(LAMP), "ears": compiled(shipped("pellgate-screen"))}
        self.gate = Gate(
            [
                BusRules("sound", profiles["sound"], rate, allow_raw=True),
                BusRules("light", profiles["light"]),
                BusRules("ears", profiles["ears"], writes=False),
            ],
            units,
        )
        self.now = 1000.0
        self.utc = 5000.0
        self.locks: list[Lock] = []
        self.states = StateBook({u.id: profiles[u.bus].profile.states for u in units})

    def admit(self, command: Command) -> Cleared | Refusal:
        return self.gate.admit(command, utc=self.utc, now=self.now, locks=self.locks, states=self.states)

    def turn(self, cleared: Cleared | Refusal) -> Cleared | Refusal:
        assert isinstance(cleared, Cleared), cleared
        return self.gate.at_its_turn(
            cleared, utc=self.utc, now=self.now, locks=self.locks, states=self.states
        )

    def through(self, command: Command) -> Cleared | Refusal:
        """Both judgements; what passes counts as sent."""
        found = self.admit(command)
        found = self.turn(found) if isinstance(found, Cleared) else found
        if isinstance(found, Cleared):
            self.gate.sent(found, self.now)
        return found

    def lock(self, target: str) -> Lock:
        lock = Lock(f"lock-{len(self.locks)}-{target}", target, "Kim", "new fuse", 1.0)
        self.locks.append(lock)
        return lock


def command(unit: str, action: str, origin: Origin = ADA, **more: Any) -> Command:
    return Command(unit, action, more.pop("parameters", {}), origin, **more)


def reason(found: Cleared | Refusal) -> Reason | None:
    return found.reason if isinstance(found, Refusal) else None


ON = command("mixer", "power-on")
OFF = command("mixer", "standby")
