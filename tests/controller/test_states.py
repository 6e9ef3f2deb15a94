"""What is known of each unit, and how: observed, confirmed, presumed, unknown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.records import Known, Result, StateChange, StateValue
from controller.states import StateBook, known_by
from profiles.model import StateSpec, Value

SPECS = {
    "power": StateSpec(type="boolean"),
    "volume": StateSpec(type="integer", range=(0, 63)),
    "input": StateSpec(type="enum", values=("cd", "tuner")),
}


def book(last: dict[tuple[str, str], Value] | None = None) -> StateBook:
    return StateBook({"mixer": SPECS, "amp": SPECS}, last, now=1.0)


def value(states: StateBook, name: str, unit: str = "mixer") -> StateValue:
    found = states.get(unit, name)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("result", "known"),
    [
        (Result.ANSWERED, Known.OBSERVED),
        (Result.CONFIRMED, Known.CONFIRMED),
        (Result.SENT, Known.PRESUMED),
        (Result.FAILED, Known.UNKNOWN),
        (Result.REFUSED, Known.UNKNOWN),
        (Result.CANCELLED, Known.UNKNOWN),
        (Result.INTERRUPTED, Known.UNKNOWN),
    ],
)
def test_a_result_says_how_a_state_is_known(result: Result, known: Known) -> None:
    assert known_by(result) is known


def test_everything_begins_unknown_with_the_last_known_value_beside() -> None:
    states = book({("mixer", "power"): True})
    assert value(states, "power") == StateValue(None, Known.UNKNOWN, 1.0, last_known=True)
    assert value(states, "volume") == StateValue(None, Known.UNKNOWN, 1.0)


@pytest.mark.parametrize("last", [64, "loud", True, 3.5])
def test_a_last_known_value_that_the_state_can_not_have_any_more_is_dropped(last: Value) -> None:
    assert value(book({("mixer", "volume"): last}), "volume").last_known is None


def test_what_changed_is_told_and_what_did_not_is_not() -> None:
    states = book()
    (change,) = states.put("mixer", {"power": True}, Known.CONFIRMED, 2.0, "a")
    assert change == StateChange("mixer", "power", StateValue(True, Known.CONFIRMED, 2.0, True, "a"))
    assert states.put("mixer", {"power": True}, Known.CONFIRMED, 3.0, "b") == []
    # Known in another way: that is news; since when it is so is not.
    (change,) = states.put("mixer", {"power": True}, Known.OBSERVED, 4.0)
    assert change.value == StateValue(True, Known.OBSERVED, 2.0, True)
    (change,) = states.put("mixer", {"power": False}, Known.OBSERVED, 5.0)
    assert change.value.since == 5.0


def test_a_state_that_the_unit_does_not_have_is_passed_over() -> None:
    states = book()
    assert states.put("mixer", {"colour": "red"}, Known.OBSERVED, 2.0) == []
    assert states.put("lamp", {"power": True}, Known.OBSERVED, 2.0) == []
    assert states.doubt("lamp", ["power"], 2.0) == []
    assert states.get("lamp", "power") is None


def test_doubt_leaves_the_last_known_value_beside() -> None:
    states = book()
    states.put("mixer", {"power": True, "volume": 7}, Known.OBSERVED, 2.0)
    (change,) = states.doubt("mixer", ["power"], 3.0, "a")
    assert change.value == StateValue(None, Known.UNKNOWN, 3.0, True, "a")
    assert states.doubt("mixer", ["power"], 4.0) == []
    assert value(states, "volume").known is Known.OBSERVED


def test_a_command_that_may_have_been_obeyed_casts_no_doubt_on_what_is_so_already() -> None:
    states = book()
    states.put("mixer", {"power": True, "volume": 7}, Known.CONFIRMED, 2.0)
    changes = states.doubt("mixer", {"power": True, "volume": 9}, 3.0)
    assert [change.state for change in changes] == ["volume"]
    assert value(states, "power") == StateValue(True, Known.CONFIRMED, 2.0, True)


def test_a_lost_link_leaves_nothing_known_of_its_units_alone() -> None:
    states = book()
    for unit in ("mixer", "amp"):
        states.put(unit, {"power": True, "volume": 7}, Known.OBSERVED, 2.0)
    changes = states.doubt_all(["mixer"], 3.0)
    assert {(change.unit, change.state) for change in changes} == {("mixer", "power"), ("mixer", "volume")}
    assert value(states, "power", "amp").known is Known.OBSERVED


def test_whether_states_hold_is_not_known_while_one_of_them_is_not() -> None:
    states = book()
    assert states.holds("mixer", {}) is True
    assert states.holds("mixer", {"power": True}) is None
    states.put("mixer", {"power": True}, Known.PRESUMED, 2.0)
    assert states.holds("mixer", {"power": True}) is True
    assert states.holds("mixer", {"power": False}) is False
    assert states.holds("mixer", {"power": True, "volume": 7}) is None
    # One that is known to be otherwise settles it.
    assert states.holds("mixer", {"power": False, "volume": 7}) is False
    assert states.holds("mixer", {"no-such": 1}) is None
    assert not states.observed("mixer", {"power": True})
    states.put("mixer", {"power": True}, Known.OBSERVED, 3.0)
    assert states.observed("mixer", {"power": True})
    assert not states.observed("mixer", {"power": False})


def test_a_new_profile_keeps_what_still_fits() -> None:
    states = book({("mixer", "tone"): 3})
    states.put("mixer", {"power": True, "volume": 50, "input": "cd"}, Known.OBSERVED, 2.0)
    new = {
        "power": SPECS["power"],
        "volume": StateSpec(type="integer", range=(0, 30)),
        "tone": StateSpec(type="integer"),
    }
    changes = states.take_specs(["mixer"], new, 3.0)
    assert {change.state: change.value for change in changes} == {
        "volume": StateValue(None, Known.UNKNOWN, 3.0),
        "tone": StateValue(None, Known.UNKNOWN, 3.0, last_known=3),
    }
    assert value(states, "power") == StateValue(True, Known.OBSERVED, 2.0, True)
    assert states.names("mixer") == ("power", "volume", "tone")
    assert states.names("amp") == ("power", "volume", "input")


steps = st.one_of(
    st.tuples(
        st.just("put"),
        st.dictionaries(st.sampled_from(list(SPECS)), st.integers(0, 2)),
        st.sampled_from([k for k in Known if k is not Known.UNKNOWN]),
    ),
    st.tuples(st.just("doubt"), st.lists(st.sampled_from(list(SPECS))), st.none()),
    st.tuples(st.just("doubt all"), st.none(), st.none()),
)


@given(st.lists(steps))
def test_told_changes_alone_make_the_same_book(todo: list[tuple[str, object, object]]) -> None:
    """Whoever hears every change knows every state; a value is there exactly while it is known."""
    states = book()
    told = {("mixer", name): value(states, name) for name in SPECS}
    for at, (what, given_, known) in enumerate(todo, start=2):
        if what == "put":
            changes = states.put("mixer", given_, known, float(at))  # type: ignore[arg-type]  # -- as the strategy makes them
        elif what == "doubt":
            changes = states.doubt("mixer", given_, float(at))  # type: ignore[arg-type]  # -- as above
        else:
            changes = states.doubt_all(["mixer"], float(at))
        for change in changes:
            before = told[change.unit, change.state]
            assert change.value != before
            assert change.value.last_known is not None
            told[change.unit, change.state] = change.value
    assert told == {("mixer", name): found for name, found in states.all()["mixer"].items()}
    assert all((found.value is None) is (found.known is Known.UNKNOWN) for found in told.values())
