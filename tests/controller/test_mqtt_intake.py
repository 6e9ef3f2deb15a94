"""Which messages are commands: every rule by which one is refused, and that nothing else ever is one.

Sources: contracts of the MQTT bridge (retained, empty, large, malformed, too many: refused; ids; response
topics); MQTT 5.0, 3.3.1.3 (RETAIN), 3.3.2.3.3 (Message Expiry Interval), 4.10 (request and response).
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from controller.homie import HomieSite, Watch
from controller.homie_values import Datatype
from controller.mqtt_intake import BURST, LARGEST, RATE, Asked, AskedOfUs, Intake, Refused, Why
from controller.mqtt_messages import Incoming
from controller.records import OriginKind
from tests.controller.mqtt.hall import ROOT, site_file, topic

UTC = 1_700_000_000.0
PREFIX = "linewarden/larkfield/response"


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> HomieSite:
    return HomieSite(site_file(Path(tmp_path_factory.mktemp("site"))))


@pytest.fixture
def intake(site: HomieSite) -> Intake:
    return Intake(site, PREFIX)


def _judge(intake: Intake, message: Incoming, now: float = 0.0) -> Asked | AskedOfUs | Refused:
    return intake.judge(message, utc=UTC, now=now)


def _asked(intake: Intake, message: Incoming) -> Asked:
    found = _judge(intake, message)
    assert isinstance(found, Asked)
    return found


POWER = Incoming(topic("mixer", "state/power/set"), b"true")
VOLUME = topic("mixer", "actions/set-volume/set")
REQUEST = topic("mixer", "command/request/set")


@pytest.mark.parametrize(
    ("message", "why"),
    [
        (replace(POWER, retain=True), Why.RETAINED),
        (Incoming(topic("mixer", "actions/volume-up/set"), b"run", retain=True), Why.RETAINED),
        (Incoming("elsewhere/set", b"run", retain=True), Why.RETAINED),
        (replace(POWER, payload=b""), Why.EMPTY),
        (replace(POWER, payload=b"x" * (LARGEST + 1)), Why.TOO_LARGE),
        (Incoming(REQUEST, b" " * LARGEST + b"{}"), Why.TOO_LARGE),
        (replace(POWER, payload=b"\xff\xfe"), Why.BAD_VALUE),
        (replace(POWER, payload=b"TRUE"), Why.BAD_VALUE),
        (replace(POWER, payload=b"1"), Why.BAD_VALUE),
        (Incoming(VOLUME, b"64"), Why.BAD_VALUE),
        (Incoming(VOLUME, b"-1"), Why.BAD_VALUE),
        (Incoming(VOLUME, b"20.0"), Why.BAD_VALUE),
        (Incoming(topic("mixer", "state/input/set"), b"phono"), Why.BAD_VALUE),
        (Incoming(topic("mixer", "actions/volume-up/set"), b"1"), Why.BAD_VALUE),
        (Incoming(topic("mixer", "known/power/set"), b"observed"), Why.NOT_THERE),
        (Incoming(topic("nobody", "state/power/set"), b"true"), Why.NOT_THERE),
        (Incoming(topic("foyer-amp", "actions/power-on/set"), b"run"), Why.NOT_ALLOWED),
        (Incoming(f"{ROOT}/site/off/set", b"everything"), Why.BAD_VALUE),
        (Incoming(f"{ROOT}/bus-sound/watch/set", b"PT"), Why.BAD_VALUE),
        (Incoming(f"{ROOT}/bus-sound/watch/set", b"PT5S", retain=True), Why.RETAINED),
    ],
)
def test_what_is_refused_and_why(intake: Intake, message: Incoming, why: Why) -> None:
    found = _judge(intake, message)
    assert isinstance(found, Refused)
    assert found.why is why
    assert found.text


def test_a_command_goes_on_with_its_sender_marked_as_claimed(intake: Intake) -> None:
    found = _asked(intake, replace(POWER, sender="panel\x1b[2J in the foyer"))
    assert (found.command.unit, found.command.action) == ("mixer", "power-on")
    assert found.command.origin.kind is OriginKind.MQTT
    assert found.command.origin.claimed
    assert found.command.origin.name == "panel[2J in the foyer"
    assert (found.state, found.payload) == ("power", b"true")


def test_two_equal_ones_without_an_id_are_two(intake: Intake) -> None:
    step = Incoming(topic("mixer", "actions/volume-up/set"), b"run")
    assert _asked(intake, step).command.id != _asked(intake, step).command.id


def test_the_same_correlation_data_of_the_same_sender_is_the_same_command(intake: Intake) -> None:
    one = replace(POWER, correlation=b"\x00\xff1", response_topic=f"{PREFIX}/panel")
    other = replace(one, response_topic=f"{PREFIX}/phone")
    assert _asked(intake, one).command.id == _asked(intake, one).command.id
    assert _asked(intake, one).command.id != _asked(intake, other).command.id
    assert _asked(intake, one).correlation == b"\x00\xff1"


def test_expiry_goes_on_counting_as_a_deadline(intake: Intake) -> None:
    assert _asked(intake, replace(POWER, expiry=5)).command.deadline == UTC + 5
    assert _asked(intake, replace(POWER, expiry=0)).command.deadline == UTC
    assert _asked(intake, POWER).command.deadline is None


@pytest.mark.parametrize(
    ("wanted", "given_to"),
    [
        (f"{PREFIX}/panel/7", f"{PREFIX}/panel/7"),
        (PREFIX, None),
        (f"{PREFIX}/", None),
        (f"{PREFIX}x/panel", None),
        (f"{PREFIX}/+", None),
        (f"{PREFIX}/a/#", None),
        (topic("mixer", "state/power/set"), None),
        ("other/5/door/lock/set", None),
        ("$SYS/broker", None),
        (f"/{PREFIX}/panel", None),
        (f"{PREFIX}/" + "x" * 600, None),
    ],
)
def test_our_rights_are_not_lent_to_whoever_asks(intake: Intake, wanted: str, given_to: str | None) -> None:
    found = _asked(intake, replace(POWER, response_topic=wanted, correlation=b"7"))
    assert found.response_topic == given_to
    assert found.response_ignored is (given_to is None)
    assert found.correlation == (None if given_to is None else b"7")


def _request(**given: Any) -> Incoming:
    return Incoming(REQUEST, json.dumps(given).encode())


def test_the_json_form_has_an_id_of_its_own(intake: Intake) -> None:
    asked = {
        "id": "panel-7",
        "action": "set-volume",
        "parameters": {"level": 12},
        "within_s": 3,
        "from": "Ada",
    }
    found = _asked(intake, _request(**asked)).command
    assert (found.id, found.action, found.parameters) == ("panel-7", "set-volume", {"level": 12})
    assert (found.deadline, found.origin.name, found.origin.claimed) == (UTC + 3, "Ada", True)


def test_that_a_person_agreed_is_said_in_so_many_words(intake: Intake) -> None:
    assert not _asked(intake, _request(id="7", action="power-on")).command.agreed
    assert _asked(intake, _request(id="7", action="power-on", agreed=True)).command.agreed
    assert not _asked(intake, POWER).command.agreed


@pytest.mark.parametrize(
    "given_json",
    [
        {"action": "standby"},
        {"id": "", "action": "standby"},
        {"id": "a b", "action": "standby"},
        {"id": "x" * 65, "action": "standby"},
        {"id": 7, "action": "standby"},
        {"id": "7"},
        {"id": "7", "action": ""},
        {"id": "7", "action": ["standby"]},
        {"id": "7", "action": "standby", "raw": "A5 01"},
        {"id": "7", "action": "standby", "bytes": "A5"},
        {"id": "7", "action": "standby", "parameters": [1]},
        {"id": "7", "action": "standby", "parameters": {"a": None}},
        {"id": "7", "action": "standby", "parameters": {"a": {"b": 1}}},
        {"id": "7", "action": "standby", "within_s": 0},
        {"id": "7", "action": "standby", "within_s": True},
        {"id": "7", "action": "standby", "within_s": "1"},
        {"id": "7", "action": "standby", "from": 1},
        {"id": "7", "action": "standby", "agreed": "yes"},
        # Half a character (Unicode, chapter 3.8): JSON can name it, and nothing can write it down.
        {"id": "7", "action": "a\ud800"},
        {"id": "7", "action": "set-volume", "parameters": {"a\ud800": 1}},
        {"id": "7", "action": "set-volume", "parameters": {"level": "\udcff"}},
    ],
)
def test_a_json_form_that_is_none(intake: Intake, given_json: dict[str, Any]) -> None:
    found = _judge(intake, _request(**given_json))
    assert isinstance(found, Refused)
    assert found.why is Why.BAD_VALUE


def test_raw_bytes_can_never_be_asked_for(intake: Intake) -> None:
    every = [replace(POWER, payload=p) for p in (b"true", b"false")] + [_request(id="1", action="", raw="A5")]
    for message in every:
        found = _judge(intake, message)
        assert isinstance(found, Refused) or (isinstance(found, Asked) and found.command.raw is None)


def test_too_many_are_refused_and_what_takes_energy_away_never(intake: Intake) -> None:
    step = Incoming(topic("mixer", "actions/volume-up/set"), b"run")
    judged = [_judge(intake, step, now=0.0) for _ in range(int(BURST) + 50)]
    refused = [each for each in judged if isinstance(each, Refused)]
    assert len(refused) == 50
    assert {each.why for each in refused} == {Why.TOO_FAST}
    # Who waits for an outcome gets one.
    assert all(each.command is not None for each in refused)
    off = replace(POWER, payload=b"false")
    assert isinstance(_judge(intake, off, now=0.0), Asked)
    assert isinstance(_judge(intake, Incoming(f"{ROOT}/site/off/set", b"all"), now=0.0), AskedOfUs)
    later = [_judge(intake, step, now=1.0) for _ in range(int(RATE) + 50)]
    assert sum(isinstance(each, Asked) for each in later) == int(RATE)


def test_a_watch_is_asked_of_us(intake: Intake) -> None:
    found = _judge(intake, Incoming(f"{ROOT}/bus-sound/watch/set", b"PT1M30S"))
    assert isinstance(found, AskedOfUs)
    assert isinstance(found.target, Watch)
    assert (found.target.bus, found.value, found.payload) == ("sound", 90.0, b"PT1M30S")


# Whatever comes

_TOPICS = [
    topic("mixer", "state/power/set"),
    topic("mixer", "state/input/set"),
    topic("mixer", "state/volume/set"),
    topic("mixer", "actions/power-on/set"),
    topic("mixer", "actions/set-volume/set"),
    topic("mixer", "actions/select-input/set"),
    REQUEST,
    topic("foyer-amp", "state/power/set"),
    topic("foyer-amp", "actions/power-on/set"),
    f"{ROOT}/bus-sound/watch/set",
    f"{ROOT}/site/off/set",
    f"{ROOT}/locks/lock/set",
    f"{ROOT}/controller/claim/set",
]
_VALID = {
    "power": {b"true", b"false"},
    "input": {b"cd", b"tuner", b"tape", b"stage"},
    "select-input": {b"cd", b"tuner", b"tape", b"stage"},
    "power-on": {b"run"},
}


def _could_be_valid(where: str, payload: bytes) -> bool:
    """By eye, and not by what is under test: what a person would call a valid payload."""
    name = where.split("/")[-2]
    if name in _VALID:
        return payload in _VALID[name]
    if name in ("volume", "set-volume"):
        return payload.isdigit() and len(payload) < 6 and int(payload) <= 63
    if name == "request":
        return payload.lstrip()[:1] == b"{"
    return name in ("watch", "off", "lock", "claim")


_ANY_TOPIC = st.one_of(
    st.sampled_from(_TOPICS),
    st.builds(lambda a, b: f"{a}{b}", st.sampled_from(_TOPICS), st.text(max_size=6)),
    st.builds("/".join, st.lists(st.text(max_size=8), max_size=8)),
)
_ANY_PAYLOAD = st.one_of(
    st.binary(max_size=80),
    st.text(max_size=40).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.sampled_from([b"TRUE", b"on", b"1", b"run ", b"RUN", b"NaN", b"64", b"\0", b"{}", b"[" * 4000]),
)


@settings(max_examples=10_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    _ANY_TOPIC,
    _ANY_PAYLOAD,
    st.booleans(),
    st.one_of(st.none(), st.text(max_size=40)),
    st.one_of(st.none(), st.binary(max_size=40)),
    st.one_of(st.none(), st.integers(0, 2**32 - 1)),
)
@example(_TOPICS[0], b"true", True, None, None, None)
@pytest.mark.slow
@pytest.mark.timeout(300)
def test_ten_thousand_random_messages_are_never_an_action(
    site: HomieSite,
    where: str,
    payload: bytes,
    retain: bool,
    response: str | None,
    correlation: bytes | None,
    expiry: int | None,
) -> None:
    message = Incoming(where, payload, retain, response, correlation, expiry)
    found = Intake(site, PREFIX).judge(message, utc=UTC, now=0.0)
    if retain:
        assert isinstance(found, Refused)
    assume(not (where in _TOPICS and _could_be_valid(where, payload)))
    assert isinstance(found, Refused)


def test_every_settable_property_is_of_a_datatype_that_is_decoded(site: HomieSite) -> None:
    settable = [each for d in site.devices() for each in d.properties.values() if each.settable]
    assert len(settable) > 10
    assert {each.datatype for each in settable} <= set(Datatype)
