"""A site as devices: descriptions, topics, and what happens as messages.

Source: the Homie convention, version 5, commit 063301d (17 October 2024). Which rule is held where stands in
test_homie_rules.py.
"""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from controller.homie import AllOff, HomieSite, Ping, Request, SetAction, SetLock, SetState, Watch
from controller.homie_devices import Device
from controller.homie_mirror import Mirror, Snapshot
from controller.homie_publications import alert_message, log_message
from controller.records import (
    Alert,
    BusStatus,
    Command,
    Known,
    LinkState,
    Lock,
    Outcome,
    Result,
    StateChange,
    StateValue,
    from_json,
)
from profiles.errors import BadValue
from tests.controller.mqtt.hall import ROOT, SITE, site_file, topic

DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
ID = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?")


@pytest.fixture
def site(tmp_path: Path) -> HomieSite:
    return HomieSite(site_file(tmp_path))


def _document(device: Device) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(device.description(7).payload)
    return found


def _everything(value: Any) -> list[Any]:
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return [value, *(each for one in inner for each in _everything(one))]


def test_ids_are_homie_ids(site: HomieSite) -> None:
    ids = [device.id for device in site.devices()]
    ids += [each for device in site.devices() for key in device.properties for each in key]
    assert len(ids) > 20
    assert all(ID.fullmatch(each) for each in ids)


def test_topics_begin_with_the_domain_and_the_version(site: HomieSite) -> None:
    assert site.root.topic == ROOT
    assert site.units["mixer"].topic == "homie/5/larkfield-mixer"


def test_descriptions_have_what_is_required_and_nothing_null(site: HomieSite) -> None:
    for device in site.devices():
        document = _document(device)
        assert re.fullmatch(r"5\.\d+", document["homie"])
        assert document["version"] == 7
        assert document["name"]
        assert None not in _everything(document)


def test_the_root_lists_its_children_and_each_child_names_its_root(site: HomieSite) -> None:
    root = _document(site.root)
    assert root["children"] == ["larkfield-mixer", "larkfield-foyer-amp"]
    assert not {"root", "parent"} & root.keys()
    child = _document(site.units["mixer"])
    assert child["root"] == "larkfield"
    # The parent may be left out where it is the root.
    assert not {"parent", "children"} & child.keys()


def test_properties_have_one_of_the_datatypes_and_a_format_where_it_is_required(site: HomieSite) -> None:
    for device in site.devices():
        for node in _document(device)["nodes"].values():
            for each in node["properties"].values():
                assert each["datatype"] in DATATYPES
                assert each["name"]
                if each["datatype"] == "enum":
                    values = each["format"].split(",")
                    assert len(set(values)) == len(values)
                    assert all(values)
                if each["datatype"] == "json" and "format" in each:
                    assert isinstance(each["format"], str)
                    assert json.loads(each["format"])["type"] == "object"


def test_states_and_actions_are_the_properties_that_the_profile_makes_them(site: HomieSite) -> None:
    nodes = _document(site.units["mixer"])["nodes"]
    assert set(nodes) == {"state", "known", "actions", "command", "last"}
    state = nodes["state"]["properties"]
    assert state["power"] == {"name": "Power", "datatype": "boolean", "settable": True}
    assert state["volume"]["format"] == "0:63"
    assert state["input"]["format"] == "cd,tuner,tape,stage"
    assert nodes["known"]["properties"]["power"]["format"] == "observed,confirmed,presumed,unknown"
    actions = nodes["actions"]["properties"]
    plain = {"name": "Power on", "datatype": "enum", "format": "run", "settable": True, "retained": False}
    assert actions["power-on"] == plain
    assert (actions["set-volume"]["datatype"], actions["set-volume"]["format"]) == ("integer", "0:63")
    assert nodes["last"]["properties"]["outcome"]["datatype"] == "json"


def test_a_unit_shows_only_what_may_be_commanded_over_mqtt(site: HomieSite, tmp_path: Path) -> None:
    nodes = _document(site.units["foyer-amp"])["nodes"]
    assert set(nodes["actions"]["properties"]) == {"standby", "set-volume"}
    settable = {name for name, each in nodes["state"]["properties"].items() if each.get("settable")}
    assert settable == {"power", "volume"}
    none = HomieSite(site_file(tmp_path, SITE.replace('["standby", "set-volume"]', '"none"')))
    nodes = _document(none.units["foyer-amp"])["nodes"]
    assert set(nodes) == {"state", "known", "last"}
    assert not any(each.get("settable") for each in nodes["state"]["properties"].values())


