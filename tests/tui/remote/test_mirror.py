"""Sites as their topics tell them: lists of messages in, records out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.homie_overview import sequences_message
from controller.homie_publications import outcome_message, outcome_payload, traffic_payload
from controller.homie_sequences import progress_message
from controller.mqtt_messages import Incoming
from controller.records import (
    Alert,
    Command,
    Direction,
    Event,
    Known,
    Lock,
    Lost,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    StateChange,
    Traffic,
)
from controller.sequences_records import Phase, SequenceProgress, SequenceView
from controller.views import site_view
from tests.controller.mqtt.hall import SITE
from tests.tui.remote.announced import NOW, Announced, incoming, mirror_of
from tui.looks import Looks
from tui.model import AWAY, HERE, HallModel
from tui.painting import alert_lines, detail_lines, hall_lines
from tui.remote.mirror import DISCOVERY, MOST_SITES, Mirror, Taken
from tui.remote.site_mirror import CHANGED
from tui.remote.standing import Standing
from tui.saying_text import saying_text
from tui.traffic_store import TrafficStore

LOOKS = Looks(dark=True)
MILL = SITE.replace('"larkfield"', '"mill"').replace("Larkfield Hall", "Mill House")


@pytest.fixture
def hall(tmp_path: Path) -> Announced:
    return Announced(tmp_path)


def model_of(mirror: Mirror) -> HallModel:
    """What a dashboard knows after it has read everything."""
    model = HallModel(mirror.view(), mirror.states())
    model.apply(mirror.everything(NOW))
    return model


# Finding sites


def test_a_site_is_found_by_a_topic_that_only_sites_have() -> None:
    # Not by every device's description: of 200 sites with 20 units each those are 4,200, of 4 KB each, and
    # Mosquitto drops what is more than 1,000 messages ahead of a client, the answer to its subscription too.
    mirror = Mirror("mqtt://broker")
    assert mirror.begin(NOW).wanted == [DISCOVERY] == ["homie/5/+/controller/instance"]
    found = Incoming("homie/5/larkfield/controller/instance", b"00000000000001-1", True)
    assert mirror.take([found], NOW).wanted == ["homie/5/larkfield/$description"]
    assert mirror.take([found], NOW).wanted == []
    # On a new connection nothing is subscribed to any more.
    assert mirror.begin(NOW).wanted == [DISCOVERY]
    assert mirror.take([found], NOW).wanted == ["homie/5/larkfield/$description"]


def test_more_sites_than_can_be_shown_are_told_and_not_passed_over_in_silence(hall: Announced) -> None:
    mirror = mirror_of(hall)
    found = [Incoming(f"homie/5/hall-{n}/controller/instance", b"1", True) for n in range(MOST_SITES + 1)]
    taken = mirror.take(found, NOW)
    assert len(taken.wanted) == MOST_SITES
    (alert,) = taken.records
    assert isinstance(alert, Alert)
    assert alert.target == "broker"
    assert f"more than {MOST_SITES} sites" in alert.text
    assert mirror.alerts() == [alert]
    assert mirror.take(found, NOW) == Taken()
    # Begun anew, it is not known any more.
    assert replace(alert, over=True) in mirror.begin(NOW).records
    assert mirror.alerts() == []


def test_a_dashboard_goes_through_the_sites_that_were_touched_and_not_through_all(
    hall: Announced, tmp_path: Path
) -> None:
    mirror = mirror_of(hall, Announced(tmp_path / "mill", MILL))
    pong = Incoming("homie/5/mill/controller/ping", b"word", False)
    assert mirror.take([pong], NOW).touched == ["mill"]
    assert mirror.take([Incoming("homie/5/lamp/controller/ping", b"word", False)], NOW).touched == []


def test_it_begins_with_descriptions_and_goes_on_with_what_a_site_has(hall: Announced) -> None:
    mirror = Mirror("mqtt://broker")
    assert mirror.begin(NOW).wanted == [DISCOVERY]
    description = next(m for m in hall.whole() if m.topic == "homie/5/larkfield/$description")
    wanted = mirror.take([description], NOW).wanted
    assert wanted == [
        "homie/5/larkfield/$state",
        "homie/5/larkfield/+/+",
        "homie/5/larkfield-mixer/+/+",
        "homie/5/larkfield-foyer-amp/+/+",
    ]
    assert mirror.take([description], NOW).wanted == []


def test_a_site_is_shown_as_its_own_controller_shows_it(hall: Announced) -> None:
    shown = mirror_of(hall).view()
    own = site_view(hall.site.loaded)
    assert shown.title == "Larkfield Hall"
    assert [bus.id for bus in shown.buses] == ["larkfield/sound"]
    assert replace(shown.buses[0], id="sound") == replace(own.buses[0], port="")
    mixer = shown.units[0]
    expected = replace(own.units[0], id="larkfield/mixer", bus="larkfield/sound", group="larkfield/audio")
    assert mixer == expected
    # It takes two actions over MQTT, and no more are offered.
    assert [action.name for action in shown.units[1].actions] == ["standby", "set-volume"]


def test_two_sites_stand_beside_each_other(hall: Announced, tmp_path: Path) -> None:
    mirror = mirror_of(hall, Announced(tmp_path / "mill", MILL))
    view = mirror.view()
    assert view.title == "2 sites at mqtt://127.0.0.1:1883"
    assert [unit.id for unit in view.units] == [
        "larkfield/mixer",
        "larkfield/foyer-amp",
        "mill/mixer",
        "mill/foyer-amp",
    ]
    assert mirror.states().keys() == {unit.id for unit in view.units}


_OTHERS = [
    {"homie": "5.0", "version": 1, "name": "Lamp", "nodes": {"light": {"properties": {"on": {}}}}},
    {"homie": "4.0", "nodes": {}},
    {"homie": "5.0", "root": "larkfield", "nodes": {}},
    {"homie": "5.0", "nodes": {"controller": {"properties": {"instance": {}, "claim": {}, "ping": {}}}}},
    {"homie": "5.0", "nodes": {"controller": 1, "bus-x": {"properties": {"about": {}}}}},
    {"homie": 5, "nodes": []},
    [],
    "text",
    None,
]


@pytest.mark.parametrize("document", _OTHERS)
def test_devices_of_others_are_left_alone(document: object) -> None:
    mirror = Mirror("mqtt://broker")
    payload = json.dumps(document).encode()
    taken = mirror.take([Incoming("homie/5/lamp/$description", payload, True)], NOW)
    assert (taken.records, taken.wanted, mirror.sites) == ([], [], {})


def test_no_description_leads_to_a_filter_of_its_senders_choice(hall: Announced) -> None:
    document = json.loads(
        next(m for m in hall.whole() if m.topic == "homie/5/larkfield/$description").payload
    )
    document["children"] = ["#", "larkfield-#", "larkfield-+", "other-mixer", "larkfield-ok", 7, None, "a/b"]
    mirror = Mirror("mqtt://broker")
    payload = json.dumps(document).encode()
    taken = mirror.take([Incoming("homie/5/larkfield/$description", payload, True)], NOW)
    assert taken.wanted[2:] == ["homie/5/larkfield-ok/+/+"]


# What is known of it


def test_each_state_has_its_value_and_how_it_is_known(hall: Announced) -> None:
    mirror = mirror_of(hall)
    records = mirror.take(hall.state("mixer", "volume", 31, Known.OBSERVED), NOW + 1).records
    assert [r for r in records if isinstance(r, StateChange)] == [
        StateChange("larkfield/mixer", "volume", mirror.states()["larkfield/mixer"]["volume"])
    ]
    shown = mirror.states()["larkfield/mixer"]["volume"]
    assert (shown.value, shown.known) == (31, Known.OBSERVED)
    mirror.take(hall.state("mixer", "power", False, Known.CONFIRMED), NOW + 2)
    assert mirror.states()["larkfield/mixer"]["power"].value is False


def test_a_value_that_is_known_no_more_is_kept_as_the_last_one(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.state("mixer", "power", True, Known.CONFIRMED), NOW)
    mirror.take(hall.state("mixer", "power", None, Known.UNKNOWN), NOW + 1)
    shown = mirror.states()["larkfield/mixer"]["power"]
    assert (shown.value, shown.known, shown.last_known) == (None, Known.UNKNOWN, True)


def test_halves_of_a_change_make_no_state_up(hall: Announced) -> None:
    mirror = mirror_of(hall)
    value, known = hall.state("mixer", "power", True, Known.CONFIRMED)
    mirror.take([value], NOW)
    assert mirror.states()["larkfield/mixer"]["power"].known is Known.UNKNOWN
    mirror.take([known], NOW)
    assert mirror.states()["larkfield/mixer"]["power"].known is Known.CONFIRMED


@pytest.mark.parametrize(
    ("word", "standing"),
    [
        ("lost", Standing.LOST),
        ("disconnected", Standing.DISCONNECTED),
        ("init", Standing.INIT),
        ("sleeping", Standing.SLEEPING),
        ("nonsense", Standing.GONE),
    ],
)
def test_of_a_site_that_is_not_ready_nothing_is_known(hall: Announced, word: str, standing: Standing) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.state("mixer", "power", True, Known.CONFIRMED), NOW)
    model = model_of(mirror)
    model.apply(mirror.take(hall.stands(word), NOW + 5).records)
    shown = model.states["larkfield/mixer"]["power"]
    assert (shown.value, shown.known, shown.last_known) == (None, Known.UNKNOWN, True)
    assert model.away["larkfield/sound"] == standing.words
    # And it comes back as it was: what is retained still stands.
    model.apply(mirror.take(hall.stands("ready"), NOW + 9).records)
    assert model.states["larkfield/mixer"]["power"].value is True
    assert not model.away
    assert not model.alerts


def test_a_lost_site_is_an_alert_that_says_since_when_and_what_to_look_at(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.stands("lost"), NOW + 5)
    (alert,) = mirror.alerts()
    assert (alert.target, alert.since) == ("larkfield", NOW + 5)
    assert "lost" in alert.text
    assert "power" in alert.look_at


def test_a_broker_that_goes_away_takes_everything_with_it_and_its_alert_ends(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.state("mixer", "power", True, Known.CONFIRMED), NOW)
    model = model_of(mirror)
    model.apply(mirror.lost("the connection is over", "see whether it runs", NOW + 3))
    assert model.states["larkfield/mixer"]["power"].known is Known.UNKNOWN
    (alert,) = model.alerts.values()
    assert (alert.target, alert.since) == ("broker", NOW + 3)
    # Tried again in vain: the same alert, since the same time.
    model.apply(mirror.lost("the broker can't be reached", "see whether it runs", NOW + 8))
    (alert,) = model.alerts.values()
    assert (alert.text, alert.since) == ("the broker can't be reached; trying again", NOW + 3)
    taken = mirror.begin(NOW + 9)
    assert {DISCOVERY, "homie/5/larkfield/$state", "homie/5/larkfield-mixer/+/+"} <= set(taken.wanted)
    model.apply(taken.records)
    assert not model.alerts
    model.apply(mirror.take(hall.whole(), NOW + 10).records)
    assert not model.away


def test_what_was_retained_before_counts_no_more_after_a_new_connection(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.state("mixer", "power", True, Known.CONFIRMED), NOW)
    mirror.lost("gone", "", NOW)
    mirror.begin(NOW)
    mirror.take(hall.stands("ready"), NOW)
    assert mirror.states()["larkfield/mixer"]["power"].known is Known.UNKNOWN


def test_a_broker_without_a_word_of_a_site_is_said_to_have_none(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.lost("gone", "", NOW)
    mirror.begin(NOW + 1)
    mirror.unheard(NOW + 2)
    (alert,) = mirror.alerts()
    assert "no word of it" in alert.text


def test_a_site_that_is_removed_leaves_nothing_behind(hall: Announced) -> None:
    mirror = mirror_of(hall)
    lock = Lock("l1", "mixer", "Ada", "new fuse", NOW)
    mirror.take(incoming(hall.bridge.lock(lock)), NOW)
    mirror.take(hall.stands("lost"), NOW)
    model = model_of(mirror)
    assert model.alerts
    assert model.locks
    records = mirror.take([Incoming("homie/5/larkfield/$state", b"", True)], NOW).records
    model.apply(records)
    assert (mirror.view().units, model.alerts, model.locks) == ((), {}, {})
    assert [r.name for r in records if isinstance(r, Event)] == [CHANGED]


# Buses, alerts, locks, outcomes, traffic


def test_a_bus_and_its_alerts_are_as_they_are_there(hall: Announced) -> None:
    mirror = mirror_of(hall)
    (status,) = mirror.status()
    assert (status.bus, status.units_answering, status.units_expected) == ("larkfield/sound", 2, 2)
    assert (status.lag_ms, status.counters) == (8.4, {"actions": 3})
    alert = Alert("chain-sound", "sound", NOW - 60, "the ring is open", "the cables")
    came = mirror.take(incoming(hall.bridge.alert(alert)), NOW).records
    shown = replace(alert, id="chain-sound@larkfield", target="larkfield/sound")
    assert came == [shown]
    over = mirror.take(incoming(hall.bridge.alert(replace(alert, over=True))), NOW).records
    assert over == [replace(shown, over=True)]


def test_locks_come_and_go(hall: Announced) -> None:
    mirror = mirror_of(hall)
    lock = Lock("l1", "audio", "Ada", "new fuse", NOW)
    shown = replace(lock, target="larkfield/audio")
    assert mirror.take(incoming(hall.bridge.lock(lock)), NOW).records == [shown]
    over = mirror.take(incoming(hall.bridge.lock(replace(lock, over=True))), NOW).records
    assert over == [replace(shown, over=True)]


def test_an_outcome_tells_the_command_as_well_and_is_told_once(hall: Announced) -> None:
    mirror = mirror_of(hall)
    origin = Origin(OriginKind.SCREEN, "Ada")
    command = Command("mixer", "set-volume", {"level": 9}, origin, "c1", NOW)
    outcome = Outcome("c1", Result.FAILED, Reason.NO_ECHO, "nothing came back", "the cables", at=NOW)
    message = incoming([outcome_message(hall.site, "mixer", outcome_payload(command, outcome))])
    told = mirror.take(message, NOW).records
    assert told == [replace(command, unit="larkfield/mixer"), outcome]
    assert mirror.take(message, NOW).records == []
    assert mirror.sites["larkfield"].outcome("c1") == outcome
    assert model_of(mirror).last["larkfield/mixer"].outcome == outcome


def test_one_command_to_all_units_of_a_bus_is_one(hall: Announced) -> None:
    mirror = mirror_of(hall)
    payload = outcome_payload(Command("sound", "standby", id="c2"), Outcome("c2", Result.CONFIRMED))
    messages = incoming([outcome_message(hall.site, unit, payload) for unit in ("mixer", "foyer-amp")])
    records = mirror.take(messages, NOW).records
    assert [type(record) for record in records] == [Command, Outcome]
    assert mirror.sites["larkfield"].last["larkfield/sound"][1].command_id == "c2"


def test_traffic_comes_with_what_is_missing_of_it(hall: Announced) -> None:
    mirror = mirror_of(hall)
    record = Traffic("sound", NOW, Direction.ECHOED, b"\xa5\x01", (0.0084, 0.0085), "power-on → mixer")
    message = Incoming("homie/5/larkfield/bus-sound/traffic", traffic_payload([record], 3))
    assert mirror.take([message], NOW).records == [Lost(3), replace(record, bus="larkfield/sound")]
    assert mirror.take([replace(message, payload=b'{"records": [1]}')], NOW).records == [Lost(1)]


def test_sequences_are_known_with_how_far_each_has_come(hall: Announced) -> None:
    mirror = mirror_of(hall)
    view = SequenceView("evening", "Evening", ("mixer power-on",), (), "stop", "stop", ("sound",), ("mixer",))
    message = incoming([sequences_message(hall.site, [view])])
    records = mirror.take(message, NOW).records
    assert CHANGED in [r.name for r in records if isinstance(r, Event)]
    (shown,) = mirror.sites["larkfield"].sequences.views
    assert (shown.id, shown.buses, shown.asks) == (
        "larkfield/evening",
        ("larkfield/sound",),
        ("larkfield/mixer",),
    )
    progress = SequenceProgress("evening", "up", Phase.RUNNING, (), "Ada", NOW, NOW)
    told = mirror.take(incoming([progress_message("larkfield", progress)]), NOW).records
    assert told == [replace(progress, sequence="larkfield/evening")]
    assert mirror.take(incoming([progress_message("larkfield", progress)]), NOW).records == []


def test_what_it_does_not_know_is_passed_over(hall: Announced) -> None:
    mirror = mirror_of(hall)
    others = [
        Incoming("homie/5/larkfield/something/new", b"running"),
        Incoming("homie/5/larkfield/bus-sound/something-new", b"1"),
        Incoming("homie/5/larkfield/bus-none/link", b"up"),
        Incoming("homie/5/larkfield-mixer/something/new", b"1"),
        Incoming("homie/5/larkfield-mixer/state/new-state", b"1"),
        Incoming("homie/4/larkfield/$state", b"lost"),
        Incoming("other/5/larkfield/$state", b"lost"),
        Incoming("homie/5/larkfield/site/off/set", b"all"),
    ]
    assert mirror.take(others, NOW).records == []
    assert mirror.sites["larkfield"].ready


def test_what_can_not_be_read_is_said_and_the_rest_stands(hall: Announced) -> None:
    mirror = mirror_of(hall)
    mirror.take(hall.state("mixer", "power", True, Known.CONFIRMED), NOW)
    mirror.take([Incoming("homie/5/larkfield/bus-sound/about", b'{"bus": 1}')], NOW)
    (alert,) = mirror.alerts()
    assert "can't be read" in alert.text
    assert "bus-sound/about" in alert.text
    assert mirror.states()["larkfield/mixer"]["power"].value is True
    about = next(m for m in hall.whole() if m.topic.endswith("/about"))
    mirror.take([about], NOW)
    assert mirror.alerts() == []


_ABOUT_FAULTS = [
    ("bus", "frame", "9X9"),
    ("bus", "bit_order", "both"),
    ("bus", "topology", "star"),
    ("bus", "idle", "middle"),
    ("bus", "baud", -1.0),
    ("bus", "id", "other"),
]


@pytest.mark.parametrize(("part", "key", "value"), _ABOUT_FAULTS)
def test_a_bus_that_can_not_be_is_refused_whole(hall: Announced, part: str, key: str, value: object) -> None:
    mirror = mirror_of(hall)
    before = mirror.view()
    about = next(m for m in hall.whole() if m.topic.endswith("/about"))
    document = json.loads(about.payload)
    document[part][key] = value
    mirror.take([replace(about, payload=json.dumps(document).encode())], NOW)
    assert mirror.view() == before
    assert len(mirror.alerts()) == 1


def test_a_profile_that_has_changed_is_shown_anew(hall: Announced) -> None:
    mirror = mirror_of(hall)
    about = next(m for m in hall.whole() if m.topic.endswith("/about"))
    document = json.loads(about.payload)
    document["states"]["lamp"] = {"type": "boolean", "range": None, "values": None, "set": []}
    records = mirror.take([replace(about, payload=json.dumps(document).encode())], NOW).records
    assert [r.name for r in records if isinstance(r, Event)] == [HERE, CHANGED]
    assert mirror.states()["larkfield/mixer"]["lamp"].known is Known.UNKNOWN


_WORDS = """larkfield larkfield-mixer $state $description bus-sound about link traffic state known power last
    outcome alerts locks standing echo-lag counters site off-outcome sequences sequence-progress evening
    controller ping $log warn"""
_LEVELS = st.sampled_from(_WORDS.split())
_TIMES = st.sampled_from([NOW, 0.0, -1.0, 1e18, 1e308, -1e300]) | st.floats()
_TEXTS = st.text(max_size=20) | st.sampled_from(["\x1b[2J", "mixer", "sound", "[bold]x", "\u202e"])
_KNOWN_KEYS = {
    "at": _TIMES,
    "since": _TIMES,
    "began": _TIMES,
    "took_ms": _TIMES,
    "data": st.sampled_from(["", "a5", "a50102", "xx"]),
    "direction": st.sampled_from(list(Direction)),
    "bus": _TEXTS,
    "lags": st.lists(st.floats() | st.none(), max_size=4) | st.none(),
    "unexplained": st.lists(st.lists(st.integers(-5, 9), min_size=2, max_size=2), max_size=3),
    "attempt": st.integers() | st.none(),
    "meaning": _TEXTS | st.none(),
    "fault": _TEXTS | st.none(),
    "command_id": _TEXTS,
    "id": _TEXTS,
    "target": _TEXTS,
    "text": _TEXTS,
    "who": _TEXTS,
    "why": _TEXTS,
    "unit": _TEXTS,
    "action": _TEXTS,
    "result": st.sampled_from(list(Result)),
    "sequence": _TEXTS,
    "phase": st.sampled_from(list(Phase)),
    "steps": st.just([]),
    "by": _TEXTS,
}
_RECORDS = st.fixed_dictionaries(_KNOWN_KEYS) | st.fixed_dictionaries({}, optional=_KNOWN_KEYS)
_DOCUMENTS = (
    _RECORDS
    | st.lists(_RECORDS, max_size=2)
    | st.builds(lambda records, lost: {"records": records, "lost": lost}, st.lists(_RECORDS), st.integers())
    | st.builds(lambda outcomes: {"scope": "all", "outcomes": outcomes}, st.lists(_RECORDS, max_size=2))
)
_PAYLOADS = st.binary(max_size=40) | _DOCUMENTS.map(lambda document: json.dumps(document).encode())
_TOPICS = st.lists(_LEVELS, min_size=2, max_size=3).map("/".join) | st.sampled_from(
    [
        "larkfield/bus-sound/traffic",
        "larkfield/alerts/standing",
        "larkfield/locks/standing",
        "larkfield-mixer/last/outcome",
        "larkfield/sequence-progress/evening",
    ]
)


@settings(max_examples=40)
@given(st.lists(st.tuples(_TOPICS, _PAYLOADS), max_size=12))
def test_whatever_comes_it_goes_on_and_can_be_painted(
    tmp_path_factory: pytest.TempPathFactory, messages: list[tuple[str, bytes]]
) -> None:
    hall = Announced(tmp_path_factory.mktemp("hall"))
    mirror = mirror_of(hall)
    model = model_of(mirror)
    traffic = TrafficStore()
    for topic, payload in messages:
        taken = mirror.take([Incoming(f"homie/5/{topic}", payload)], NOW)
        assert not any("#" in each for each in taken.wanted)
        model.apply(taken.records)
        for record in taken.records:
            if isinstance(record, Traffic):
                traffic.add(record)
    painted = [line.text for line in hall_lines(model.buses(), 80, 1, LOOKS)]
    painted += alert_lines(model.standing_alerts, 80, LOOKS)
    painted += [saying_text(traffic[row], 80, LOOKS, bus_width=10) for row in range(len(traffic))]
    painted += [line for number in (1, 2) for line in detail_lines(model.unit(number), 80, LOOKS)]
    assert not any("\x1b" in text.plain or "\u202e" in text.plain for text in painted)
    mirror.take(hall.whole(), NOW)
    assert [unit.id for unit in mirror.view().units] == ["larkfield/mixer", "larkfield/foyer-amp"]


@pytest.mark.parametrize(
    "document",
    [
        {"records": [{"bus": "sound", "at": 1e18, "direction": "sent", "data": "a5"}]},
        {
            "records": [
                {"bus": "sound", "at": NOW, "direction": "sent", "data": "a5", "unexplained": [[0, 9]]}
            ]
        },
        {"records": [{"bus": "sound", "at": NOW, "direction": "sent", "data": "a5", "lags": [1e400]}]},
    ],
)
def test_traffic_that_no_screen_can_show_is_counted_as_missed(
    hall: Announced, document: dict[str, object]
) -> None:
    mirror = mirror_of(hall)
    payload = json.dumps(document).replace("Infinity", "1e400").encode()
    assert mirror.take([Incoming("homie/5/larkfield/bus-sound/traffic", payload)], NOW).records == [Lost(1)]


def test_away_and_here_are_told_of_each_bus(hall: Announced) -> None:
    mirror = mirror_of(hall)
    records = mirror.take(hall.stands("lost"), NOW).records
    assert (records[0].bus, records[0].name) == ("larkfield/sound", AWAY)  # type: ignore[union-attr]  # -- an Event
