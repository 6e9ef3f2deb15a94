"""The bridge's small parts: what waits to be sent, secrets, lines for the log, announcements by template."""

from __future__ import annotations

import logging
import os
import ssl
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.homie import HomieSite
from controller.homie_devices import Publication, Waits
from controller.mqtt_announce import announcements, template_faults
from controller.mqtt_log import FewLines, LogLines
from controller.mqtt_outbox import Outbox
from controller.mqtt_settings import SECRET_VARIABLE, BrokerSettings, response_prefix, settings_for
from controller.site import check_site
from controller.site_model import AnnounceSpec, MqttSpec, TlsSpec
from profiles.errors import InputError
from tests.controller.mqtt.hall import SITE, site_file

# What waits


def _value(topic: str, payload: bytes) -> Publication:
    return Publication(topic, payload, waits=Waits.NEWEST)


def test_of_values_only_the_newest_waits() -> None:
    box = Outbox()
    for number in range(1000):
        box.put(_value("a", str(number).encode()))
        box.put(_value("b", str(number).encode()))
    assert [(each.topic, each.payload) for each in box.take(10)] == [("a", b"999"), ("b", b"999")]
    assert not box


def test_what_passes_is_bounded_and_counted_and_the_rest_keeps_its_place() -> None:
    box = Outbox(size=3)
    box.put(Publication("d/$state", b"init"))
    for number in range(5):
        box.put(Publication("log", str(number).encode(), waits=Waits.BOUNDED))
    box.put(Publication("d/$state", b"ready"))
    taken = [each.payload for each in box.take(100)]
    assert (taken, box.dropped) == ([b"init", b"2", b"3", b"4", b"ready"], 2)


@given(st.lists(st.tuples(st.sampled_from(list(Waits)), st.sampled_from("abc")), max_size=200))
def test_it_never_holds_more_than_it_may(puts: list[tuple[Waits, str]]) -> None:
    box = Outbox(size=5)
    always = 0
    for number, (waits, topic) in enumerate(puts):
        box.put(Publication(topic, str(number).encode(), waits=waits))
        always += waits is Waits.ALWAYS
        assert len(box) <= always + 5 + 3
    kept = [each for each in box.take(1000) if each.waits is Waits.ALWAYS]
    assert len(kept) == always
    assert kept == sorted(kept, key=lambda each: int(each.payload))


# Secrets

SECRET = "correct horse"


def _secret_file(folder: Path, data: bytes = SECRET.encode() + b"\n", mode: int = 0o600) -> MqttSpec:
    path = folder / "secret"
    path.write_bytes(data)
    path.chmod(mode)
    return MqttSpec(broker="mqtt://127.0.0.1", user="hall", secret_file="secret")


def test_a_secret_comes_from_its_file_or_the_environment(tmp_path: Path) -> None:
    assert settings_for(_secret_file(tmp_path), tmp_path, {}).secret == SECRET
    spec = MqttSpec(broker="mqtt://127.0.0.1", user="hall")
    assert settings_for(spec, tmp_path, {SECRET_VARIABLE: "other"}).secret == "other"
    nobody = MqttSpec(broker="mqtt://127.0.0.1")
    assert settings_for(nobody, tmp_path, {SECRET_VARIABLE: "other"}).secret is None


@pytest.mark.skipif(os.name != "posix", reason="file modes mean something else there")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660])
def test_a_secret_that_others_can_read_is_refused(tmp_path: Path, mode: int) -> None:
    with pytest.raises(InputError, match="chmod 600") as caught:
        settings_for(_secret_file(tmp_path, mode=mode), tmp_path, {})
    assert SECRET not in str(caught.value)


@pytest.mark.parametrize("data", [b"", b"\n", b"\xff\xfe secret", b"x" * 70_000])
def test_a_file_without_a_secret_is_told_without_its_contents(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputError, match="holds no secret") as caught:
        settings_for(_secret_file(tmp_path, data), tmp_path, {})
    assert "secret'" not in str(caught.value)
    assert caught.value.__cause__ is None