def test_an_action_with_several_parameters_takes_json_by_a_schema(tmp_path: Path) -> None:
    text = resources.files("profiles.builtin").joinpath("pellgate-chain.toml").read_text()
    text = text.replace(
        'parameters.level = { type = "integer", range = [0, 63] }\nsend',
        'parameters.level = { type = "integer", range = [0, 63] }\n'
        'parameters.ramp = { type = "enum", values = ["slow", "fast"], default = "slow" }\nsend',
    ).replace(
        '{ field = "level" }, { check = "sum-8", from = 1 }]\nsets = { volume = "level" }',
        '{ field = "level" }, { field = "ramp", table = { slow = 0, fast = 1 } },'
        ' { check = "sum-8", from = 1 }]\nsets = { volume = "level" }',
    )
    text = text[: text.index("[[evidence]]")]
    (tmp_path / "ramped.toml").write_text(text.replace('"pellgate-chain"', '"ramped"'))
    site = HomieSite(
        site_file(tmp_path, SITE.replace('profile = "pellgate-chain"', 'profile = "ramped.toml"'))
    )
    spec = _document(site.units["mixer"])["nodes"]["actions"]["properties"]["set-volume"]
    schema = json.loads(spec["format"])
    assert spec["datatype"] == "json"
    assert schema["required"] == ["level"]
    assert schema["properties"]["level"] == {"type": "integer", "minimum": 0, "maximum": 63}
    assert schema["properties"]["ramp"] == {"type": "string", "enum": ["slow", "fast"], "default": "slow"}
    found = site.target(topic("mixer", "actions/set-volume/set"))
    assert found is not None
    assert isinstance(found[1], SetAction)
    assert found[1].action({"level": 3}) == ("set-volume", {"level": 3})
    with pytest.raises(BadValue):
        found[1].action([1])
    # The state's value goes to the one parameter that has no default.
    state = site.target(topic("mixer", "state/volume/set"))
    assert state is not None
    assert isinstance(state[1], SetState)
    assert state[1].action(9) == ("set-volume", {"level": 9})


@pytest.mark.parametrize(
    ("rest", "kind"),
    [
        (topic("mixer", "state/power/set"), SetState),
        (topic("mixer", "actions/volume-up/set"), SetAction),
        (topic("mixer", "command/request/set"), Request),
        (f"{ROOT}/bus-sound/watch/set", Watch),
        (f"{ROOT}/site/off/set", AllOff),
        (f"{ROOT}/locks/lock/set", SetLock),
        (f"{ROOT}/controller/ping/set", Ping),
        (topic("mixer", "known/power/set"), None),
        (topic("mixer", "last/outcome/set"), None),
        (topic("mixer", "state/power"), None),
        (topic("mixer", "state/power/set/set"), None),
        (topic("nobody", "state/power/set"), None),
        (topic("foyer-amp", "actions/power-on/set"), None),
        ("homie/4/larkfield-mixer/state/power/set", None),
        ("other/5/larkfield-mixer/state/power/set", None),
        (f"{ROOT}/bus-sound/link/set", None),
        ("", None),
    ],
)
def test_a_set_topic_is_for_what_its_description_says(site: HomieSite, rest: str, kind: type | None) -> None:
    found = site.target(rest)
    assert found is None if kind is None else found is not None and isinstance(found[1], kind)


def test_set_filters_cover_every_settable_property_and_no_other_site(site: HomieSite) -> None:
    filters = site.set_filters()
    assert filters == [
        f"homie/5/{d}/+/+/set" for d in ("larkfield", "larkfield-mixer", "larkfield-foyer-amp")
    ]


def test_setting_a_state_runs_the_action_that_its_set_names(site: HomieSite) -> None:
    power = site.target(topic("mixer", "state/power/set"))
    assert power is not None
    assert isinstance(power[1], SetState)
    assert power[1].action(True) == ("power-on", {})
    assert power[1].action(False) == ("standby", {})


# What happens

NOW = 1_700_000_000.0


def _value(value: object, known: Known = Known.CONFIRMED, command: str | None = None) -> StateValue:
    return StateValue(value, known, NOW, command_id=command)  # type: ignore[arg-type]  # -- any value


