"""Rules that need more than one key: every fault at once, with its place and what would be right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from profiles.checking import check_profile, check_text, load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import FileFaults, FileUnreadable
from tests.profiles.spoiling import SHIPPED, spoiled
from tests.profiles.texts import SOUND, changed, error_keys, faults

ASK = 'send = [{ hex = "A5" }, { address = 1 }, { hex = "40" }]'
ASK_KEY = "actions.ask.send"
LEVEL = 'parameters.level = { type = "integer", range = [0, 63] }'
SOURCE = '{ field = "source", table = { cd = 0, tuner = 1 } }'
LOOP = 'method = "loop"'


def test_the_sound_profile_is_sound() -> None:
    checked = check_text(SOUND, "foyer.toml")
    assert checked.faults == ()
    assert isinstance(checked.profile, CompiledProfile)


FAULTS: list[tuple[str, str, str, str]] = [
    # Templates that can't be built.
    (ASK, ASK[:-1] + ', { check = "sum-8", from = 1, to = 3 }]', f"{ASK_KEY}[3].check", "covers itself"),
    (ASK, ASK[:-1] + ', { check = "crc-61" }]', f"{ASK_KEY}[3].check", "no check is called 'crc-61'"),
    (ASK, 'send = [{ hex = "A5" }, { any = 1 }]', f"{ASK_KEY}[1].any", "`any` can't be sent"),
    (
        'match = [{ hex = "A6" }',
        "match = [{ pause_ms = 1 }",
        "observations[0].match[0].pause_ms",
        "only be sent",
    ),
    # Fields and parameters.
    (
        '{ field = "level" }',
        '{ field = "levle" }',
        "actions.set-volume.send[3].field",
        "no parameter is called 'levle'",
    ),
    (', { field = "level" }]', "]", "actions.set-volume.parameters.level", "is never sent"),
    (
        LEVEL,
        LEVEL[:-1] + ", default = 64 }",
        "actions.set-volume.parameters.level.default",
        "from 0 to 63, not 64",
    ),
    # Types and values.
    ('values = ["cd", "tuner"]', "", "states.input.values", "is missing"),
    (
        'values = ["cd", "tuner"]',
        'values = ["cd", "cd", "tuner"]',
        "states.input.values[1]",
        "'cd' is there already",
    ),
    (
        'values = ["cd", "tuner"]',
        'values = ["cd", "tuner", "a,b"]',
        "states.input.values[2]",
        "'a,b' is no value",
    ),
    ('values = ["cd", "tuner"]', 'values = ["cd", "tuner", ""]', "states.input.values[2]", "'' is no value"),
    ("range = [0, 63]", "range = [63, 0]", "states.volume.range", "goes from 63 down to 0"),
    ("range = [0, 63]", "range = [0.5, 63]", "states.volume.range", "no whole number"),
    ('type = "boolean"', 'type = "boolean"\nrange = [0, 1]', "states.power.range", "is for numbers"),
    ('type = "boolean"', 'type = "boolean"\nvalues = ["a"]', "states.power.values", "is for an enum"),
    # What sets what.
    (
        "sets = { power = true }",
        "sets = { pwer = true }",
        "actions.power-on.sets.pwer",
        "no state is called 'pwer'",
    ),
    (
        "sets = { power = true }",
        "sets = { power = 1 }",
        "actions.power-on.sets.power",
        "true or false, not 1",
    ),
    (
        "sets = { power = true }",
        "sets = { volume = 64 }",
        "actions.power-on.sets.volume",
        "from 0 to 63, not 64",
    ),
    (
        "sets = { power = true }",
        'sets = { input = "dvd" }',
        "actions.power-on.sets.input",
        "one of cd, tuner, not 'dvd'",
    ),
    (
        'sets = { volume = "level" }',
        'sets = { volume = "lvl" }',
        "actions.set-volume.sets.volume",
        "whole number, not 'lvl'",
    ),
    ("[0, 63] }", "[0, 70] }", "actions.set-volume.sets.volume", "from 0 to 70, the other from 0 to 63"),
    (
        '{ type = "integer", range = [0, 63] }',
        '{ type = "boolean" }',
        "actions.set-volume.sets.volume",
        "of type boolean",
    ),
    (SOURCE, SOURCE.replace("source", "cd"), "observations[0].sets.input", "one of"),
    (
        "sets = { power = true }",
        "sets = { power = true }\nonly_if = { powr = false }",
        "actions.power-on.only_if.powr",
        "no state",
    ),
    (
        "sets = { power = true }",
        "only_if = { power = 5 }",
        "actions.power-on.only_if.power",
        "true or false, not 5",
    ),
    # What a state is set by.
    ('true = "power-on"', 'true = "power-no"', "states.power.set.true", "no action is called 'power-no'"),
    ('true = "power-on"', 'yes = "power-on"', "states.power.set.yes", "must be true or false, not 'yes'"),
    ('true = "power-on"', 'true = "standby"', "states.power.set.true", "standby sets power to false"),
    ('true = "power-on"', 'true = "set-volume"', "states.power.set.true", "set-volume needs level"),
    ('set = "set-volume"', 'set = "set-volum"', "states.volume.set", "no action is called 'set-volum'"),
    ('set = "set-volume"', 'set = "ask"', "states.volume.set", "takes 0 values"),
    (
        "range = [0, 63]\nset",
        "range = [0, 99]\nset",
        "states.volume.set",
        "from 0 to 99, the other from 0 to 63",
    ),
    ("range = [0, 63]\nset", "set", "states.volume.set", "has no range"),
    # Told apart.
    ('{ hex = "02" }', '{ hex = "01" }', "actions.standby.send", "says the same bytes as power-on"),
    # Addresses.
    ("all = 0", "all = 7", "address.all", "is 7, which a unit can have too"),
    ("all = 0", "all = -1", "address.all", "is -1"),
    ("range = [1, 15]", "range = [15, 1]", "address.range", "goes from 15 to 1"),
    ("[address]\nrange = [1, 15]\nall = 0", "", "actions.power-on.send[1].address", "the profile has none"),
    ("range = [1, 15]", "range = [1, 300]", "actions.power-on.send[1].address", "address 300 does not fit"),
    # Confirmation and time.
    (LOOP, 'method = "reply"', "actions.ask.reply", "is missing"),
    (LOOP, LOOP + "\ntimeout_ms = 3", "confirm.timeout_ms", "shorter than the least time of an echo"),
    # The probe.
    ('probe = "ask"', 'probe = "aks"', "probe", "no action is called 'aks'"),
    ('probe = "ask"', 'probe = "power-on"', "probe", "its effect is energise"),
    ('probe = "ask"', 'probe = "standby"', "probe", "its effect is de-energise"),
    ('probe = "ask"', 'probe = "set-volume"', "probe", "needs parameters"),
    # Evidence.
    (
        'action = "power-on"\nbytes',
        'action = "power-of"\nbytes',
        "evidence[0].action",
        "no action is called 'power-of'",
    ),
    ("A5 01 01 02", "A5 01 02 02", "evidence[0].bytes", "byte 2 is 02, not 01"),
    ("A5 01 01 02", "A5 01 01 03", "evidence[0].bytes", "a check or a value in it is wrong"),
    ("A5 01 01 02", "A5 01 01", "evidence[0].bytes", "has 3 bytes, and power-on sends 4"),
    ('"A5 01 01 02"', '"A5 01 01 02"\naddress = 2', "evidence[0].address", "is 2, and the bytes say 1"),
    (
        '"A5 01 01 02"',
        '"A5 01 01 02"\nparameters = { a = 1 }',
        "evidence[0].parameters.a",
        "no such parameter",
    ),
    (
        '"A5 01 01 02"',
        '"A5 01 01 02"\ncapture = "../x.csv"',
        "evidence[0].capture",
        "no file beside the profile",
    ),
    (
        '"A5 01 01 02"',
        '"A5 01 01 02"\ncapture = "/etc/x"',
        "evidence[0].capture",
        "no file beside the profile",
    ),
    (
        '"A5 01 01 02"',
        "\"A5 01 01 02\"\ncapture = 'C:\\x'",
        "evidence[0].capture",
        "no file beside the profile",
    ),
    # The line.
    (
        "baud = 4800",
        'baud = 4800\nframe = "7E1"',
        "actions.power-on.send[0].hex",
        "can be A5 hex, which does not fit 7 data bits",
    ),
]


@pytest.mark.parametrize(("before", "after", "key", "words"), FAULTS)
def test_a_fault_with_its_place(before: str, after: str, key: str, words: str) -> None:
    found = [fault for fault in faults((before, after)) if fault.key == key]
    assert len(found) == 1, [str(fault) for fault in faults((before, after))]
    assert words in f"{found[0].what}; {found[0].todo}"
    assert not found[0].warning
    assert found[0].line is not None
    assert check_text(changed((before, after)), "x").profile is None


WARNINGS: list[tuple[str, str, str, str]] = [
    ('effect = "neutral"\nparameters', "parameters", "actions.set-volume.effect", "counts as energise"),
    ("sets = { power = true }", "", "states.power.set.true", "power-on does not say what power is after it"),
    (
        'sets = { volume = "level" }',
        "",
        "states.volume.set",
        "set-volume does not say what volume is after it",
    ),
    ('sets = { input = "source" }', "", "states.input", "is never set"),
    (
        "sets = { power = true }",
        "sets = { power = true }\nonly_if = { power = false }",
        "actions.power-on.repeatable",
        "toggle back",
    ),
    ("baud = 4800", "baud = 4800\nburst_gap_ms = 1", "line.burst_gap_ms", "shorter than one frame"),
    ("baud = 4800", "baud = 4800\ndead_time_ms = 50", "line.burst_gap_ms", "shorter than the dead time"),
    (
        'sets = { volume = "level" }\n\n[[evidence',
        "\n[[evidence",
        "observations[1]",
        "sets no state and raises no event",
    ),
]


@pytest.mark.parametrize(("before", "after", "key", "words"), WARNINGS)
def test_what_is_worth_knowing_is_no_reason_to_refuse(before: str, after: str, key: str, words: str) -> None:
    checked = check_text(changed((before, after)), "foyer.toml")
    found = [fault for fault in checked.faults if fault.key == key]
    assert len(found) == 1, [str(fault) for fault in checked.faults]
    assert words in found[0].what
    assert found[0].warning
    assert checked.errors == ()
    assert checked.profile is not None


def test_evidence_of_a_message_sent_twice() -> None:
    twice = ("sets = { power = true }", "sets = { power = true }\nrepeat = 2")
    assert error_keys(twice) == []
    assert error_keys(twice, ("A5 01 01 02", "A5 01 01 02 A5 01 01 02")) == []
    assert error_keys(twice, ("A5 01 01 02", "A5 01 01 02 A5 01 02 03")) == ["evidence[0].bytes"]


def test_evidence_says_what_would_be_sent() -> None:
    wrong = '\n[[evidence]]\naction = "set-volume"\naddress = 2\nbytes = "A5 02 20 50"\n'
    (fault,) = faults(more=wrong)
    assert fault.key == "evidence[1].bytes"
    assert "byte 3 is 50" in fault.what
    checked = '\n[[evidence]]\naction = "power-on"\naddress = 2\nbytes = "A5 02 01 09"\n'
    assert "that is A5 02 01 03" in faults(more=checked)[0].what


def test_several_items_of_one_template_are_told_at_once() -> None:
    assert error_keys((ASK, 'send = [{ any = 1 }, { check = "x" }, { hex = "40" }, { field = "no" }]')) == [
        "actions.ask.send[3].field",
        "actions.ask.send[0].any",
        "actions.ask.send[1].check",
    ]


def test_what_refers_to_something_broken_is_no_fault_as_well() -> None:
    assert error_keys(('{ hex = "40" }', '{ hex = "4" }')) == ["actions.ask.send[2].hex"]
    assert error_keys(('type = "enum"', 'type = "enom"')) == ["states.input.type"]
    assert error_keys(("range = [1, 15]", "range = [1]")) == ["address.range[1]"]
    assert error_keys(("range = [1, 15]", "range = [15, 1]")) == ["address.range"]
    assert error_keys(("[line]\nbaud = 4800", "line = 1")) == ["line"]
    assert error_keys((LOOP, 'method = "echo"')) == ["confirm.method"]


def test_faults_of_shape_and_of_meaning_in_one_go() -> None:
    found = error_keys(
        ('{ hex = "40" }', '{ hex = "4" }'),
        ("sets = { power = true }", "sets = { power = 7 }"),
        (
            'match = [{ hex = "A6" }, { address = 1 }, { hex = "51" }',
            'match = [{ hxe = "A6" }, { hex = "51" }',
        ),
        ('sets = { volume = "level" }\n\n[[evidence', 'sets = { vol = "level" }\n\n[[evidence'),
    )
    # The second observation keeps its place in the file though the first could not be read.
    assert found == [
        "states.power.set.true",
        "actions.power-on.sets.power",
        "actions.ask.send[2].hex",
        "observations[0].match[0]",
        "observations[1].sets.vol",
    ]


def test_a_file_checked(tmp_path: Path) -> None:
    path = tmp_path / "foyer.toml"
    path.write_text(changed(("baud = 4800", "baud = 0")))
    (fault,) = check_profile(path)
    assert str(fault) == f"{path}:6: line.baud: must be more than 0, not 0"
    path.write_text("a = ")
    with pytest.raises(FileUnreadable):
        check_profile(path)


def test_loading_tells_all_faults_together() -> None:
    with pytest.raises(FileFaults) as caught:
        load_profile(changed(("baud = 4800", "baud = 0"), ("all = 0", "all = 3")), "foyer.toml")
    assert [fault.key for fault in caught.value.faults] == ["line.baud", "address.all"]
    assert "and 1 more" in str(caught.value)
    assert "\n" not in str(caught.value)
    with pytest.raises(FileUnreadable):
        load_profile("a = ", "foyer.toml")


def test_text_that_is_no_toml_is_one_fault() -> None:
    checked = check_text("schema = 1\nname = \n", "foyer.toml")
    assert [(fault.line, fault.key) for fault in checked.faults] == [(2, "")]
    assert checked.profile is None


@given(st.text(max_size=200))
def test_any_text_is_checked(text: str) -> None:
    checked = check_text(text, "x.toml")
    assert checked.errors
    assert checked.profile is None


@given(spoiled(*SHIPPED))
def test_a_profile_with_anything_wrong_is_refused_or_works(data: dict[str, Any]) -> None:
    checked = check_text(tomlkit.dumps(data), "x.toml")
    assert (checked.profile is None) == bool(checked.errors)
    if checked.profile is not None:
        for action in checked.profile.actions.values():
            assert action.send.size
        checked.profile.matcher().feed(bytes(range(256)), 0.0)
