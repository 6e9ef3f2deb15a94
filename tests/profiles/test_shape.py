"""Faults of shape: every kind in words of our own, with its key and its line."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given

from profiles.checking import check_text
from profiles.errors import Fault
from profiles.locating import Lines
from profiles.model import Profile
from profiles.shape import MOST_FAULTS, Shown, fit, in_order, sound_rest
from tests.profiles.spoiling import FOREIGN, SHIPPED, spoiled
from tests.profiles.texts import SOUND, changed, faults

SEND = 'send = [{ hex = "A5" }, { address = 1 }, { hex = "40" }]'


def one(key: str, *changes: tuple[str, str]) -> Fault:
    """The only fault of that key."""
    found = [fault for fault in faults(*changes) if fault.key == key]
    assert len(found) == 1, [str(fault) for fault in faults(*changes)]
    return found[0]


@pytest.mark.parametrize(
    ("before", "after", "key", "what", "todo"),
    [
        # Unknown and missing keys.
        ("baud = 4800", "bawd = 4800", "line.bawd", "is no key here", "did you mean `baud`?"),
        ("baud = 4800", "", "line.baud", "is missing", "add `baud = 9600`"),
        ('probe = "ask"', "prob = 1", "prob", "is no key here", "did you mean `probe`?"),
        ('[confirm]\nmethod = "loop"\n', "", "confirm", "is missing", "add the table `[confirm]`"),
        (
            'effect = "energise"',
            'efect = "energise"',
            "actions.power-on.efect",
            "is no key here",
            "did you mean `effect`?",
        ),
        ("schema = 1\n", "", "schema", "is missing", "add `schema = 1`"),
        ('name = "foyer"', "", "name", "is missing", 'add `name = "my-amp"`'),
        (SEND, "", "actions.ask.send", "is missing", 'add `send = [{ hex = "A5 01" }]`'),
        ('bytes = "A5 01 01 02"', "", "evidence[0].bytes", "is missing", 'add `bytes = "A5 01"`'),
        # Wrong types.
        ("baud = 4800", 'baud = "4800"', "line.baud", "must be a number, not '4800'", ""),
        ("baud = 4800", "baud = true", "line.baud", "must be a number, not true", ""),
        ("baud = 4800", "baud = [1]", "line.baud", "must be a number, not a list", ""),
        ('name = "foyer"', "name = 5", "name", "must be a text in quotes, not 5", ""),
        ("[line]\nbaud = 4800", "line = 5", "line", "must be a table, not 5", ""),
        (SEND, "send = 5", "actions.ask.send", "must be a list in brackets, not 5", ""),
        (SEND, "send = []", "actions.ask.send", "is empty", ""),
        ("range = [1, 15]", "range = [1, 15.5]", "address.range[1]", "must be a whole number, not 15.5", ""),
        ("range = [1, 15]", "range = [1]", "address.range[1]", "is missing: the list is too short", ""),
        ("range = [1, 15]", "range = [1, 2, 3]", "address.range", "has 3 entries, and 2 are the most", ""),
        ("sets = { power = true }", "sets = 5", "actions.power-on.sets", "must be a table, not 5", ""),
        (
            "sets = { power = true }",
            "sets = { power = [1] }",
            "actions.power-on.sets.power",
            "must be true, false, a finite number or a text",
            "",
        ),
        # Out of range.
        ("baud = 4800", "baud = 0", "line.baud", "must be more than 0, not 0", ""),
        ("baud = 4800", "baud = nan", "line.baud", "must be a finite number, not nan", ""),
        ("baud = 4800", "baud = inf", "line.baud", "must be a finite number, not inf", ""),
        ("baud = 4800", "baud = 1e9", "line.baud", "must be at most 5e+07, not 1000000000.0", ""),
        (
            "baud = 4800",
            "baud = " + "9" * 400,
            "line.baud",
            "must be a number, not one of about 400 digits",
            "",
        ),
        (
            'method = "loop"',
            'method = "loop"\nretries = -1',
            "confirm.retries",
            "must be at least 0, not -1",
            "",
        ),
        # Not one of.
        (
            'method = "loop"',
            'method = "lop"',
            "confirm.method",
            'must be "loop", "local", "reply" or "none", not \'lop\'',
            'did you mean "loop"?',
        ),
        ("baud = 4800", 'baud = 4800\nidle = "hi"', "line.idle", 'must be "high" or "low", not \'hi\'', ""),
        ('type = "boolean"', "type = 7", "states.power.type", '"text" or "duration", not 7', ""),
        # Texts with a form of their own.
        (
            "baud = 4800",
            'baud = 4800\nframe = "9X1"',
            "line.frame",
            "'9X1' is no frame format",
            "such as 8N1",
        ),
        ('name = "foyer"', 'name = "Foyer Amp"', "name", "'Foyer Amp' is no name", "a-z, 0-9 and hyphens"),
        ('name = "foyer"', f'name = "{"x" * 65}"', "name", "has 65 characters, and 64 are the most", ""),
        ("[actions.ask]", "[actions.Ask]", "actions.Ask", "'Ask' is no name", "a-z, 0-9 and hyphens"),
        ('bytes = "A5 01 01 02"', 'bytes = "A5 0"', "evidence[0].bytes", "is not written in hexadecimal", ""),
        ('bytes = "A5 01 01 02"', 'bytes = ""', "evidence[0].bytes", "is empty", 'such as "A5"'),
        (
            'bytes = "A5 01 01 02"',
            'bytes = "A5 01 01 02"\ntaken = "x"',
            "evidence[0].taken",
            "must be a date such as",
            "",
        ),
        # Items of templates.
        (
            SEND,
            'send = [{ hxe = "A5" }]',
            "actions.ask.send[0]",
            "is no item of a template",
            "give it one of hex, text",
        ),
        (SEND, 'send = ["A5"]', "actions.ask.send[0]", "is no item of a template", ""),
        (
            SEND,
            'send = [{ hex = "A5", any = 1 }]',
            "actions.ask.send[0].any",
            "stands beside `hex`",
            "write two items",
        ),
        (
            SEND,
            'send = [{ hex = "A5", size = 1 }]',
            "actions.ask.send[0].size",
            "is no key here",
            "known here: hex",
        ),
        (
            SEND,
            'send = [{ hex = "A" }]',
            "actions.ask.send[0].hex",
            "is not written in hexadecimal digit pairs",
            "",
        ),
        (SEND, 'send = [{ text = "€" }]', "actions.ask.send[0].text", "no single byte: '€'", ""),
        (SEND, "send = [{ any = 0 }]", "actions.ask.send[0].any", "must be at least 1, not 0", ""),
        (
            SEND,
            'send = [{ hex = "A5" }, { check = "sum-8", form = 1 }]',
            "actions.ask.send[1].form",
            "is no key here",
            "did you mean `from`?",
        ),
        (
            SEND,
            'send = [{ field = "x", table = 5 }]',
            "actions.ask.send[0].table",
            "must be a table such as { one = 1, two = 2 }, or a list of numbers",
            "",
        ),
        (
            SEND,
            'send = [{ field = "x", table = { one = "1" } }]',
            "actions.ask.send[0].table.one",
            "must be a whole number, not '1'",
            "",
        ),
        (
            SEND,
            'send = [{ field = "x", table = [true] }]',
            "actions.ask.send[0].table[0]",
            "whole number, not true",
            "",
        ),
        # What a state is set by.
        ('set = "set-volume"', "set = 5", "states.volume.set", "must be an action, or a table such as", ""),
        (
            'set = "set-volume"',
            'set = { "1" = 5 }',
            "states.volume.set.1",
            "must be a text in quotes, not 5",
            "",
        ),
    ],
)
def test_one_fault_in_plain_words(before: str, after: str, key: str, what: str, todo: str) -> None:
    fault = one(key, (before, after))
    assert not fault.warning
    assert what in fault.what
    assert todo in fault.todo


def test_the_line_is_that_of_the_key_or_of_its_table() -> None:
    assert one("line.bawd", ("baud = 4800", "bawd = 4800")).line == 6
    assert one("line.baud", ("baud = 4800", "")).line == 5
    assert (
        str(one("line.baud", ("baud = 4800", "baud = 0")))
        == "foyer.toml:6: line.baud: must be more than 0, not 0"
    )


def test_every_fault_is_told_at_once() -> None:
    found = faults(
        ("baud = 4800", "baud = 0\nstopbits = 1"),
        ('effect = "energise"', 'effect = "on"'),
        ('{ hex = "40" }', '{ hex = "4" }, { check = "sum-8", to = -1 }, 5'),
        ('type = "enum"', 'type = "enom"'),
    )
    assert [(fault.key, fault.line) for fault in found] == [
        ("line.baud", 6),
        ("line.stopbits", 7),
        ("states.input.type", 26),
        ("actions.power-on.effect", 30),
        ("actions.ask.send[2].hex", 47),
        ("actions.ask.send[3].to", 47),
        ("actions.ask.send[4]", 47),
    ]


def test_a_newer_schema_is_the_only_fault() -> None:
    (fault,) = faults(("schema = 1", "schema = 2"), ("baud = 4800", "bits_per_second = 4800"))
    assert (fault.key, fault.line) == ("schema", 1)
    assert fault.what == "is 2, and this program knows 1"
    assert "newer Linewarden" in fault.todo


@pytest.mark.parametrize("schema", ["0", "-1", '"1"', "true", "1.0"])
def test_a_schema_that_is_none(schema: str) -> None:
    assert one("schema", ("schema = 1", f"schema = {schema}")).line == 1


def test_what_is_shown_can_be_printed() -> None:
    found = check_text('"\\u001b[31mred" = 1\n[line]\nbaud = "\\u001b[2J\\u202e"\n', "x.toml").faults
    text = "\n".join(str(fault) for fault in found)
    assert all(character.isprintable() or character == "\n" for character in text)
    assert "\\u001b[31mred" in text


def test_of_very_many_faults_the_first_are_told() -> None:
    text = SOUND.replace(
        "baud = 4800", "baud = 4800\n" + "".join(f"k{n} = 1\n" for n in range(MOST_FAULTS + 9))
    )
    found = check_text(text, "x.toml").faults
    assert len(found) == MOST_FAULTS + 1
    assert found[0].what == "has 9 more faults that are not listed"


def test_the_rest_of_a_faulty_file_is_looked_at_too() -> None:
    data = tomllib.loads(changed())
    rest = sound_rest(
        data,
        [("line", "baud"), ("actions", "ask", "send", 0), ("observations", 0)],
        ["actions", "observations"],
    )
    assert rest.dropped == {("line",), ("actions", "ask"), ("observations", 0)}
    assert "line" not in rest.data
    assert "ask" not in rest.data["actions"]
    assert rest.data["observations"] == data["observations"][1:]


@given(spoiled(*SHIPPED))
def test_anything_wrong_anywhere_is_told_in_our_words(data: dict[str, Any]) -> None:
    shape = fit(Profile, data, Shown("x.toml", Lines("")))
    assert (shape.model is None) == bool(shape.faults)
    for fault in shape.faults:
        assert not any(word in str(fault) for word in FOREIGN)
        assert fault.what[0].islower() or fault.what[0] in "'\""


def test_faults_in_the_order_of_their_lines() -> None:
    made = [Fault("x", "c", 9, ""), Fault("x", "a", None, ""), Fault("x", "b", 2, "")]
    assert [fault.key for fault in in_order(made)] == ["a", "b", "c"]