def test_an_unknown_value_is_no_retained_message(site: HomieSite) -> None:
    mirror = Mirror(site)
    first = mirror.state(StateChange("mixer", "volume", _value(None, Known.UNKNOWN)))
    assert [(each.topic, each.payload) for each in first] == [(topic("mixer", "known/volume"), b"unknown")]
    known = {each.topic: each.payload for each in mirror.state(StateChange("mixer", "volume", _value(9)))}
    assert known == {topic("mixer", "state/volume"): b"9", topic("mixer", "known/volume"): b"confirmed"}
    gone = {each.topic: each.payload for each in mirror.state(StateChange("mixer", "volume", _value(None)))}
    assert gone == {topic("mixer", "state/volume"): b""}


def test_values_are_retained_and_events_are_not(site: HomieSite) -> None:
    mirror = Mirror(site)
    changed = mirror.state(StateChange("mixer", "power", _value(True)))
    assert changed
    assert all(each.retain for each in changed)
    line = log_message(site, "warn", "careful")
    assert (line.topic, line.retain, line.qos) == (f"{ROOT}/$log/warn", False, 0)


def test_what_is_the_same_is_not_said_again_but_on_demand(site: HomieSite) -> None:
    mirror = Mirror(site)
    change = StateChange("mixer", "power", _value(True))
    assert mirror.state(change)
    assert not mirror.state(change)
    topics = [each.topic for each in mirror.values(site.units["mixer"])]
    assert topics == [topic("mixer", "state/power"), topic("mixer", "known/power")]


def test_what_the_broker_has_and_is_no_more_is_deleted_when_all_is_said_again(site: HomieSite) -> None:
    mirror = Mirror(site)
    device = site.units["mixer"]
    mirror.state(StateChange("mixer", "power", _value(True)))
    mirror.values(device)
    mirror.state(StateChange("mixer", "power", _value(None, Known.UNKNOWN)))
    mirror.stale(device.id, [topic("mixer", "state/volume/$target")])
    found = {each.topic: each.payload for each in mirror.values(device)}
    assert found == {
        topic("mixer", "state/power"): b"",
        topic("mixer", "state/volume/$target"): b"",
        topic("mixer", "known/power"): b"unknown",
    }


def _commanded(mirror: Mirror, *, payload: bytes = b"true", action: str = "power-on") -> Command:
    command = Command("mixer", action, id="c1")
    mirror.asked(command.id, "power", payload)
    mirror.command(command)
    return command


def test_the_target_repeats_the_payload_before_anything_moves(site: HomieSite) -> None:
    mirror = Mirror(site)
    _commanded(mirror)
    target = mirror.accepted("c1")
    assert [(each.topic, each.payload) for each in target] == [
        (topic("mixer", "state/power/$target"), b"true")
    ]
    value = mirror.state(StateChange("mixer", "power", _value(True, command="c1")))
    assert value[0].payload == b"true"
    assert not [each for each in mirror.outcome(Outcome("c1", Result.CONFIRMED)) if "$target" in each.topic]


def test_a_command_from_anywhere_sets_the_target(site: HomieSite) -> None:
    mirror = Mirror(site)
    mirror.command(Command("mixer", "set-volume", {"level": 12}, id="c2"))
    found = {each.topic: each.payload for each in mirror.accepted("c2")}
    assert found == {topic("mixer", "state/volume/$target"): b"12"}
    mirror.command(Command("sound", "standby", id="c3"))
    topics = {each.topic for each in mirror.accepted("c3")}
    assert topics == {topic(unit, "state/power/$target") for unit in ("mixer", "foyer-amp")}


def test_a_target_that_did_not_come_about_goes_back(site: HomieSite) -> None:
    mirror = Mirror(site)
    mirror.state(StateChange("mixer", "power", _value(False)))
    _commanded(mirror)
    mirror.accepted("c1")
    back = {each.topic: each.payload for each in mirror.outcome(Outcome("c1", Result.FAILED))}
    assert back[topic("mixer", "state/power/$target")] == b"false"


def test_a_target_of_an_unknown_state_is_deleted_again(site: HomieSite) -> None:
    mirror = Mirror(site)
    _commanded(mirror)
    mirror.accepted("c1")
    back = {each.topic: each.payload for each in mirror.outcome(Outcome("c1", Result.REFUSED))}
    assert back[topic("mixer", "state/power/$target")] == b""


