"""Small profiles of fictional gear, and lines built from them, for the simulator's tests."""

from __future__ import annotations

import tomllib
from functools import cache
from typing import Any

from controller.simulator.adapter import QUICK, AdapterFacts
from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from profiles.compiled import CompiledProfile
from profiles.model import Profile

CHAIN = """
schema = 1
name = "pellgate-chain"
title = "Pellgate chain bus"
probe = "status"

[line]
baud = 9600
frame = "8N1"

[confirm]
method = "loop"
timeout_ms = 250.0

[address]
range = [1, 15]
all = 0

[states.power]
type = "boolean"
set = { true = "power-on", false = "standby" }

[states.volume]
type = "integer"
range = [0, 63]
set = "set-volume"

[states.input]
type = "enum"
values = ["phono", "tuner", "stage"]

[states.muted]
type = "boolean"

[actions.power-on]
send = [{ hex = "A5" }, { address = 1 }, { hex = "01" }, { check = "sum-8", from = 1 }]
sets = { power = true }

[actions.standby]
send = [{ hex = "A5" }, { address = 1 }, { hex = "02" }, { check = "sum-8", from = 1 }]
sets = { power = false }

[actions.set-volume]
send = [{ hex = "A5" }, { address = 1 }, { hex = "03" }, { field = "level" }, { check = "sum-8", from = 1 }]
parameters = { level = { type = "integer", range = [0, 63] } }
sets = { volume = "level" }

[actions.select]
send = [{ hex = "A5" }, { address = 1 }, { hex = "04" },
        { field = "source", table = { phono = 16, tuner = 32, stage = 48 } }]
parameters = { source = { type = "enum", values = ["phono", "tuner", "stage"] } }
sets = { input = "source" }

[actions.mute]
send = [{ hex = "A5" }, { address = 1 }, { hex = "05" }]
repeatable = false
only_if = { muted = false }
sets = { muted = true }

[actions.unmute]
send = [{ hex = "A5" }, { address = 1 }, { hex = "05" }]
repeatable = false
only_if = { muted = true }
sets = { muted = false }

[actions.store]
send = [{ hex = "A5" }, { address = 1 }, { hex = "07" }]
repeat = 2
sets = { volume = 7 }

[actions.status]
effect = "neutral"
send = [{ hex = "A5" }, { address = 1 }, { hex = "06" }]
[[actions.status.reply]]
expect = [{ hex = "A7" }, { address = 1 }, { hex = "01" }, { field = "level" }]
sets = { power = true, volume = "level" }
[[actions.status.reply]]
expect = [{ hex = "A7" }, { address = 1 }, { hex = "00" }, { field = "level" }]
sets = { power = false, volume = "level" }
[[actions.status.reply]]
expect = [{ hex = "AF" }, { address = 1 }, { field = "code" }]
means = "refused"
why = "error {code}"

[[observations]]
match = [{ hex = "A6" }, { address = 1 }, { hex = "56" }, { field = "level" }]
sets = { volume = "level" }

[[observations]]
match = [{ hex = "A6" }, { address = 1 }, { hex = "50 01" }]
sets = { power = true }

[[observations]]
match = [{ hex = "A6" }, { address = 1 }, { hex = "50 00" }]
sets = { power = false }
"""

POWER_ON = {unit: bytes([0xA5, unit, 1, unit + 1]) for unit in range(16)}
"""`power-on` by address, summed by hand."""


@cache
def chain_profile(baud: float = 9600, frame: str = "8N1", bit_order: str = "lsb") -> CompiledProfile:
    table = tomllib.loads(CHAIN)
    table["line"] |= {"baud": baud, "frame": frame, "bit_order": bit_order}
    return CompiledProfile(Profile.model_validate(table))


def compiled(text: str) -> CompiledProfile:
    return CompiledProfile(Profile.model_validate(tomllib.loads(text)))


def line(profile: CompiledProfile | None = None, facts: AdapterFacts = QUICK, **layout: Any) -> SimulatedLine:
    return SimulatedLine(profile or chain_profile(), Layout(**layout), facts)


def heard(simulated: SimulatedLine, until: float) -> list[tuple[int, float]]:
    """Every byte that the computer can read by then, with its time."""
    out: list[tuple[int, float]] = []
    while (deadline := simulated.deadline) is not None and deadline <= until:
        for data, at in simulated.due(deadline):
            out += [(value, at) for value in data]
    for data, at in simulated.due(until):
        out += [(value, at) for value in data]
    return out


def data_of(pairs: list[tuple[int, float]]) -> bytes:
    return bytes(value for value, _ in pairs)
