"""The text that is edited: steps back and forth, differences, and where new things are put."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.api import ProfileText
from profiles import builtin
from profiles.errors import BadValue, LinewardenError
from profiles.storage import revision
from tui.profile_draft import Moved, ProfileDraft, change, difference
from tui.profile_places import (
    Part,
    change_effect,
    insert_block,
    insert_parameter,
    part_at,
    table_text,
    value_text,
)

SHIPPED = sorted(Path(builtin.__file__).parent.glob("*.toml"))


def saved(text: str, *, writable: bool = True) -> ProfileText:
    return ProfileText("hall", text, revision(text), "/profiles/hall.toml", writable)


def draft(text: str) -> ProfileDraft:
    return ProfileDraft("hall", saved(text))


texts = st.text(alphabet="ab\n ", max_size=12)


@given(texts, texts)
def test_one_change_makes_one_text_of_another(old: str, new: str) -> None:
    made = change(old, new)
    if made is None:
        assert old == new
        return
    assert old[made.at : made.at + len(made.out)] == made.out
    assert old[: made.at] + made.into + old[made.at + len(made.out) :] == new


@given(texts, st.lists(st.tuples(texts, st.booleans()), max_size=8))
def test_undo_leads_back_to_the_beginning_and_redo_to_the_end(
    first: str, later: list[tuple[str, bool]]
) -> None:
    edited = draft(first)
    for text, typed in later:
        edited.edit(text, typed=typed)
    last = edited.text
    steps = 0
    while edited.undo():
        steps += 1
        assert 0 <= edited.cursor <= len(edited.text)
    assert edited.text == first
    assert not edited.changed
    while edited.redo():
        steps -= 1
        assert 0 <= edited.cursor <= len(edited.text)
    assert edited.text == last
    assert steps == 0


@given(texts, st.lists(st.one_of(texts, st.sampled_from([True, False])), max_size=20))
def test_steps_behave_as_a_list_of_texts_does(first: str, moves: list[str | bool]) -> None:
    """The model: all texts that were, and a place among them."""
    edited = draft(first)
    kept, place = [first], 0
    for move in moves:
        if isinstance(move, str):
            if move != kept[place]:
                kept = [*kept[: place + 1], move]
                place += 1
            edited.edit(move)
        elif move:
            place = max(0, place - 1)
            edited.undo()
        else:
            place = min(len(kept) - 1, place + 1)
            edited.redo()
        assert edited.text == kept[place]


def typed(edited: ProfileDraft, keys: str) -> None:
    for key in keys:
        edited.edit(edited.text + key, typed=True)


def test_typing_is_undone_word_by_word_and_line_by_line() -> None:
    edited = draft("")
    typed(edited, "one two\nthree")
    back = []
    while edited.undo():
        back.append(edited.text)
    assert back == ["one two\n", "one two", "one ", ""]


def test_letters_rubbed_out_come_back_together() -> None:
    edited = draft("power-on")
    for length in range(7, 4, -1):
        edited.edit("power-on"[:length], typed=True)
    assert edited.text == "power"
    assert edited.undo()
    assert edited.text == "power-on"
    assert edited.cursor == len("power-on")


def test_what_is_not_typed_is_a_step_of_its_own() -> None:
    edited = draft("a")
    edited.edit("ab", typed=True)
    edited.edit("abc")
    edited.undo()
    assert edited.text == "ab"


def test_the_oldest_steps_are_let_go() -> None:
    edited = draft("")
    for number in range(2500):
        edited.edit(str(number))
    steps = 0
    while edited.undo():
        steps += 1
    assert steps == 2000
    assert edited.text == "499"


def test_line_ends_of_the_file_stay_its_own() -> None:
    edited = draft("a = 1\r\nb = 2\r\n")
    edited.edit(edited.text.replace("2", "3"))
    assert edited.file_text == "a = 1\r\nb = 3\r\n"
    assert not edited.mixed_ends
    assert not draft("a\nb\n").mixed_ends
    assert draft("a\r\nb\n").mixed_ends


def test_a_text_whose_lines_would_be_torn_is_not_edited() -> None:
    with pytest.raises(BadValue, match=r"line 2 has a line separator \(U\+2028\)"):
        draft('a = 1\nb = "x\u2028y"\n')


def test_the_cursor_is_told_as_a_line() -> None:
    edited = draft("a\nb\nc")
    edited.go_to_line(3)
    assert (edited.cursor, edited.line) == (4, 3)
    edited.go_to_line(99)
    assert edited.line == 3


def test_the_difference_is_a_unified_diff() -> None:
    """By Python's own difflib; its form: POSIX.1-2017, diff -u."""
    edited = draft("a = 1\nb = 2\nc = 3\n")
    edited.edit("a = 1\nb = 4\nc = 3\n")
    assert edited.difference() == [
        "--- saved",
        "+++ yours",
        "@@ -1,4 +1,4 @@",
        " a = 1",
        "-b = 2",
        "+b = 4",
        " c = 3",
        " ",
    ]
    assert difference("a", "a", "x", "y") == []