def test_a_secret_is_in_no_repr(tmp_path: Path) -> None:
    settings = settings_for(_secret_file(tmp_path), tmp_path, {})
    assert SECRET not in repr(settings)
    assert SECRET not in str(settings.shown)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    spec = MqttSpec(broker="mqtts://broker.example", user="x", secret_file="gone")
    with pytest.raises(InputError, match="No such file"):
        settings_for(spec, tmp_path, {})
    spec = MqttSpec(broker="mqtts://broker.example", tls=TlsSpec(ca_file="gone.pem"))
    with pytest.raises(InputError, match=r"gone\.pem"):
        settings_for(spec, tmp_path, {})
    (tmp_path / "text.pem").write_text("this is no certificate")
    spec = MqttSpec(broker="mqtts://broker.example", tls=TlsSpec(ca_file="text.pem"))
    with pytest.raises(InputError, match="no certificate of an authority"):
        settings_for(spec, tmp_path, {})


def test_tls_verifies_the_certificate_and_the_name(tmp_path: Path) -> None:
    settings = settings_for(MqttSpec(broker="mqtts://broker.example"), tmp_path, {})
    assert settings.tls is not None
    assert settings.tls.verify_mode is ssl.CERT_REQUIRED
    assert settings.tls.check_hostname
    assert settings.shown == "mqtts://broker.example:8883"
    assert BrokerSettings("::1", 1883).shown == "mqtt://[::1]:1883"


# The site's own file


def _faults(tmp_path: Path, more: str) -> list[str]:
    path = tmp_path / "site.toml"
    path.write_text(SITE + '\n[mqtt]\nbroker = "mqtt://127.0.0.1"\n' + more)
    return [str(fault) for fault in check_site(path) if not fault.warning]


@pytest.mark.parametrize("prefix", ["homie", "homie/5", "homie/5/larkfield", "$SYS/x", "/x"])
def test_a_response_prefix_among_the_devices_is_a_fault(tmp_path: Path, prefix: str) -> None:
    found = _faults(tmp_path, f'response_prefix = "{prefix}"\n')
    assert len(found) == 1
    assert "mqtt.response_prefix" in found[0]


def test_without_one_it_is_the_sites_own(tmp_path: Path) -> None:
    assert response_prefix(site_file(tmp_path).site) == "linewarden/larkfield/response"
    assert not _faults(tmp_path, 'response_prefix = "answers/larkfield"\n')


# Announcements


@pytest.mark.parametrize(
    ("topic", "payload", "says"),
    [
        ("discovery/{site}", "{sight}", "no field {sight}"),
        ("discovery/{unot}", "x", "no field {unot}"),
        ("discovery/{site}", '{"title": "{sight}"}', "no field {sight}"),
        ("discovery/{site}", '{"title": "{sight}", {site}', "is none once it is filled in"),
        ("discovery/{site}", '{"unit": "{unit}"}', "the topic has no {unit}"),
        ("discovery/{site}/{unit}", '{"state": "{state_topic}"}', "the topic has no {state}"),
        ("discovery/{site}/{bus}", "x", "{bus} needs {unit}"),
        ("discovery/{site}/{state}", "x", "{state} needs {unit}"),
        ("discovery/{unit}/{state}/{action}", "x", "don't go together"),
        ("discovery/{site_title}", "x", "is a text"),
        ("discovery/{site}", "", "is empty"),
        ("discovery/{site}", '{"title": {site_title}}', "is none once it is filled in"),
        ("discovery/{site}", '{"title": "{site_title}"', "is none once it is filled in"),
        ("homie/5/{site}/$state", "ready", "must begin with a word that is not homie"),
        ("$SYS/{site}", "x", "must begin"),
        ("{site}/x", "x", "must begin"),
    ],
)
def test_bad_templates_are_found(tmp_path: Path, topic: str, payload: str, says: str) -> None:
    spec = AnnounceSpec(topic=topic, payload=payload)
    told = [f"{key} {what}" for _, key, what, _ in template_faults([spec])]
    assert any(says in each for each in told), told
    found = _faults(tmp_path, f"[[mqtt.announce]]\ntopic = '{topic}'\npayload = '''{payload}'''\n")
    assert any("mqtt.announce[0]" in each for each in found)


