"""A value that is a duration: in the file, on the wire, over Homie, in the dashboard's form.

Source: the Homie convention, version 5, commit 063301d (17 October 2024), sections Duration and Formats: a
duration is PTxHxMxS, may not be empty, and has no format.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.homie import HomieSite, SetAction, SetState
from controller.homie_publications import state_messages
from controller.homie_values import Datatype, Property, decode, encode
from controller.records import Known, StateValue
from controller.simulator.orders import read_value as read_order
from controller.simulator.speech import initial_value
from controller.site import LoadedSite, load_site
from controller.views import site_view
from profiles.checking import check_text
from profiles.errors import BadValue
from profiles.model import Parameter, StateSpec, ValueType
from tests.controller.halls import compiled, write_site
from tui.parameters import read_parameters, read_words
from tui.remote.acting import described_unit
from tui.screens.sheets import describe_parameter, value_problem

DIMMER = """
schema = 1
name = "dimmer"

[line]
baud = 9600

[confirm]
method = "none"

[states.fade]
type = "duration"
range = [0, 600]
set = "set-fade"

[actions.set-fade]
effect = "neutral"
parameters.time = { type = "duration", range = [0, 600] }
send = [{ hex = "F0" }, { field = "time", size = 2, scale = 0.1 }]
sets = { fade = "time" }