def test_saving_makes_the_text_the_saved_one_and_keeps_the_steps() -> None:
    edited = draft("a = 1\n")
    edited.edit("a = 2\n")
    edited.was_saved(saved("a = 2\n"))
    assert edited.difference() == []
    edited.undo()
    assert edited.changed
    assert edited.difference()[3:5] == ["-a = 2", "+a = 1"]


def test_somebody_elses_text_can_be_taken_and_ones_own_brought_back() -> None:
    edited = draft("a = 1\nb = 1\n")
    edited.edit("a = 2\nb = 1\n")
    theirs = saved("a = 1\nb = 3\n")
    moved = Moved(edited.base, edited.text, theirs)
    assert "+b = 3" in moved.they_changed
    assert "+a = 2" in moved.i_changed
    assert {"-b = 3", "+b = 1", "-a = 1", "+a = 2"} <= set(moved.between)
    edited.takes_theirs(theirs)
    assert edited.text == theirs.text
    assert edited.difference() == []
    assert edited.saved.revision == theirs.revision
    edited.undo()
    assert edited.text == "a = 2\nb = 1\n"
    assert edited.changed


def test_ones_own_text_stands_over_theirs_with_their_revision() -> None:
    edited = draft("a = 1\n")
    edited.edit("a = 2\n")
    theirs = saved("a = 3\n")
    edited.stays_over(theirs)
    assert edited.text == "a = 2\n"
    assert edited.saved.revision == theirs.revision
    assert "-a = 3" in edited.difference()


def test_a_shipped_profile_becomes_ones_own() -> None:
    assert ProfileDraft("hall", saved("", writable=False)).becomes_own
    assert not ProfileDraft("hall", saved("")).becomes_own


# Places

TEXT = '''\
# the hall's bus
schema = 1
notes = """
[actions.not-one]
# nor is this "comment"
"""

[line]      # its line
baud = 4800

# ---- states
[states.power]
type = "boolean"

# ---- orders
[actions.power-on]
send = [
    { hex = "A5" },
]

[actions.volume]
title = "[odd] # title"
parameters.level = { type = "integer" }
send = [{ hex = "A6" }]

# ---- told
[[observations]]
match = [{ hex = "A7" }]

[[observations]]
match = [{ hex = "A8" }]
'''


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


@pytest.mark.parametrize(
    ("at", "part"),
    [
        ("# the hall", Part("")),
        ("[actions.not-one]", Part("notes")),
        ("baud", Part("line", "")),
        ('type = "boolean"', Part("states", "power")),
        ('{ hex = "A5" }', Part("actions", "power-on")),
        ("title = ", Part("actions", "volume")),
        ('{ hex = "A7" }', Part("observations", index=0)),
        ('{ hex = "A8" }', Part("observations", index=1)),
    ],
)
def test_what_a_line_is_about(at: str, part: Part) -> None:
    assert part_at(TEXT, line_of(TEXT, at)) == part


def test_actions_in_one_line_are_told_apart() -> None:
    text = "[actions]\nmute.send = [{ hex = 'A5' }]\nloud = { send = [{ hex = 'A6' }] }\n"
    assert part_at(text, 2) == Part("actions", "mute")
    assert part_at(text, 3) == Part("actions", "loud")


def added(old: str, new: str) -> list[str]:
    """The lines that were added; fails where any was taken out."""
    lines = difference(old, new, "old", "new")[2:]
    assert not [line for line in lines if line.startswith("-")]
    return [line[1:] for line in lines if line.startswith("+")]


