"""What is asked, fitted to the site: actions found, minimum times kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.qualifying.plan import Asked, plan_for
from controller.site import load_site
from controller.views import site_view
from profiles.errors import BadValue, NotKnown
from tui.demo.evening import load_hall

HALL = site_view(load_hall())

SITE = """
[site]
id = "larkfield-hall"

[buses.hall]
port = "sim://pellgate-chain?units=1"
profile = "pellgate-chain"
topology = "ring"

[buses.ear]
port = "/dev/null"
profile = "pellgate-chain"
topology = "tap"

[units.foyer-amp]
bus = "hall"
address = 1
minimum_off_s = 30
minimum_on_s = 8

[units.ghost]
bus = "ear"
address = 2
"""


def test_on_and_off_come_from_the_profile() -> None:
    plan = plan_for(HALL, Asked("hall-amp"))
    assert (plan.on, plan.off, plan.state) == ("power-on", "standby", "power")
    assert (plan.state_on, plan.state_off, plan.cycles) == (True, False, 20)
    blind = plan_for(HALL, Asked("blind-left"))
    assert (blind.on, blind.off, blind.state) == ("open", "stop", None)
    assert (plan.also, blind.also) == ((), ())


def test_units_that_hear_the_same_bytes_are_told_of(tmp_path: Path) -> None:
    (tmp_path / "plain.toml").write_text(PLAIN)
    path = tmp_path / "site.toml"
    path.write_text(PLAIN_SITE)
    plan = plan_for(site_view(load_site(path)), Asked("left"))
    assert plan.also == ("right",)
    assert plan.all_switched == "Left lamp (and right, which hear the same)"


def test_minimum_times_and_hold_offs_are_kept_and_told(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text(SITE)
    site = site_view(load_site(path))
    plan = plan_for(site, Asked("foyer-amp", on_for=0.1, off_for=60))
    assert (plan.on_for, plan.off_for) == (8, 60)
    assert plan.why_times == ("foyer-amp stays on for 8 s at least",)
    assert plan_for(HALL, Asked("hall-amp", on_for=0)).on_for == 0.5  # the profile's hold-off of 500 ms
    assert plan_for(site, Asked("foyer-amp", tap="ear")).tap == "ear"
    with pytest.raises(BadValue, match="nothing is ever written"):
        plan_for(site, Asked("ghost"))
    with pytest.raises(BadValue, match="driven on"):
        plan_for(site, Asked("foyer-amp", tap="hall"))


PLAIN = """
schema = 1
name = "plain"

[line]
baud = 9600

[confirm]
method = "none"

[address]
range = [1, 4]

[actions.ask]
effect = "neutral"
send = [{ hex = "03" }, { address = 1 }]

[actions.all-on]
effect = "energise"
send = [{ hex = "01" }]

[actions.all-off]
effect = "de-energise"
send = [{ hex = "02" }]
"""
PLAIN_SITE = """
[site]
id = "larkfield-hall"

[buses.lamps]
port = "sim://plain.toml?units=2"
profile = "plain.toml"
topology = "open"

[units.left]
bus = "lamps"
address = 1
title = "Left lamp"

[units.right]
bus = "lamps"
address = 2
"""


@pytest.mark.parametrize(
    ("asked", "error", "part"),
    [
        (Asked("hall-lamp"), NotKnown, "hall-amp"),
        (Asked("hall-amp", on="power-onn"), NotKnown, "power-on"),
        (Asked("hall-amp", on="standby"), BadValue, "on action"),
        (Asked("hall-amp", off="power-on"), BadValue, "off action"),
        (Asked("hall-amp", off="mute-on"), BadValue, "off action"),
        (Asked("hall-amp", cycles=0), BadValue, "cycles"),
        (Asked("hall-amp", cycles=10_001), BadValue, "cycles"),
        (Asked("hall-amp", on_for=float("nan")), BadValue, "seconds"),
        (Asked("hall-amp", tap="nowhere"), NotKnown, "sound"),
    ],
)
def test_what_cannot_be_done_is_told(asked: Asked, error: type[Exception], part: str) -> None:
    with pytest.raises(error, match=r".") as caught:
        plan_for(HALL, asked)
    assert part in str(caught.value)