[[observations]]
match = [{ hex = "F1" }, { field = "now", size = 2, scale = 0.1 }]
sets = { fade = "now" }
"""

SITE = """
[site]
id = "larkfield-hall"
[buses.light]
port = "/dev/null"
profile = "dimmer.toml"
topology = "open"
[units.stage]
bus = "light"
"""


@pytest.fixture
def loaded(tmp_path: Path) -> LoadedSite:
    return load_site(write_site(tmp_path, SITE, dimmer=DIMMER))


def test_it_is_seconds_on_the_wire_by_its_scale() -> None:
    action = compiled(DIMMER).action("set-fade")
    message = action.message(action.parameters({"time": 90.5}))
    assert message.data == bytes.fromhex("F0 03 89")  # 905 tenths
    (heard,) = compiled(DIMMER).matcher().feed(bytes.fromhex("F1 03 84"), 0.0)
    assert heard.reading is not None
    assert heard.reading.values == {"now": 90.0}
    assert isinstance(heard.reading.values["now"], float)


@pytest.mark.parametrize(
    ("value", "problem"),
    [
        (0, None),
        (600.0, None),
        (-0.1, "0 s or more"),
        (600.1, "from 0 to 600 s"),
        (True, "seconds"),
        ("PT5S", "seconds"),
        (float("inf"), "finite"),
        (10**400, "finite"),
    ],
)
def test_what_it_can_be(value: bool | float | str, problem: str | None) -> None:
    found = Parameter(type=ValueType.DURATION, range=(0.0, 600.0)).problem(value)
    assert (found is None) if problem is None else (problem in (found or ""))


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        (
            '[states.fade]\ntype = "duration"\nrange = [0, 600]',
            '[states.fade]\ntype = "duration"\nrange = [-1, 600]',
            "states.fade.range",
        ),
        ('set = "set-fade"', 'set = "set-fade"\nunit = "ms"', "states.fade.unit"),
        ('parameters.time = { type = "duration"', 'parameters.time = { type = "float"', "states.fade.set"),
        (
            "range = [0, 600] }",
            'range = [0, 600], default = "1m" }',
            "actions.set-fade.parameters.time.default",
        ),
        ("range = [0, 600] }", "range = [0, 900] }", "actions.set-fade.sets.fade"),
    ],
)
def test_faults_in_the_file(old: str, new: str, key: str) -> None:
    assert check_text(DIMMER, "dimmer.toml").faults == ()
    assert DIMMER.count(old) == 1
    faults = check_text(DIMMER.replace(old, new), "dimmer.toml").faults
    assert any(fault.key.startswith(key) for fault in faults if not fault.warning)


def test_homie_has_it_as_a_duration(loaded: LoadedSite) -> None:
    site = HomieSite(loaded)
    told = json.loads(site.units["stage"].description(1).payload)["nodes"]
    for node, name in (("state", "fade"), ("actions", "set-fade")):
        described = told[node]["properties"][name]
        assert described["datatype"] == "duration"
        assert "format" not in described
        assert "unit" not in described
        found = site.target(f"homie/5/larkfield-hall-stage/{node}/{name}/set")
        assert found is not None
        target = found[1]
        assert isinstance(target, SetState | SetAction)
        assert target.action(decode(b"PT1M30S", target.property)) == ("set-fade", {"time": 90.0})
        with pytest.raises(BadValue, match="from 0 to 600 s"):
            decode(b"PT10M1S", target.property)
    value = StateValue(90.5, Known.PRESUMED, 1.0)
    payloads = [message.payload for message in state_messages(site, "stage", "fade", value)]
    assert b"PT1M30.5S" in payloads


@pytest.mark.parametrize("more", ["", ', level = { type = "integer", range = [0, 9], default = 1 }'])
def test_through_a_broker_it_is_typed_as_anywhere(tmp_path: Path, more: str) -> None:
    one = '{ field = "time", size = 2, scale = 0.1 }]\nsets'
    text = DIMMER.replace(
        'parameters.time = { type = "duration", range = [0, 600] }',
        f'parameters = {{ time = {{ type = "duration", range = [0, 600] }}{more} }}',
    ).replace(one, one.replace("]", ', { field = "level" }]') if more else one)
    site = HomieSite(load_site(write_site(tmp_path, SITE, dimmer=text)))
    described = json.loads(site.units["stage"].description(1).payload)
    words = ["time=1m30s", "level=3"] if more else ["time=1m30s"]
    asked = argparse.Namespace(action="set-fade", parameters=words)
    unit = described_unit("larkfield-hall-stage", described, asked)
    values = read_parameters(words, unit, "set-fade")
    assert values == ({"time": 90.0, "level": 3} if more else {"time": 90.0})
    spec = described["nodes"]["actions"]["properties"]["set-fade"]
    if more:
        # For whoever reads the schema it is a number: a key that JSON Schema does not know changes nothing.
        assert json.loads(spec["format"])["properties"]["time"]["type"] == "number"


@given(st.floats(0, 3e13))
def test_it_comes_back_to_the_microsecond(seconds: float) -> None:
    payload = encode(seconds, Datatype.DURATION)
    assert payload is not None
    # Of great numbers a float itself has no microseconds left.
    assert decode(payload, Property("it", "It", Datatype.DURATION)) == pytest.approx(
        seconds, rel=1e-12, abs=6e-7
    )


@pytest.mark.parametrize("seconds", [3600e10, -1.0, float("inf"), float("nan")])
def test_what_homie_can_not_say_is_not_said(seconds: float) -> None:
    assert encode(seconds, Datatype.DURATION) is None


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90", 90.0),
        ("0.5", 0.5),
        ("1m30s", 90.0),
        ("1M30S", 90.0),
        ("1h", 3600.0),
        ("1.5h", 5400.0),
        ("PT1H30M", 5400.0),
        ("2h0.5s", 7200.5),
    ],
)
def test_how_it_is_typed(text: str, seconds: float) -> None:
    assert read_words([f"time={text}"], {"time": "duration"}) == {"time": seconds}


@pytest.mark.parametrize("text", ["", "m", "PT", "30 s m", "1s1h", "soon", "1:30"])
def test_what_is_no_duration_where_it_is_typed(text: str) -> None:
    with pytest.raises(BadValue, match="time must be seconds, or such as 1m30s"):
        read_words([f"time={text}"], {"time": "duration"})


def test_the_dashboards_form_says_what_it_takes(loaded: LoadedSite) -> None:
    (unit,) = site_view(loaded).units
    (action,) = unit.actions
    spec = action.parameters["time"]
    assert describe_parameter("time", spec) == "time: 0 to 600 s"
    assert value_problem("time", 601.0, spec) == "time must be from 0 to 600"
    assert describe_parameter("time", {**spec, "range": None}) == "time: seconds, or such as 1m30s"


def test_a_simulated_unit_has_it_too() -> None:
    assert initial_value(StateSpec(type=ValueType.DURATION, range=(5.0, 60.0))) == 5.0
    assert read_order("time", "2.5", Parameter(type=ValueType.DURATION)) == 2.5
