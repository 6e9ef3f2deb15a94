"""Sites as their topics tell them: found, and what is known of each."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from pathlib import Path

import pytest

from controller.mqtt_messages import Incoming
from controller.mqtt_settings import BrokerSettings
from controller.records import (
    Event,
    Known,
    Lock,
    StateChange,
)
from controller.views import site_view
from tests.controller.mqtt.hall import SITE
from tests.tui.remote.announced import NOW, Announced, incoming, mirror_of, model_of
from tui.remote.following import Follower
from tui.remote.mirror import DISCOVERY, Mirror
from tui.remote.site_mirror import CHANGED
from tui.remote.standing import Standing

MILL = SITE.replace('"larkfield"', '"mill"').replace("Larkfield Hall", "Mill House")


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


def test_a_dashboard_goes_through_the_sites_that_were_touched_and_not_through_all(
    hall: Announced, tmp_path: Path
) -> None:
    mirror = mirror_of(hall, Announced(tmp_path / "mill", MILL))
    pong = Incoming("homie/5/mill/controller/ping", b"word", False)
    assert mirror.take([pong], NOW).touched == ["mill"]
    assert mirror.take([Incoming("homie/5/lamp/controller/ping", b"word", False)], NOW).touched == []


async def test_who_waits_for_one_site_is_not_woken_by_the_others(hall: Announced, tmp_path: Path) -> None:
    follower = Follower(BrokerSettings("127.0.0.1", 1), "Ada", any_protocol=False)
    follower._on_messages([*hall.whole(), *Announced(tmp_path / "mill", MILL).whole()])
    looks = 0

    def answered() -> str | None:
        nonlocal looks
        looks += 1
        return follower.mirror.sites["mill"].pong or None

    def gone() -> bool | None:
        return "larkfield" not in follower.mirror.sites or None

    waiting = asyncio.create_task(follower.until(answered, 60, "mill"))
    leaving = asyncio.create_task(follower.until(gone, 60, "larkfield"))
    for number in range(50):
        await asyncio.sleep(0)
        follower._on_messages([Incoming("homie/5/larkfield/controller/ping", b"%d" % number)])
    follower._on_messages([Incoming("homie/5/mill/controller/ping", b"word")])
    assert await waiting == "word"
    assert looks == 2
    follower._on_messages([Incoming("homie/5/larkfield/$state", b"")])
    assert await leaving


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
