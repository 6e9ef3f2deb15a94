"""What a hostile broker says: commands that are judged, and sites that a dashboard reads and paints."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.text import Text

from controller.from_site import bus_rules, unit_rules
from controller.guard import Gate
from controller.homie import HomieSite
from controller.homie_mirror import Mirror as Bridge
from controller.homie_publications import outcome_message, outcome_payload, traffic_payload
from controller.homie_sequences import progress_message
from controller.mqtt_intake import Asked, Intake, Refused
from controller.mqtt_messages import Incoming
from controller.records import (
    Alert,
    Command,
    Direction,
    Known,
    Lock,
    Outcome,
    Reason,
    Result,
    Traffic,
)
from controller.sequences_records import Phase, SequenceProgress, StepProgress, StepResult
from controller.states import StateBook
from tests.controller.mqtt.hall import ROOT, site_file, topic
from tests.fuzz.target import FIELD, MESSAGE, Target, Trial, fields, messages
from tests.tui.remote.announced import NOW, Announced, incoming, mirror_of
from tests.tui.steering import check_no_steering
from tui.automation_painting import going_line, sequence_line, step_lines
from tui.looks import Looks
from tui.model import HallModel
from tui.painting import alert_lines, detail_lines, hall_lines, top_line
from tui.remote.mirror import Mirror
from tui.saying_text import saying_text, saying_times
from tui.telling import outcome_words, traffic_line
from tui.traffic_store import TrafficStore

__all__ = ["TARGETS"]

_PREFIX = "linewarden/larkfield/response"
_LOOKS = Looks(dark=True)
_MOST = 20
"""Messages of an input that are looked at."""


@contextmanager
def _commands(folder: Path) -> Iterator[Trial]:
    loaded = site_file(folder)
    homie = HomieSite(loaded)

    def trial(data: bytes) -> None:
        intake, bridge = Intake(homie, _PREFIX), Bridge(homie)
        site = loaded.site
        gate = Gate(
            [bus_rules(name, spec, loaded.profiles[name]) for name, spec in site.buses.items()],
            [unit_rules(name, spec) for name, spec in site.units.items()],
        )
        states = StateBook(
            {name: loaded.profiles[unit.bus].profile.states for name, unit in site.units.items()}
        )
        for number, message in enumerate(messages(data)[:_MOST]):
            where, payload, response, correlation, sender, flags = fields(message, 6)
            told = Incoming(
                where.decode("utf-8", "replace"),
                payload,
                flags[:1] == b"r",
                response.decode("utf-8", "replace") or None,
                correlation or None,
                len(flags) or None,
                sender.decode("utf-8", "surrogateescape"),
            )
            judged = intake.judge(told, utc=NOW, now=number * 1e-4)
            if isinstance(judged, Refused):
                assert judged.text
            elif isinstance(judged, Asked):
                assert not told.retain
                check_command(judged, gate, states, bridge)

    yield trial


def check_command(asked: Asked, gate: Gate, states: StateBook, bridge: Bridge) -> None:
    """A command has an answer of the gate, and its outcome can be published."""
    command = asked.command
    judged = gate.admit(command, utc=NOW, now=NOW, locks=[], states=states)
    assert command.raw is None
    reason = getattr(judged, "reason", None)
    outcome = Outcome(command.id, Result.CONFIRMED if reason is None else Result.REFUSED, reason, at=NOW)
    bridge.asked(command.id, asked.state, asked.payload)
    for each in bridge.told(command, outcome):
        assert each.payload.decode("utf-8") or each.retain
    json.loads(outcome_payload(command, outcome))
    assert "\x1b" not in outcome_words(command, outcome)


def _orders(folder: Path) -> Iterable[bytes]:
    request = {
        "id": "panel-7",
        "action": "set-volume",
        "parameters": {"level": 12},
        "within_s": 3,
        "from": "Ada",
    }
    said = [
        (topic("mixer", "state/power/set"), b"true", f"{_PREFIX}/panel", b"7", b"panel"),
        (topic("mixer", "state/volume/set"), b"31", "", b"", b""),
        (topic("mixer", "actions/set-volume/set"), b"12", "", b"", b""),
        (topic("mixer", "actions/volume-up/set"), b"run", "", b"", b""),
        (
            topic("mixer", "command/request/set"),
            json.dumps(request).encode(),
            f"{_PREFIX}/x",
            b"\xff",
            b"phone",
        ),
        (topic("foyer-amp", "actions/standby/set"), b"run", "", b"", b""),
        (f"{ROOT}/site/off/set", b"all", "", b"", b""),
        (f"{ROOT}/bus-sound/watch/set", b"PT1M30.5S", "", b"", b""),
        (f"{ROOT}/locks/request/set", b'{"target": "mixer", "who": "Ada", "why": "fuse"}', "", b"", b""),
        (f"{ROOT}/controller/ping/set", b'{"from": "x", "number": 1}', "", b"", b""),
    ]
    packed = [
        FIELD.join((where.encode(), payload, response.encode(), correlation, sender, b"live"))
        for where, payload, response, correlation, sender in said
    ]
    yield from packed
    yield MESSAGE.join(packed)


@contextmanager
def _mirror(folder: Path) -> Iterator[Trial]:
    hall = Announced(folder)
    whole = hall.whole()

    def trial(data: bytes) -> None:
        mirror = mirror_of(hall)
        model = HallModel(mirror.view(), mirror.states())
        model.apply(mirror.everything(NOW))
        traffic = TrafficStore(most=1000)
        for message in messages(data)[:_MOST]:
            where, payload = fields(message, 2)
            told = Incoming(f"homie/5/{where.decode('utf-8', 'replace')}", payload)
            taken = mirror.take([told], NOW)
            assert not any("#" in each for each in taken.wanted)
            model.apply(taken.records)
            for record in taken.records:
                if isinstance(record, Traffic):
                    traffic.add(record)
                    traffic_line(record)
        check_painting(mirror, model, traffic)
        mirror.take(whole, NOW)
        assert {"larkfield/mixer", "larkfield/foyer-amp"} <= {unit.id for unit in mirror.view().units}

    yield trial


def check_painting(mirror: Mirror, model: HallModel, traffic: TrafficStore) -> None:
    """Whatever was read can be painted, as wide as it is to be, with nothing in it that steers a terminal."""
    lasting = HallModel(mirror.view(), mirror.states())
    lasting.apply(mirror.everything(NOW))
    for width in (80, 30):
        painted: list[Text] = []
        for each in (model, lasting):
            painted.append(top_line(each, NOW, width, _LOOKS, screen="units"))
            painted += [line.text for line in hall_lines(each.buses(), width, 1, _LOOKS)]
            painted += alert_lines(each.standing_alerts, width, _LOOKS, rows=2)
            painted += [
                line for number in (1, 2) for line in detail_lines(each.unit(number), width, _LOOKS, 2)
            ]
        for row in range(len(traffic)):
            painted.append(saying_text(traffic[row], width, _LOOKS, bus_width=10, after=0.5))
            painted.append(Text(saying_times(traffic[row], 0.5)))
        for site in mirror.sites.values():
            for view in site.sequences.views:
                painted += [sequence_line(view, width, _LOOKS), *step_lines(view, width, _LOOKS)]
                if view.last is not None:
                    painted.append(going_line([(view, view.last)], width, _LOOKS))
        for text in painted:
            check_no_steering(text.plain)


def _announced(folder: Path) -> Iterable[bytes]:
    hall = Announced(folder / "seed")
    bridge = hall.bridge
    said = hall.whole()
    said += hall.state("mixer", "volume", 31, Known.OBSERVED)
    said += incoming(bridge.alert(Alert("chain-sound", "sound", NOW - 60, "the ring is open", "the cables")))
    said += incoming(bridge.lock(Lock("l1", "mixer", "Ada", "new fuse", NOW)))
    command = Command("mixer", "set-volume", {"level": 9}, id="c1", at=NOW)
    outcome = Outcome(
        "c1", Result.FAILED, Reason.NO_ECHO, "nothing came back", "the cables", at=NOW, took_ms=4.0
    )
    said += incoming([outcome_message(hall.site, "mixer", outcome_payload(command, outcome))])
    heard = [
        Traffic(
            "sound", NOW, Direction.SENT, b"\xa5\x01", None, "power-on → mixer", command_id="c1", attempt=1
        ),
        Traffic(
            "sound", NOW, Direction.ECHOED, b"\xa5\x01", (0.0084, 0.0085), "power-on → mixer", command_id="c1"
        ),
        Traffic(
            "sound", NOW, Direction.HEARD, b"\xa6\x01\x56\x1f", None, "volume, mixer", unexplained=((1, 2),)
        ),
    ]
    said.append(Incoming(f"{ROOT}/bus-sound/traffic", traffic_payload(heard, 3)))
    steps = (StepProgress("mixer power-on", StepResult.RUNNING),)
    progress = SequenceProgress("evening", "up", Phase.RUNNING, steps, "Ada", NOW, NOW)
    said += incoming([progress_message("larkfield", progress)])
    packed = [each.topic.removeprefix("homie/5/").encode() + FIELD + each.payload for each in said]
    yield from packed
    for first in range(0, len(packed), 8):
        yield MESSAGE.join(packed[first : first + 8])


_WORDS = """
    larkfield larkfield-mixer larkfield-foyer-amp $state $description ready lost init bus-sound about
    link traffic state known power volume input last outcome alerts locks standing echo-lag
    units-answering counters site off-outcome sequences sequence-progress evening controller ping claim
    instance $log warn / set actions set-volume volume-up standby power-on command request watch run
    true false all PT5S observed confirmed presumed unknown up down listening "at" "since" "began"
    "took_ms" "data" "direction" "bus" "lags" "unexplained" "attempt" "meaning" "fault" "command_id"
    "id" "target" "text" "look_at" "who" "why" "unit" "action" "parameters" "result" "sequence" "phase"
    "steps" "by" "records" "lost" "outcomes" "scope" "nodes" "properties" "children" "homie" "5.0"
    "name" "units" "states" "actions" "effect" "type" "range" "values" "set" "title" "role" "group"
    "frame" "baud" "topology" "idle" "bit_order" "views" "orders" "last" "level" "within_s" "from"
    "agreed" "sent" "echoed" "heard" "a5" "confirmed" "failed" "refused" "integer" "boolean" null true 0
    -1 1.8e9 1e308
"""

TARGETS = (
    Target("commands", _commands, _orders, _WORDS, longest=8192),
    Target("mirror", _mirror, _announced, _WORDS, longest=16384),
)