def test_two_announcements_of_one_topic_are_a_fault() -> None:
    spec = AnnounceSpec(topic="discovery/{site}", payload="x")
    assert [key for _, key, _, _ in template_faults([spec, spec])] == ["topic"]


def test_templates_are_filled_and_escaped_as_json_needs_it(tmp_path: Path) -> None:
    site = HomieSite(site_file(tmp_path, SITE.replace('"Stage mixer"', "'The \"old\" \\ mixer'")))
    specs = [
        AnnounceSpec(topic="discovery/{site}", payload="{site_title} at {site_topic}"),
        AnnounceSpec(
            topic="discovery/{site}/{unit}",
            payload='{"name": "{unit_title}", "at": {"base": "{unit_topic}"}, "address": {address}}',
        ),
    ]
    assert not list(template_faults(specs))
    found = {each.topic: each.payload.decode() for each in announcements(site, specs, "answers")}
    assert found["discovery/larkfield"] == "Larkfield Hall at homie/5/larkfield"
    mixer = r'{"name": "The \"old\" \\ mixer", "at": {"base": "homie/5/larkfield-mixer"}, "address": 1}'
    assert found["discovery/larkfield/mixer"] == mixer
    assert len(found) == 3


def test_a_topic_with_a_state_is_announced_for_each_state(tmp_path: Path) -> None:
    site = HomieSite(site_file(tmp_path))
    payload = '{"t": "{state_topic}", "set": {settable}, "kind": "{datatype}"}'
    specs = [
        AnnounceSpec(topic="d/{unit}/{state}", payload=payload),
        AnnounceSpec(topic="a/{unit}/{action}", payload="{action_topic}/set"),
    ]
    assert not list(template_faults(specs))
    found = {each.topic: each.payload.decode() for each in announcements(site, specs, "answers")}
    power = '{"t": "homie/5/larkfield-mixer/state/power", "set": true, "kind": "boolean"}'
    assert found["d/mixer/power"] == power
    assert found["a/mixer/volume-up"] == "homie/5/larkfield-mixer/actions/volume-up/set"
    # What may not be commanded over MQTT is not announced as if it could be.
    assert "a/foyer-amp/power-on" not in found
    assert all(each.retain for each in announcements(site, specs, "answers"))


# Lines for the log


def test_few_lines_pass_and_the_others_are_counted() -> None:
    now = 0.0
    few = FewLines(lambda: now, most=2, within=10.0)
    assert [few.line("a"), few.line("b"), few.line("c"), few.line("d")] == ["a", "b", None, None]
    now = 10.0
    assert few.line("e") == "e (2 lines before this one were held back)"
    assert few.line("\x1b[2Jf" + "x" * 1000) == "�[2Jf" + "x" * 495


async def test_only_warnings_and_worse_are_handed_on() -> None:
    import asyncio

    taken: list[tuple[str, str]] = []
    handler = LogLines(lambda level, line: taken.append((level, line)), lambda: 0.0)
    logger = logging.getLogger("controller.test_of_log_lines")
    logger.addHandler(handler)
    try:
        logger.info("nothing of note")
        logger.warning("the %s is open", "ring")
        await asyncio.to_thread(logger.error, "worse")
        await asyncio.sleep(0)
    finally:
        logger.removeHandler(handler)
    assert taken == [("warn", "the ring is open"), ("error", "worse")]