@pytest.mark.parametrize(
    ("kind", "block", "before"),
    [
        ("actions", "[actions.mute]\nsend = [{ hex = 'A9' }]\n", "# ---- told"),
        ("states", "[states.mute]\ntype = 'boolean'\n", "# ---- orders"),
        ("observations", "[[observations]]\nmatch = [{ hex = 'A9' }]\n", ""),
        ("evidence", "[[evidence]]\naction = 'volume'\nbytes = 'A6'\n", ""),
    ],
)
def test_a_new_table_stands_with_its_like_above_the_next_ones_comment(
    kind: str, block: str, before: str
) -> None:
    made, start = insert_block(TEXT, kind, block)
    assert made[start:].startswith(block)
    assert [line for line in added(TEXT, made) if line] == block.splitlines()
    assert made[start + len(block) :].strip().startswith(before)
    assert made.endswith("\n")
    assert not made.endswith("\n\n")


def data_with(text: str, kind: str, block: str) -> dict[str, Any]:
    data = tomllib.loads(text)
    new = tomllib.loads(block)[kind]
    if isinstance(new, list):
        data.setdefault(kind, []).extend(new)
    else:
        data.setdefault(kind, {}).update(new)
    return data


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
@pytest.mark.parametrize(
    ("kind", "block"),
    [
        ("actions", '[actions.one-more]\nsend = [{ hex = "A9" }]\n'),
        ("states", '[states.one-more]\ntype = "boolean"\n'),
        ("observations", '[[observations]]\nmatch = [{ hex = "A9" }]\n'),
        ("evidence", '[[evidence]]\naction = "one-more"\nbytes = "A9"\n'),
    ],
)
def test_a_new_table_changes_nothing_else_in_any_shipped_profile(path: Path, kind: str, block: str) -> None:
    text = path.read_text("utf-8")
    made, _ = insert_block(text, kind, block)
    assert tomllib.loads(made) == data_with(text, kind, block)
    assert [line for line in added(text, made) if line] == block.splitlines()


def test_a_parameter_stands_above_what_is_sent() -> None:
    made, start = insert_parameter(TEXT, "volume", "zone", {"type": "integer", "range": [1, 4]})
    assert added(TEXT, made) == ['parameters.zone = { type = "integer", range = [1, 4] }']
    assert made[start:].startswith("parameters.zone")
    assert made.split("\n")[made[:start].count("\n") + 1].startswith("send")


def test_a_parameter_goes_into_an_action_that_is_written_otherwise() -> None:
    text = "schema = 1\n[actions.volume]\nsend = []\n[actions.volume.parameters.level]\ntype = 'integer'\n"
    made, _ = insert_parameter(text, "volume", "zone", {"type": "boolean"})
    parameters = tomllib.loads(made)["actions"]["volume"]["parameters"]
    assert parameters == {"level": {"type": "integer"}, "zone": {"type": "boolean"}}


def test_a_parameter_of_a_text_that_is_no_toml_is_refused() -> None:
    with pytest.raises(LinewardenError):
        insert_parameter("[actions.volume\n", "volume", "zone", {"type": "boolean"})


def test_an_effect_is_changed_with_its_comment_kept() -> None:
    text = '[actions.x]\neffect = "unknown"   # not known yet\n'
    assert change_effect(text, "x", "neutral") == '[actions.x]\neffect = "neutral"   # not known yet\n'


@given(
    st.recursive(
        st.one_of(st.booleans(), st.integers(-(2**40), 2**40), st.text(max_size=8)),
        lambda inner: st.one_of(
            st.lists(inner, max_size=3),
            st.dictionaries(st.text("abc-", min_size=1, max_size=4), inner, min_size=1, max_size=3),
        ),
        max_leaves=6,
    )
)
def test_values_are_written_so_that_toml_reads_them_back(value: Any) -> None:
    assert tomllib.loads(f"x = {value_text(value)}") == {"x": value}


def test_a_table_in_one_line_has_room_inside_its_braces() -> None:
    assert table_text({"hex": "A5", "from": 1}) == '{ hex = "A5", from = 1 }'
