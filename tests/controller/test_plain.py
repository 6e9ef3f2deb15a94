"""Records and the API's dataclasses come back from JSON as they were, and nothing else comes in."""

from __future__ import annotations

import json
import typing
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.api import JournalEntry, JournalQuery, ProbeReport, ProfileText, SiteView
from controller.plain import from_plain, to_plain
from controller.records import (
    Command,
    Known,
    Origin,
    OriginKind,
    Record,
    StateValue,
    Traffic,
    record_from_json,
    to_json,
)
from profiles.errors import InputError
from tests.controller.from_hints import values_of

ANSWERS: tuple[Any, ...] = (
    JournalQuery,
    list[JournalEntry],
    ProbeReport,
    ProfileText,
    SiteView,
    dict[str, dict[str, StateValue]],
    frozenset[str] | None,
    Known | None,
)
LARGE = (list[JournalEntry], SiteView)
"""Those of which a hundred take long to be made up."""


@settings(deadline=None)
@given(values_of(Record))
def test_every_record_comes_back_from_json_as_it_was(record: Record) -> None:
    again = record_from_json(json.loads(json.dumps(to_json(record))))
    assert again == record
    assert type(again) is type(record)


@pytest.mark.parametrize(
    "hint", [pytest.param(each, marks=[pytest.mark.slow] * (each in LARGE)) for each in ANSWERS], ids=str
)
@settings(deadline=None)
@given(data=st.data())
def test_what_calls_give_comes_back_from_json_as_it_was(hint: Any, data: st.DataObject) -> None:
    value = data.draw(values_of(hint))
    assert from_plain(hint, json.loads(json.dumps(to_plain(value)))) == value


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


@settings(deadline=None)
@given(JSON, st.sampled_from([*typing.get_args(Record), *ANSWERS]))
def test_any_json_gives_a_value_of_the_kind_or_our_own_error(document: Any, hint: Any) -> None:
    try:
        value = from_plain(hint, document)
    except InputError:
        return
    assert from_plain(hint, to_plain(value)) == value


@settings(deadline=None)
@given(st.data(), values_of(Command))
def test_a_record_with_one_value_of_another_type_is_refused_by_name(
    data: st.DataObject, command: Command
) -> None:
    document = to_json(command)
    name = data.draw(st.sampled_from(["unit", "action", "parameters", "origin", "id", "at", "raw"]))
    document[name] = [document[name]]
    with pytest.raises(InputError, match=f"is no Command: {name}"):
        record_from_json(document)


def test_what_does_not_fit_is_told_with_its_path() -> None:
    document = to_plain(Command("foyer-amp", "power-on", origin=Origin(OriginKind.MQTT, "broker")))
    document["origin"]["kind"] = "carrier pigeon"
    with pytest.raises(InputError, match=r"origin: kind: 'carrier pigeon' is not one of screen, "):
        from_plain(Command, document)


def test_what_a_newer_program_adds_is_passed_over_and_what_is_left_out_takes_its_default() -> None:
    assert from_plain(Command, {"unit": "a", "action": "b", "id": "c", "mood": "good"}) == Command(
        "a", "b", id="c"
    )


def test_what_has_no_default_must_be_there() -> None:
    with pytest.raises(InputError, match="is no Traffic: at, data, direction is missing"):
        from_plain(Traffic, {"bus": "hall"})


@pytest.mark.parametrize("value", [1, 0, "true", None])
def test_only_true_and_false_are_true_or_false(value: Any) -> None:
    with pytest.raises(InputError, match="is not true or false"):
        from_plain(bool, value)


def test_a_whole_number_does_for_a_number_unless_it_is_past_all_of_them() -> None:
    assert from_plain(float, 3) == 3.0
    with pytest.raises(InputError, match="too large"):
        from_plain(float, 10**400)


@pytest.mark.parametrize("kind", ["", "Recipe", None, 7, ["Traffic"]])
def test_a_document_of_no_known_kind_is_no_record(kind: Any) -> None:
    with pytest.raises(InputError, match="no record is of kind"):
        record_from_json({"kind": kind})
