"""Profiles and sites as texts, through loading, checking and everything that is made of a sound one."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from controller.from_site import bus_rules, bus_setup, keeping, unit_rules
from controller.guard import Gate
from controller.homie import HomieSite
from controller.mqtt_announce import announcements, template_faults
from controller.mqtt_settings import response_prefix
from controller.sequences_plan import Direction, Planner
from controller.site import LoadedSite, check_site, load_site
from controller.site_model import AnnounceSpec
from controller.triggers_words import does_words, timing_of, waits_words
from controller.understanding import Understanding
from profiles.checking import check_profile, check_text, load_profile
from profiles.compiled import CompiledProfile
from profiles.errors import Fault, FileUnreadable, LinewardenError
from profiles.storage import decode_text
from tests.controller.halls import RING, shipped
from tests.controller.mqtt.hall import SITE
from tests.fuzz.target import FIELD, Target, Trial, fields
from tests.profiles.bench.captures import write_logic
from tests.profiles.texts import SOUND
from tests.tui.steering import check_no_steering
from tui.dry_run import dry_run, matched, template_words
from tui.telling import plain

__all__ = ["TARGETS"]

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ("pellgate-chain", "pellgate-screen", "pellgate-blind", "midi-scene", "modbus-relay")

_EVIDENCE = """
[[evidence]]
action = "power-on"
capture = "power-on.csv"
channel = "CH1"
bytes = "A5 01 01 02"
taken = 2026-01-05
"""


def check_faults(faults: Iterable[Fault]) -> None:
    """Every fault can be told in one line."""
    for fault in faults:
        assert fault.what
        check_no_steering(plain(str(fault)))


@contextmanager
def _profile(folder: Path) -> Iterator[Trial]:
    path = folder / "profile.toml"
    write_logic(folder / "power-on.csv", [b"\xa5\x01\x01\x02"])

    def trial(data: bytes) -> None:
        path.write_bytes(data)
        try:
            text = decode_text(data, str(path))
            checked = check_text(text, str(path))
            check_faults(checked.faults)
            check_faults(check_profile(path))
        except FileUnreadable:
            return
        if checked.profile is None:
            assert checked.errors
            return
        check_profile_works(load_profile(text, str(path)))

    yield trial


def check_profile_works(profile: CompiledProfile) -> None:
    """What has no faults can be used: its actions are built, and its own bytes are understood."""
    understanding = Understanding(profile, {1: "mixer", None: "lamp"})
    heard = written = 0
    for action in profile.actions.values():
        run = dry_run(action, 1, "mixer")
        template_words(action.send)
        try:
            values = action.parameters({})
            data = action.message(values, address=1).data
            profile.says(action, values, 1)
        except LinewardenError:
            continue
        assert run is not None
        written += len(data)
        heard += sum(len(each.data) for _, each in understanding.heard(data, float(written)))
    for index in range(len(profile.observations)):
        matched(profile, index)
    heard += sum(len(each.data) for _, each in understanding.tick(1e9))
    assert heard == written


def _profiles(folder: Path) -> Iterable[bytes]:
    yield SOUND.encode()
    yield (SOUND + _EVIDENCE).encode()
    for name in SHIPPED:
        yield shipped(name).encode()


@contextmanager
def _site(folder: Path) -> Iterator[Trial]:
    (folder / "chain.toml").write_text(shipped("pellgate-chain"), encoding="utf-8")
    path = folder / "site.toml"

    def trial(data: bytes) -> None:
        path.write_bytes(data)
        try:
            check_faults(check_site(path, own=folder))
            loaded = load_site(path, own=folder)
        except LinewardenError:
            return
        check_site_works(loaded)

    yield trial


def check_site_works(loaded: LoadedSite) -> None:
    """What has no faults can be used: by the gate, the buses, the bridge, sequences and triggers."""
    site = loaded.site
    buses = [bus_rules(name, spec, loaded.profiles[name]) for name, spec in site.buses.items()]
    Gate(buses, [unit_rules(name, spec) for name, spec in site.units.items()])
    for name, spec in site.buses.items():
        bus_setup(name, spec, loaded, None)
    keeping(site.journal)
    homie = HomieSite(loaded)
    for device in homie.devices():
        json.loads(device.description(1).payload)
    if site.mqtt is not None:
        prefix = response_prefix(site)
        for each in announcements(homie, site.mqtt.announce, prefix):
            assert not set("+#\0") & set(each.topic)
            assert each.payload
    planner = Planner(site.units, loaded.profiles)
    for name, sequence in site.sequences.items():
        for direction in Direction:
            planner.plan(name, sequence, direction)
    for trigger in site.triggers.values():
        told = waits_words(trigger), does_words(trigger.on)
        assert all(told)
        timing_of(trigger)


def _sites(folder: Path) -> Iterable[bytes]:
    yield (ROOT / "tui/demo/larkfield-hall.toml").read_bytes()
    yield RING.replace("{folder}/", "").encode()
    yield (SITE + '[mqtt]\nbroker = "mqtts://hall.example:8883"\nannounce = []\n').encode()


@contextmanager
def _announce(folder: Path) -> Iterator[Trial]:
    path = folder / "site.toml"
    path.write_text(SITE, encoding="utf-8")
    homie = HomieSite(load_site(path, own=folder))

    def trial(data: bytes) -> None:
        topic, payload = (part.decode("utf-8", "replace") for part in fields(data, 2))
        try:
            specs = [AnnounceSpec(topic=topic, payload=payload)]
        except ValueError:
            return
        if list(template_faults(specs)):
            return
        for each in announcements(homie, specs, "linewarden/larkfield/response"):
            assert not each.topic.startswith(("homie/", "$"))
            assert not set("+#\0") & set(each.topic)
            assert each.payload
            if payload.lstrip().startswith(('{"', "[")):
                json.loads(each.payload)

    yield trial


def _templates(folder: Path) -> Iterable[bytes]:
    for topic, payload in (
        ("discovery/{site}/{unit}", '{"name": "{unit_title}", "at": "{unit_topic}", "address": {address}}'),
        ("found/{unit}/{state}", '["{state_title}", "{datatype}", "{format}", {settable}]'),
        ("found/{unit}/{action}", "{action_title} of {unit} in {site_title}: {action_topic}"),
    ):
        yield topic.encode() + FIELD + payload.encode()


_PROFILE_WORDS = """
    schema name title line baud frame bit_order idle dead_time_ms dead_time_bits burst_gap_ms confirm
    method timeout_ms retries retry_pause_ms ends_attempt address range all states type set actions
    effect repeatable send hex check from to order field size coding scale offset text counter start
    wrap per any pause_ms sets hold_off_ms only_if repeat reply expect means observations match event
    evidence capture channel bytes taken note probe parameters table default unit values unsettles
    "loop" "local" "reply" "none" "8N1" "5N1.5" "9O2" "sum-8" "xor" "CRC-16/MODBUS" "A5" "00" "FF" "bcd"
    "decimal-text" "hex-text" "binary" "big" "little" "integer" "float" "boolean" "enum" "energise"
    "de-energise" "neutral" "power-on" "power" "level" true false 0 1 -1 2026-01-05
