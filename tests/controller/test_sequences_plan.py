"""From the site's file to steps: groups, the way back, and the order of what is loud."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.sequences_plan import STAGGER, Direction, Do, Pause, Plan, opposite
from controller.sequences_rules import loud_order
from controller.site import check_site
from profiles.errors import Fault
from tests.controller.gates import LAMP
from tests.controller.halls import chain_text, compiled, ring, shipped, write_site
from tests.controller.sequence_halls import AMP_ON, ON, PAPER, plan, planner, sequence


def words(found: Plan) -> list[str]:
    return [step.words for step in found.steps]


def test_a_group_comes_up_one_unit_after_another_with_power_amplifiers_last() -> None:
    spec = sequence({"group": "audio", "action": "power-on", "stagger_s": 2})
    assert words(plan(spec)) == ["mixer power-on", "wait 2 s", "hall-amp power-on"]
    # The site's file names the power amplifier first; off, it stays first.
    off = sequence({"group": "audio", "action": "standby", "stagger_s": 0})
    assert words(plan(off)) == ["hall-amp standby", "mixer standby"]


def test_units_that_are_energised_together_are_staggered_even_where_the_site_does_not_say() -> None:
    on = plan(sequence({"group": "audio", "action": "power-on"}))
    assert [step for step in on.steps if isinstance(step, Pause)] == [Pause(STAGGER, 0)]
    quiet = plan(sequence({"group": "audio", "action": "mute-on"}))
    assert all(isinstance(step, Do) for step in quiet.steps)


def test_down_is_up_in_reverse_with_each_action_undone() -> None:
    spec = sequence(
        {"unit": "lamp", "action": "blink"},
        ON,
        {"until": {"mixer": {"power": True}}},
        {"unit": "mixer", "action": "set-volume", "parameters": {"level": 20}},
        {"unit": "mixer", "action": "mute-off"},
        {"wait_s": 3},
        {**AMP_ON, "only_if": {"hall-amp": {"power": False}}},
    )
    down = plan(spec, Direction.DOWN)
    # What nothing takes back, and conditions of the way up, are left out.
    assert words(down) == ["hall-amp standby", "wait 3 s", "mixer mute-on", "mixer standby"]
    assert not any(step.energises for step in down.done)


def test_a_way_down_that_is_written_is_the_one_that_is_taken() -> None:
    spec = sequence(ON, down=[{"unit": "mixer", "action": "mute-on"}, {"unit": "mixer", "action": "standby"}])
    assert words(plan(spec, Direction.DOWN)) == ["mixer mute-on", "mixer standby"]


def test_pauses_at_the_ends_are_no_part_of_a_way_back() -> None:
    spec = sequence({"wait_s": 1}, ON, {"wait_s": 2})
    assert words(plan(spec, Direction.DOWN)) == ["mixer standby"]


@pytest.mark.parametrize(
    ("text", "action", "expected"),
    [
        (shipped("pellgate-chain"), "power-on", "standby"),
        (shipped("pellgate-chain"), "mute-on", "mute-off"),
        (shipped("pellgate-chain"), "set-volume", None),
        (shipped("pellgate-chain"), "standby", None),  # nothing is ever taken back by energising
        (shipped("pellgate-chain"), "volume-up", None),
        (shipped("pellgate-blind"), "open", None),  # "stop" takes energy away, and does not close it again
        (LAMP, "on", "off"),
        (LAMP, "fan", None),
    ],
)
def test_what_takes_an_action_back(text: str, action: str, expected: str | None) -> None:
    assert opposite(compiled(text), action) == expected


def out_of_order(*up: dict[str, Any], **more: Any) -> dict[str, list[str]]:
    spec = sequence(*up, **more)
    return {
        direction.value: [text for _, text in loud_order(planner(), "evening", spec, direction)]
        for direction in Direction
    }


def test_power_amplifiers_last_on_and_first_off() -> None:
    assert out_of_order(ON, AMP_ON) == {"up": [], "down": []}
    wrong = out_of_order(AMP_ON, ON)
    assert wrong["up"] == ["mixer (preamplifier) comes on after hall-amp, a power amplifier"]
    assert wrong["down"] == ["mixer (preamplifier) goes off before hall-amp, a power amplifier"]
    # Motors carry no sound, and what is neutral switches nothing.
    fine = out_of_order(
        AMP_ON, {"unit": "blind", "action": "open"}, {"unit": "mixer", "action": "mute-off"}, down=[ON]
    )
    assert fine["up"] == []


def faults(folder: Path, sequence_text: str) -> list[Fault]:
    return check_site(
        write_site(folder, f"{PAPER}\n[sequences.evening]\n{sequence_text}\n", chain=chain_text())
    )


@pytest.mark.parametrize(
    ("text", "key", "word"),
    [
        ("up = []", "sequences.evening.up", "empty"),
        ('up = [{ unit = "mixer" }]', "sequences.evening.up[0]", "says nothing to do"),
        (
            'up = [{ unit = "mixer", action = "power-on", wait_s = 1 }]',
            "sequences.evening.up[0]",
            "one of them",
        ),
        ('up = [{ action = "power-on" }]', "sequences.evening.up[0]", "tells nobody"),
        ('up = [{ unit = "mixxer", action = "power-on" }]', "sequences.evening.up[0].unit", "`mixer`"),
        ('up = [{ group = "audo", action = "power-on" }]', "sequences.evening.up[0].group", "`audio`"),
        ('up = [{ unit = "mixer", action = "power-onn" }]', "sequences.evening.up[0].action", "`power-on`"),
        (
            'up = [{ unit = "mixer", action = "set-volume" }]',
            "sequences.evening.up[0].parameters",
            "needs level",
        ),
        ("up = [{ wait_s = 1, within_s = 2 }]", "sequences.evening.up[0].within_s", "does not go with"),
        ("up = [{ wait_s = 0 }]", "sequences.evening.up[0].wait_s", "more than 0"),
        (
            'up = [{ unit = "mixer", action = "power-on", stagger_s = 1 }]',
            "sequences.evening.up[0].stagger_s",
            "is for a group",
        ),
        (
            "up = [{ until = { mixer = { powr = true } } }]",
            "sequences.evening.up[0].until.mixer.powr",
            "`power`",
        ),
        (
            "up = [{ until = { mixer = { power = 3 } } }]",
            "sequences.evening.up[0].until.mixer.power",
            "not 3",
        ),
        ("up = [{ until = { mixr = { power = true } } }]", "sequences.evening.up[0].until.mixr", "`mixer`"),
        ('up = [{ unit = "blind", action = "open" }]', "sequences.evening.up[0]", "no way down"),
        (
            """up = [{ unit = "blind", action = "open" }]
