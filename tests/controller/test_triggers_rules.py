"""Faults of triggers in a site's file, each with its place; and what each trigger says of itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.site import check_site
from controller.triggers_model import TriggerSpec
from controller.triggers_timing import Timing
from controller.triggers_words import does_words, timing_of, waits_words
from profiles.errors import Fault
from tests.controller.halls import RING, chain_text, write_site

SITE = f"""{RING}
[buses.blinds]
port = "sim://pellgate-blind?units=1&topology=shared&hears_itself=true"
profile = "pellgate-blind"
topology = "shared"
hears_itself = true
[units.blind]
bus = "blinds"
address = 1
[mqtt]
broker = "mqtt://127.0.0.1:1883"
[sequences.evening]
up = [{{ unit = "mixer", action = "power-on" }}]
"""
ON = 'on = { sequence = "evening", go = "up" }'


def faults(folder: Path, text: str, site: str = SITE) -> list[Fault]:
    return check_site(write_site(folder, f"{site}\n[triggers.door]\n{text}\n", chain=chain_text()))


SOUND = (
    'when = { bus = "sound", line = "cts" }\noff = { sequence = "evening", go = "down" }\nhold_s = 3',
    'when = { bus = "sound", line = "ri" }\nmode = "pulse"\nhold_s = 5\noff = { off = "all" }',
    'when = { unit = "mixer", state = "power", value = true }\nat_start = "follow"\nstart_delay_s = 2',
    'when = { unit = "blind", event = "blocked" }',
    'when = { unit = "mixer", heard = "power-on" }',
    'when = { bus = "blinds", event = "blocked" }',
    'when = { topic = "door", payload = "open", off_payload = "shut" }\noff = { off = "audio" }\nhold_s = 2',
    'when = { topic = "hall/door", payload = "open" }',
    'when = { at = "19:30", days = ["fri", "sat"], zone = "Europe/London" }',
    'when = { adapter = "sound" }\ndelay_on_s = 8',
)


@pytest.mark.parametrize("text", SOUND)
def test_sound_triggers_have_no_faults(tmp_path: Path, text: str) -> None:
    assert faults(tmp_path, f"{text}\n{ON}") == []


@pytest.mark.parametrize(
    ("text", "key", "word"),
    [
        (f"when = {{}}\n{ON}", "when", "waits for nothing"),
        (f'when = {{ line = "cts", at = "19:30" }}\n{ON}', "when", "one of them"),
        (f'when = {{ line = "cts" }}\n{ON}', "when.bus", "is missing"),
        (f'when = {{ line = "rts", bus = "sound" }}\n{ON}', "when.line", '"cts"'),
        (f'when = {{ line = "cts", bus = "sond" }}\n{ON}', "when.bus", "`sound`"),
        (f'when = {{ line = "cts", bus = "sound", zone = "x" }}\n{ON}', "when.zone", "does not go with"),
        (f'when = {{ unit = "mixer", state = "powr", value = true }}\n{ON}', "when.state", "`power`"),
        (f'when = {{ unit = "mixer", state = "power", value = 3 }}\n{ON}', "when.value", "not 3"),
        (f'when = {{ unit = "mixer", state = "power" }}\n{ON}', "when.value", "is missing"),
        (f'when = {{ unit = "mixr", state = "power", value = true }}\n{ON}', "when.unit", "`mixer`"),
        (f'when = {{ unit = "blind", event = "blokced" }}\n{ON}', "when.event", "`blocked`"),
        (f'when = {{ unit = "mixer", heard = "powr-on" }}\n{ON}', "when.heard", "`power-on`"),
        (f'when = {{ heard = "power-on" }}\n{ON}', "when.unit", "is missing"),
        (f'when = {{ event = "blocked" }}\n{ON}', "when", "whose event"),
        (f'when = {{ topic = "hall/door" }}\n{ON}', "when.payload", "is missing"),
        (f'when = {{ topic = "hall/+", payload = "x" }}\n{ON}', "when.topic", "'+'"),
        (f'when = {{ topic = "$SYS/x", payload = "x" }}\n{ON}', "when.topic", "broker's own"),
        (
            f'when = {{ topic = "a", payload = "x", off_payload = "x" }}\n{ON}',
            "when.off_payload",
            "`payload` too",
        ),
        (f'when = {{ at = "25:00" }}\n{ON}', "when.at", "no time of day"),
        (f'when = {{ at = "7:30" }}\n{ON}', "when.at", "no time of day"),
        (f'when = {{ at = "19:30", days = ["friday"] }}\n{ON}', "when.days[0]", '"fri"'),
        (f'when = {{ at = "19:30", zone = "Europe/Londom" }}\n{ON}', "when.zone", "Europe/London"),
        (f'when = {{ at = "19:30", zone = "../../etc/passwd" }}\n{ON}', "when.zone", "no time zone"),
        (f'when = {{ adapter = "hall" }}\n{ON}', "when.adapter", "no bus"),
        ('when = { adapter = "sound" }', "on", "add"),
        ('when = { adapter = "sound" }\non = {}', "on", "starts nothing"),
        ('when = { adapter = "sound" }\non = { sequence = "evning" }', "on.sequence", "`evening`"),
        ('when = { adapter = "sound" }\non = { off = "audo" }', "on.off", "`audio`"),
        ('when = { adapter = "sound" }\non = { off = "all", go = "up" }', "on.go", "does not go with"),
        (
            'when = { adapter = "sound" }\non = { unit = "mixer", action = "pwer-on" }',
            "on.action",
            "power-on",
        ),
        (
            'when = { adapter = "sound" }\non = { unit = "mixer", action = "set-volume" }',
            "on.parameters",
            "needs level",
        ),
        (f'when = {{ at = "19:30" }}\nmode = "level"\n{ON}', "mode", "has none"),
        (f'when = {{ at = "19:30" }}\ndebounce_ms = 5\n{ON}', "debounce_ms", "is not for time"),
        (f'when = {{ at = "19:30" }}\noff = {{ off = "all" }}\n{ON}', "off", "never be done"),
        (f'when = {{ topic = "a", payload = "x" }}\nat_start = "follow"\n{ON}', "at_start", "no level"),
        (f'when = {{ adapter = "sound" }}\nstart_delay_s = 2\n{ON}', "start_delay_s", "follow"),
        (f'when = {{ adapter = "sound" }}\nmode = "pulse"\ndelay_off_s = 2\n{ON}', "delay_off_s", "`hold_s`"),
    ],
)
def test_faults_of_a_trigger_are_told_with_their_place(
    tmp_path: Path, text: str, key: str, word: str
) -> None:
    found = faults(tmp_path, text)
    assert [fault.key for fault in found] == [f"triggers.door.{key}"], found
    assert word in f"{found[0].what}; {found[0].todo}"


def test_a_message_needs_a_broker(tmp_path: Path) -> None:
    site = SITE.replace('[mqtt]\nbroker = "mqtt://127.0.0.1:1883"\n', "")
    (found,) = faults(tmp_path, f'when = {{ topic = "a", payload = "x" }}\n{ON}', site)
    assert (found.key, found.todo) == ("triggers.door.when.topic", "add `[mqtt]` to the site")


def trigger(when: dict[str, Any], **more: Any) -> TriggerSpec:
    return TriggerSpec.model_validate({"when": when, "on": {"off": "all"}, **more})


def test_what_a_trigger_waits_for_and_does_in_words() -> None:
    assert waits_words(trigger({"bus": "sound", "line": "cts"})) == "CTS of bus sound goes on"
    assert (
        waits_words(trigger({"unit": "mixer", "state": "power", "value": True}))
        == "mixer's power becomes true"
    )
    assert waits_words(trigger({"at": "19:30", "days": ["sat", "fri"]})) == "19:30:00, fri sat"
    assert waits_words(trigger({"topic": "hall/door", "payload": "open"})) == "'open' on hall/door"
    assert does_words(trigger({"adapter": "sound"}).on) == "everything off"
    spec = trigger(
        {"adapter": "sound"}, on={"unit": "mixer", "action": "set-volume", "parameters": {"level": 3}}
    )
    assert does_words(spec.on) == "mixer set-volume level=3"


def test_times_that_the_site_does_not_give() -> None:
    assert timing_of(trigger({"bus": "sound", "line": "cts"})) == Timing(debounce=0.05)
    assert timing_of(trigger({"adapter": "sound"})) == Timing(debounce=2.0, delay_on=5.0)
    assert timing_of(trigger({"at": "19:30"})).pulse
    assert timing_of(trigger({"topic": "a", "payload": "x"})).pulse
    assert not timing_of(trigger({"topic": "a", "payload": "x", "off_payload": "y"})).pulse


def test_what_the_page_shows_is_a_sound_site(tmp_path: Path) -> None:
    page = (Path(__file__).resolve().parents[2] / "docs" / "triggers.md").read_text(encoding="utf-8")
    examples = [part.split("```")[0] for part in page.split("```toml\n")[1:]]
    assert len(examples) == 2
    site = RING.replace('group = "audio"', 'group = "amps"').replace(
        'role = "preamplifier"\ngroup = "amps"', 'role = "preamplifier"'
    )
    lights = """
[buses.lights]
port = "sim://midi-scene?units=1&topology=open"
profile = "midi-scene"
topology = "open"
"""
    text = "\n".join((site, lights, *examples))
    assert check_site(write_site(tmp_path, text, chain=chain_text())) == []
