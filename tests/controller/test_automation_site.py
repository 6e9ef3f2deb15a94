"""Sites with sequences and triggers that have anything wrong: refused in plain words, or whole and usable."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings

from controller.sequences_plan import Direction, Planner
from controller.site import check_site, load_site
from controller.triggers_words import does_words, timing_of, waits_words
from profiles.errors import FileFaults
from tests.controller.halls import chain_text, compiled, ring, running, shipped
from tests.controller.sequence_halls import PAPER
from tests.profiles.spoiling import FOREIGN, spoiled

MORE = """
[mqtt]
broker = "mqtt://127.0.0.1:1883"
[sequences.evening]
title = "Evening"
on_failure = "undo"
up = [
    { unit = "mixer", action = "power-on", only_if = { mixer = { power = false } } },
    { until = { mixer = { power = true } }, within_s = 5 },
    { wait_s = 2.5 },
    { group = "audio", action = "mute-off", stagger_s = 1 },
    { unit = "mixer", action = "set-volume", parameters = { level = 20 } },
]
down = [{ group = "audio", action = "standby" }]
down_on_failure = "stop"
[triggers.line]
when = { bus = "sound", line = "cts", active = "off" }
debounce_ms = 20
delay_on_s = 1
delay_off_s = 2
hold_s = 3
at_start = "follow"
start_delay_s = 4
on = { sequence = "evening", go = "up" }
off = { sequence = "evening", go = "down" }
[triggers.state]
when = { unit = "mixer", state = "power", value = true }
on = { unit = "blind", action = "set-height", parameters = { height = 50 } }
[triggers.heard]
when = { unit = "mixer", heard = "standby" }
on = { off = "all" }
[triggers.event]
when = { unit = "blind", event = "blocked" }
mode = "pulse"
hold_s = 2
on = { off = "audio" }
off = { off = "sound" }
[triggers.message]
when = { topic = "hall/door", payload = "open", off_payload = "shut" }
on = { sequence = "evening" }
[triggers.time]
when = { at = "19:30:05", days = ["fri", "sat"], zone = "Europe/London" }
on = { sequence = "evening" }
[triggers.adapter]
when = { adapter = "sound" }
on = { sequence = "evening" }
"""
SITE = PAPER.replace("{folder}/chain.toml", "pellgate-chain").replace("chain.toml", "pellgate-chain") + MORE


@settings(deadline=None, max_examples=150)
@given(spoiled(tomllib.loads(SITE)))
def test_a_site_with_anything_wrong_is_refused_or_whole(
    tmp_path_factory: pytest.TempPathFactory, data: dict[str, Any]
) -> None:
    folder = tmp_path_factory.mktemp("site")
    (folder / "site.toml").write_text(tomlkit.dumps(data), "utf-8")
    faults = check_site(folder / "site.toml", own=folder / "own")
    if not all(fault.warning for fault in faults):
        assert not any(word in str(fault) for fault in faults for word in FOREIGN)
        return
    loaded = load_site(folder / "site.toml", own=folder / "own")
    planner = Planner(loaded.site.units, loaded.profiles)
    for name, spec in loaded.site.sequences.items():
        for direction in Direction:
            plan = planner.plan(name, spec, direction)
            for step in plan.done:
                loaded.profiles[loaded.site.units[step.unit].bus].action(step.action).parameters(
                    step.parameters
                )
    for trigger in loaded.site.triggers.values():
        assert waits_words(trigger)
        assert does_words(trigger.on)
        assert timing_of(trigger).debounce >= 0


@pytest.mark.parametrize("profile", ["pellgate-chainn", "broken.toml"])
def test_a_profile_that_cant_be_had_is_the_only_fault(
    tmp_path_factory: pytest.TempPathFactory, profile: str
) -> None:
    folder = tmp_path_factory.mktemp("site")
    (folder / "broken.toml").write_text(chain_text().replace('effect = "energise"', 'effect = "maybe"'))
    (folder / "site.toml").write_text(SITE.replace('profile = "pellgate-chain"', f'profile = "{profile}"'))
    faults = [fault for fault in check_site(folder / "site.toml", own=folder / "own") if not fault.warning]
    assert faults
    assert not any(fault.key.startswith(("sequences", "triggers")) for fault in faults)


async def test_a_profile_that_lacks_what_a_sequence_needs_is_not_saved(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    folder = tmp_path_factory.mktemp("site")
    text = SITE.replace('profile = "pellgate-chain"', 'profile = "chain.toml"')
    loaded = ring(folder, text.replace("sim://pellgate-chain", f"sim://{folder}/chain.toml"))
    without = (
        chain_text()
        .replace("[actions.standby]", "[actions.go-off]")
        .replace('false = "standby"', 'false = "go-off"')
    )
    without = without.replace('action = "standby"', 'action = "go-off"')
    assert "go-off" in compiled(without).actions
    assert shipped("pellgate-chain") != without
    async with running(loaded, folder / "state") as controller:
        old = await controller.profile("chain.toml")
        with pytest.raises(FileFaults, match="has no action 'standby'"):
            await controller.put_profile("chain.toml", without, old.revision)
        assert (await controller.profile("chain.toml")).text == old.text