"""
_SITE_WORDS = """
    site id title buses port profile topology pass_on hears_itself dtr rts rs485 rate_per_s allow_raw
    units bus address role group mqtt minimum_off_s minimum_on_s ask_before_energise sequences steps up
    down wait_s until within_s on_failure triggers when then on off line heard message at days state is
    delay_s broker protocol tls user secret_file response_prefix announce topic payload allow_plaintext
    journal keep_days most_mb probe_every_s "ring" "open" "shared" "tap" "pellgate-chain" "chain.toml"
    "sim://pellgate-chain" "/dev/ttyUSB0" "usb:0403:6001" "socket://127.0.0.1:1" "all" "none" "hall"
    "sound" "mixer" "foyer-amp" "power-on" "standby" "power" true false "07:30" "mon" "Europe/Berlin" 0
    1 -1 1e9
"""
_FIELDS = """
    {site} {site_title} {site_topic} {response_prefix} {unit} {unit_title} {unit_topic} {bus} {role}
    {group} {address} {state} {state_title} {state_topic} {datatype} {format} {measured_in} {settable}
    {action} {action_title} {action_topic} {action_datatype} {action_format} discovery / homie/ $SYS + #
    " { } [ ] : ,
"""

TARGETS = (
    Target("profile", _profile, _profiles, _PROFILE_WORDS),
    Target("site", _site, _sites, _SITE_WORDS),
    Target("announce", _announce, _templates, _FIELDS, longest=4096),
)
