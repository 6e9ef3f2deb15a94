"""What a site's topics should not tell: passed over, refused whole, or counted as missed."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.mqtt_messages import Incoming
from controller.records import (
    Direction,
    Known,
    Lost,
    Result,
    Traffic,
)
from controller.sequences_records import Phase
from tests.tui.remote.announced import NOW, Announced, mirror_of, model_of
from tui.looks import Looks
from tui.painting import alert_lines, detail_lines, hall_lines
from tui.saying_text import saying_text
from tui.traffic_store import TrafficStore

LOOKS = Looks(dark=True)


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
