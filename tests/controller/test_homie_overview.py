"""What a dashboard needs of a site beside its descriptions."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from controller.homie import HomieSite
from controller.homie_overview import (
    BusAbout,
    about_messages,
    off_outcome_message,
    ping_message,
)
from controller.plain import from_plain
from controller.records import Outcome, Reason, Result
from controller.views import site_view
from tests.controller.mqtt.hall import ROOT, SITE, site_file


@pytest.fixture
def site(tmp_path: Path) -> HomieSite:
    return HomieSite(site_file(tmp_path))


def test_what_hangs_on_a_bus_comes_back_whole(site: HomieSite) -> None:
    (message,) = about_messages(site)
    assert (message.topic, message.retain) == (f"{ROOT}/bus-sound/about", True)
    about: BusAbout = from_plain(BusAbout, json.loads(message.payload))
    view = site_view(site.loaded)
    assert about.actions == view.units[0].actions
    assert about.states == view.units[0].states
    assert (about.bus.topology, about.bus.units_expected, about.bus.simulated) == ("ring", 2, True)
    mixer, amplifier = about.units
    assert (mixer.title, mixer.address, mixer.role, mixer.group) == (
        "Stage mixer",
        1,
        "preamplifier",
        "audio",
    )
    assert about.only == {"foyer-amp": ("standby", "set-volume")}
    assert amplifier.id == "foyer-amp"


def test_what_it_says_leaves_the_port_at_home(site: HomieSite) -> None:
    (message,) = about_messages(site)
    assert b"sim://" not in message.payload


def test_only_the_buses_that_are_asked_for(tmp_path: Path) -> None:
    second = SITE + '\n[buses.lights]\nport = "loop://"\nprofile = "pellgate-chain"\ntopology = "ring"\n'
    site = HomieSite(site_file(tmp_path, second))
    assert len(about_messages(site)) == 2
    (message,) = about_messages(site, ["lights"])
    assert message.topic == f"{ROOT}/bus-lights/about"
    assert json.loads(message.payload)["units"] == []


@pytest.mark.parametrize("word", ["panel-3:17", "a", "x" * 64])
def test_a_ping_comes_back_as_it_was(site: HomieSite, word: str) -> None:
    answer = ping_message(site, word)
    assert answer is not None
    assert (answer.topic, answer.payload) == (f"{ROOT}/controller/ping", word.encode())
    assert not answer.retain


@pytest.mark.parametrize("word", ["", "two words", "x" * 65, "\x1b[2J", "ä"])
def test_nobodys_words_are_repeated(site: HomieSite, word: str) -> None:
    assert ping_message(site, word) is None


def test_what_became_of_off_names_every_command(site: HomieSite) -> None:
    outcomes = [Outcome("a", Result.CONFIRMED), Outcome("b", Result.FAILED, Reason.NO_ECHO)]
    message = off_outcome_message(site, "all", outcomes)
    assert not message.retain
    assert json.loads(message.payload) == {
        "scope": "all",
        "outcomes": [
            {"command_id": "a", "result": "confirmed", "reason": None},
            {"command_id": "b", "result": "failed", "reason": "no-echo"},
        ],
    }
