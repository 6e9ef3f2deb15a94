"""A hall on paper for tests of sequences and triggers: units, profiles, plans."""

from __future__ import annotations

from typing import Any

from controller.sequences_model import SequenceSpec
from controller.sequences_plan import Direction, Plan, Planner
from controller.site_model import UnitSpec
from tests.controller.gates import LAMP
from tests.controller.halls import compiled, shipped

UNITS = {
    "hall-amp": UnitSpec(bus="sound", address=2, role="power-amplifier", group="audio"),
    "mixer": UnitSpec(bus="sound", address=1, role="preamplifier", group="audio"),
    "foyer-amp": UnitSpec(bus="sound", address=3, role="power-amplifier"),
    "blind": UnitSpec(bus="blinds", address=1, role="motor"),
    "lamp": UnitSpec(bus="light", role="lighting"),
}


def planner() -> Planner:
    return Planner(
        UNITS,
        {
            "sound": compiled(shipped("pellgate-chain")),
            "blinds": compiled(shipped("pellgate-blind")),
            "light": compiled(LAMP),
        },
    )


def sequence(*up: dict[str, Any], **more: Any) -> SequenceSpec:
    return SequenceSpec.model_validate({"up": list(up), **more})


def plan(spec: SequenceSpec, direction: Direction = Direction.UP) -> Plan:
    return planner().plan("evening", spec, direction)


ON = {"unit": "mixer", "action": "power-on"}
AMP_ON = {"unit": "hall-amp", "action": "power-on"}
"""Two steps as they stand in a site's file."""

PAPER = """
[site]
id = "larkfield-hall"
[buses.sound]
port = "sim://{folder}/chain.toml?units=2&topology=ring"
profile = "chain.toml"
topology = "ring"
units_expected = 2
[buses.blinds]
port = "sim://pellgate-blind?units=1&topology=shared&hears_itself=true"
profile = "pellgate-blind"
topology = "shared"
hears_itself = true
[units.mixer]
bus = "sound"
address = 1
role = "preamplifier"
group = "audio"
[units.hall-amp]
bus = "sound"
address = 2
role = "power-amplifier"
group = "audio"
[units.blind]
bus = "blinds"
address = 1
"""
"""The same as a site's file: two units in a ring, a blind on a shared line."""
