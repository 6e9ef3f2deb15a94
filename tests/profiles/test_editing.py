"""Single keys changed, with the rest of the text as it was."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from profiles.editing import Edit, edit_text
from profiles.errors import BadValue, FileUnreadable
from profiles.storage import parse_toml
from tests.profiles.test_locating import documents, paths

TEXT = """\
# what stands above
schema = 1     # and beside

[actions.mute]                  # an action
send = [{ hex = "A5" },         # its first byte
        { address = 1 }]
'odd key' = true

# before the first
[[observations]]
match = [{ hex = "A6" }]
[[observations]]
match = [{ hex = "A7" }]
"""


@pytest.mark.parametrize(
    ("edits", "before", "after"),
    [
        ([Edit(("schema",), 2)], "schema = 1 ", "schema = 2 "),
        ([Edit(("actions", "mute", "send", 0, "hex"), "A5 01")], '"A5"', '"A5 01"'),
        ([Edit(("actions", "mute", "odd key"), False)], "'odd key' = true", "'odd key' = false"),
        ([Edit(("observations", 1, "match", 0, "hex"), "A8")], '"A7"', '"A8"'),
        ([Edit(("observations", 0))], '[[observations]]\nmatch = [{ hex = "A6" }]\n', ""),
        ([Edit(("actions", "mute", "odd key"))], "'odd key' = true\n", ""),
    ],
)
def test_one_place_changes_and_nothing_else(edits: list[Edit], before: str, after: str) -> None:
    assert edit_text(TEXT, edits) == TEXT.replace(before, after, 1)


@pytest.mark.parametrize(
    ("edit", "line"),
    [
        (Edit(("actions", "mute", "send", 2), {"check": "sum-8"}), '{check = "sum-8"}'),
        (Edit(("actions", "mute", "title"), "Mute"), 'title = "Mute"'),
        (Edit(("actions", "step", "send"), [{"hex": "01"}]), "[actions.step]"),
        (Edit(("actions", "step", "send"), [{"hex": "01"}]), 'send = [{hex = "01"}]'),
        (Edit(("observations", 2), {"match": [{"hex": "01"}]}), 'match = [{hex = "01"}]'),
        (Edit(("line", "baud"), 4800), "[line]"),
    ],
)
def test_what_is_new_is_written_as_profiles_are(edit: Edit, line: str) -> None:
    result = edit_text(TEXT, [edit])
    assert line in result
    for kept in (
        "# what stands above",
        "# and beside",
        "# an action",
        "# its first byte",
        "# before the first",
    ):
        assert kept in result


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (Edit(("none",)), "none is not there"),
        (Edit(("none", "deeper")), "is not there"),
        (Edit(("observations", 2)), "is not there"),
        (Edit(("observations", 3), {"x": 1}), "has 2 entries, and none at 3"),
        (Edit(("observations", -1), {"x": 1}), "none at -1"),
        (Edit(("schema", "x"), 1), "schema is no table"),
        (Edit(("schema", 0), 1), "schema is no list"),
        (Edit(("observations", "x"), 1), "observations is no table"),
        (Edit((), 1), "needs a key"),
        (Edit(("schema",), object()), "can't be changed here"),
    ],
)
def test_a_change_that_leads_nowhere(edit: Edit, words: str) -> None:
    with pytest.raises(BadValue, match=words):
        edit_text(TEXT, [edit])


def test_a_text_that_is_no_toml() -> None:
    with pytest.raises(FileUnreadable):
        edit_text("a = ", [Edit(("a",), 1)])


def without_empty(value: Any) -> Any:
    if isinstance(value, dict):
        kept = {key: without_empty(entry) for key, entry in value.items()}
        return {key: entry for key, entry in kept.items() if entry != {}}
    return [without_empty(entry) for entry in value] if isinstance(value, list) else value


@settings(max_examples=40)
@given(documents(), st.data())
def test_any_document_says_what_was_meant_or_is_left_alone(text: str, data: st.DataObject) -> None:
    says = parse_toml(text, "")
    places = list(paths(says))
    assume(places)
    path = data.draw(st.sampled_from(places))
    value = data.draw(st.sampled_from([None, 5, "x\n\"'", [1, {"a": 2}], {"b": [3]}]))
    try:
        result = edit_text(text, [Edit(path, value)])
    except BadValue:
        return
    place: Any = says
    for step in path[:-1]:
        place = place[step]
    plain = not isinstance(place[path[-1]], dict | list)
    if value is None:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    assert without_empty(parse_toml(result, "")) == without_empty(says)
    if plain and isinstance(value, int | str):
        assert result.count("# ]]]") == text.count("# ]]]")
