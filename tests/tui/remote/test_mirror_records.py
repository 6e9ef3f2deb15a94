"""What a site's topics tell, as records: buses, alerts, locks, outcomes, traffic, sequences."""

from __future__ import annotations

import json
from dataclasses import replace

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
    Traffic,
)
from controller.sequences_records import Phase, SequenceProgress, SequenceView
from tests.tui.remote.announced import NOW, Announced, incoming, mirror_of, model_of
from tui.model import AWAY, HERE
from tui.remote.site_mirror import CHANGED


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


def test_a_profile_that_has_changed_is_shown_anew(hall: Announced) -> None:
    mirror = mirror_of(hall)
    about = next(m for m in hall.whole() if m.topic.endswith("/about"))
    document = json.loads(about.payload)
    document["states"]["lamp"] = {"type": "boolean", "range": None, "values": None, "set": []}
    records = mirror.take([replace(about, payload=json.dumps(document).encode())], NOW).records
    assert [r.name for r in records if isinstance(r, Event)] == [HERE, CHANGED]
    assert mirror.states()["larkfield/mixer"]["lamp"].known is Known.UNKNOWN


def test_away_and_here_are_told_of_each_bus(hall: Announced) -> None:
    mirror = mirror_of(hall)
    records = mirror.take(hall.stands("lost"), NOW).records
    assert (records[0].bus, records[0].name) == ("larkfield/sound", AWAY)  # type: ignore[union-attr]  # -- an Event