def test_the_hardware_sets_no_target(site: HomieSite) -> None:
    mirror = Mirror(site)
    _commanded(mirror)
    mirror.accepted("c1")
    mirror.state(StateChange("mixer", "power", _value(True, command="c1")))
    mirror.outcome(Outcome("c1", Result.CONFIRMED))
    by_hand = mirror.state(StateChange("mixer", "power", _value(False, Known.OBSERVED)))
    found = {each.topic: each.payload for each in by_hand}
    # The value is told; that the gear is on its way to `true` is so no more, and nothing else is claimed.
    assert found[topic("mixer", "state/power")] == b"false"
    assert found[topic("mixer", "state/power/$target")] == b""


def test_each_outcome_is_told_once_whichever_way_it_comes_first(site: HomieSite) -> None:
    mirror = Mirror(site)
    command = _commanded(mirror)
    outcome = Outcome("c1", Result.CONFIRMED)
    told = [each for each in mirror.outcome(outcome) if each.topic.endswith("last/outcome")]
    assert json.loads(told[0].payload)["result"] == "confirmed"
    assert mirror.told(command, outcome) == []
    mirror.asked("c1", "power", b"true")
    again = mirror.told(command, outcome)
    assert [each.topic for each in again] == [topic("mixer", "last/outcome")]


def test_alerts_stand_under_their_device_and_go_when_they_are_over(site: HomieSite) -> None:
    mirror = Mirror(site)
    alert = Alert("chain-sound", "sound", NOW, "the ring is open", "the cable")
    raised = mirror.alert(alert)
    shown, listed = raised
    assert (shown.topic, shown.retain) == (f"{ROOT}/$alert/chain-sound", True)
    assert shown.payload == b"sound: the ring is open; look at the cable"
    assert (listed.topic, listed.retain) == (f"{ROOT}/alerts/standing", True)
    assert [from_json(Alert, each) for each in json.loads(listed.payload)] == [alert]
    over = mirror.alert(Alert("chain-sound", "sound", NOW, "the ring is open", over=True))
    assert [(each.topic, each.payload) for each in over] == [
        (f"{ROOT}/$alert/chain-sound", b""),
        (f"{ROOT}/alerts/standing", b"[]"),
    ]
    of_unit = alert_message(site, Alert("stuck-mixer", "mixer", NOW, "it is stuck"))
    assert of_unit.topic == topic("mixer", "$alert/stuck-mixer")


def test_a_snapshot_clears_what_was_missed(site: HomieSite) -> None:
    mirror = Mirror(site)
    alert = Alert("chain-sound", "sound", NOW, "the ring is open")
    lock = Lock("l1", "mixer", "Ada", "new fuse", NOW)
    status = BusStatus("sound", LinkState.UP, NOW, 2, 2, 8.4, {"actions": 1})
    mirror.snapshot(Snapshot({"mixer": {"power": _value(True)}}, [status], [alert], [lock]))
    changed = mirror.snapshot(Snapshot({"mixer": {"power": _value(None)}}, [status], [], []))
    found = {each.topic: each.payload for each in changed}
    assert found == {
        topic("mixer", "state/power"): b"",
        f"{ROOT}/$alert/chain-sound": b"",
        f"{ROOT}/alerts/standing": b"[]",
        f"{ROOT}/locks/standing": b"[]",
    }


def test_a_bus_is_a_node_of_the_root(site: HomieSite) -> None:
    mirror = Mirror(site)
    status = BusStatus("sound", LinkState.DOWN, NOW, None, 2, 8.4, {"actions": 1}, "no adapter")
    found = {each.topic.removeprefix(f"{ROOT}/bus-sound/"): each.payload for each in mirror.bus(status)}
    expected = {"link": b"down", "why": b"no adapter", "units-expected": b"2", "echo-lag": b"0.0084"}
    assert found == expected
    counted = {each.topic: each.payload for each in mirror.bus(status, counters=True)}
    assert counted == {f"{ROOT}/bus-sound/counters": b'{"actions":1}'}


def test_a_new_profile_leaves_nothing_of_the_old_one(site: HomieSite) -> None:
    mirror = Mirror(site)
    mirror.state(StateChange("mixer", "power", _value(True)))
    mirror.values(site.units["mixer"])
    mirror.forget(HomieSite(site.loaded), ["mixer"])
    gone = {each.topic: each.payload for each in mirror.values(mirror.site.units["mixer"])}
    assert gone == {topic("mixer", "state/power"): b"", topic("mixer", "known/power"): b""}