on_failure = "undo"
down = [{ unit = "blind", action = "stop" }]""",
            "sequences.evening.up[0]",
            "can't be undone",
        ),
        ('up = [{ wait_s = 1 }]\non_failure = "retry"', "sequences.evening.on_failure", '"stop"'),
        ("up = [{ wait_s = 1 }]\nsteps = 3", "sequences.evening.steps", "no key"),
    ],
)
def test_faults_of_a_sequence_are_told_with_their_place(
    tmp_path: Path, text: str, key: str, word: str
) -> None:
    found = [fault for fault in faults(tmp_path, text) if not fault.warning]
    assert [fault.key for fault in found] == [key], found
    assert word in f"{found[0].what}; {found[0].todo}"
    assert found[0].line


def test_a_site_that_switches_a_power_amplifier_on_too_early_is_told(tmp_path: Path) -> None:
    text = """up = [{ unit = "hall-amp", action = "power-on" }, { unit = "mixer", action = "power-on" }]"""
    (found,) = faults(tmp_path, text)
    assert found.warning
    assert found.key == "sequences.evening.up[1]"
    assert "mixer (preamplifier) comes on after hall-amp" in found.what
    down = """up = [{ wait_s = 1 }]
down = [{ unit = "mixer", action = "standby" }, { unit = "hall-amp", action = "standby" }]"""
    (other,) = faults(tmp_path, down)
    assert other.warning
    assert (other.key, other.todo) == (
        "sequences.evening.down[0]",
        "switch power amplifiers on last, and off first",
    )
    loaded = ring(tmp_path / "load", PAPER + f"\n[sequences.evening]\n{text}\n")
    assert [fault.key for fault in loaded.warnings] == ["sequences.evening.up[1]"]


def test_a_sound_sequence_has_no_faults(tmp_path: Path) -> None:
    text = """
title = "Evening"
on_failure = "undo"
up = [
    { unit = "mixer", action = "power-on" },
    { until = { mixer = { power = true } }, within_s = 5 },
    { wait_s = 2 },
    { group = "audio", action = "mute-off" },
    { unit = "hall-amp", action = "power-on", only_if = { mixer = { power = true } } },
]
"""
    assert faults(tmp_path, text) == []
