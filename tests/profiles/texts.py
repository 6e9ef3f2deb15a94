"""A sound profile as text, and what is found when something in it is changed."""

from __future__ import annotations

from profiles.checking import check_text
from profiles.errors import Fault

SOUND = """\
schema = 1
name = "foyer"
probe = "ask"

[line]
baud = 4800

[confirm]
method = "loop"

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
values = ["cd", "tuner"]

[actions.power-on]
effect = "energise"
send = [{ hex = "A5" }, { address = 1 }, { hex = "01" }, { check = "sum-8", from = 1 }]
sets = { power = true }

[actions.standby]
effect = "de-energise"
send = [{ hex = "A5" }, { address = 1 }, { hex = "02" }, { check = "sum-8", from = 1 }]
sets = { power = false }

[actions.set-volume]
effect = "neutral"
parameters.level = { type = "integer", range = [0, 63] }
send = [{ hex = "A5" }, { address = 1 }, { hex = "20" }, { field = "level" }]
sets = { volume = "level" }

[actions.ask]
effect = "neutral"
send = [{ hex = "A5" }, { address = 1 }, { hex = "40" }]

[[observations]]
match = [{ hex = "A6" }, { address = 1 }, { hex = "51" }, { field = "source", table = { cd = 0, tuner = 1 } }]
sets = { input = "source" }

[[observations]]
match = [{ hex = "A6" }, { address = 1 }, { hex = "52" }, { field = "level" }]
sets = { volume = "level" }

[[evidence]]
action = "power-on"
bytes = "A5 01 01 02"
"""


def changed(*changes: tuple[str, str], more: str = "") -> str:
    """The sound profile with each first text replaced by the second (once), and more at its end."""
    text = SOUND
    for before, after in changes:
        assert before in text
        text = text.replace(before, after, 1)
    return text + more


def faults(*changes: tuple[str, str], more: str = "") -> list[Fault]:
    """Everything found in the changed profile."""
    return list(check_text(changed(*changes, more=more), "foyer.toml").faults)


def error_keys(*changes: tuple[str, str], more: str = "") -> list[str]:
    """The keys of the faults that are no mere warnings."""
    return [fault.key for fault in faults(*changes, more=more) if not fault.warning]
