"""More sites at a broker than are shown, and what only seems to be one: none keeps out another for good."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from controller.mqtt_messages import Incoming
from controller.mqtt_settings import BrokerSettings
from controller.records import Alert, Command, Origin, OriginKind, Result
from tests.tui.remote.announced import NOW, Announced, mirror_of
from tui.remote.following import Follower
from tui.remote.mirror import MOST_SITES, Mirror, Taken
from tui.remote.sites import RemoteSites

MOST = 3


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dashboard that shows three sites."""
    monkeypatch.setattr("tui.remote.mirror.MOST_SITES", MOST)


def instance(device: str) -> Incoming:
    """What only sites have."""
    return Incoming(f"homie/5/{device}/controller/instance", b"1", True)


def described(hall: Announced, device: str) -> Incoming:
    """A site of that id that is like the hall."""
    message = next(m for m in hall.whole() if m.topic == "homie/5/larkfield/$description")
    return replace(message, topic=f"homie/5/{device}/$description")


def asked(taken: Taken) -> list[str]:
    """The devices whose descriptions are asked for."""
    return [each.split("/")[2] for each in taken.wanted if each.endswith("/$description")]


def full(hall: Announced) -> Mirror:
    """A mirror with three sites, and two more for which there is no room."""
    mirror = Mirror("mqtt://broker")
    mirror.begin(NOW)
    for name in ("hall-1", "hall-2", "hall-3", "hall-4", "hall-5"):
        assert asked(mirror.take([instance(name)], NOW)) == [name]
        mirror.take([described(hall, name)], NOW)
    return mirror


@pytest.mark.usefixtures("few")
def test_more_sites_than_can_be_shown_are_told_and_not_passed_over_in_silence(hall: Announced) -> None:
    mirror = full(hall)
    assert list(mirror.sites) == ["hall-1", "hall-2", "hall-3"]
    (alert,) = mirror.alerts()
    assert isinstance(alert, Alert)
    assert alert.target == "broker"
    assert f"more than {MOST} sites" in alert.text
    assert mirror.take([instance("hall-4"), described(hall, "hall-4")], NOW) == Taken()
    # Begun anew, it is not known any more.
    assert replace(alert, over=True) in mirror.begin(NOW).records
    assert mirror.alerts() == []


def test_things_that_are_no_sites_keep_no_site_out(hall: Announced) -> None:
    mirror = Mirror("mqtt://broker")
    mirror.begin(NOW)
    for number in range(2 * MOST_SITES):
        mirror.take([instance(f"lamp-{number}")], NOW)
    assert asked(mirror.take([instance("larkfield")], NOW)) == ["larkfield"]
    mirror.take(hall.whole(), NOW)
    assert list(mirror.sites) == ["larkfield"]
    assert mirror.crowd is None
    # It is not asked for again, whatever else comes.
    for number in range(2 * MOST_SITES):
        mirror.take([instance(f"lamp-{number}")], NOW)
    assert mirror.take([instance("larkfield")], NOW).wanted == []


@pytest.mark.usefixtures("few")
def test_sites_that_were_removed_keep_no_site_out(hall: Announced) -> None:
    mirror = Mirror("mqtt://broker")
    mirror.begin(NOW)
    for number in range(3 * MOST):
        name = f"hall-{number}"
        assert asked(mirror.take([instance(name)], NOW)) == [name]
        mirror.take([described(hall, name)], NOW)
        assert list(mirror.sites) == [name]
        mirror.take([Incoming(f"homie/5/{name}/$state", b"", True)], NOW)
    assert mirror.crowd is None


@pytest.mark.usefixtures("few")
def test_where_one_is_removed_the_next_comes_in_and_the_alert_ends_with_the_last(hall: Announced) -> None:
    mirror = full(hall)
    crowd = mirror.crowd
    assert crowd is not None
    # By its state, and by its description.
    assert asked(mirror.take([Incoming("homie/5/hall-2/$state", b"", True)], NOW)) == ["hall-4"]
    mirror.take([described(hall, "hall-4")], NOW)
    assert list(mirror.sites) == ["hall-1", "hall-3", "hall-4"]
    assert mirror.crowd == crowd
    taken = mirror.take([Incoming("homie/5/hall-1/$description", b"", True)], NOW)
    assert asked(taken) == ["hall-5"]
    assert replace(crowd, over=True) in taken.records
    mirror.take([described(hall, "hall-5")], NOW)
    assert list(mirror.sites) == ["hall-3", "hall-4", "hall-5"]
    assert mirror.alerts() == []


@pytest.mark.usefixtures("few")
def test_one_that_goes_away_while_there_is_no_room_is_not_waited_for(hall: Announced) -> None:
    mirror = full(hall)
    mirror.take([Incoming("homie/5/hall-4/$description", b"", True)], NOW)
    assert len(mirror.alerts()) == 1
    assert asked(mirror.take([Incoming("homie/5/hall-2/$state", b"", True)], NOW)) == ["hall-5"]
    assert mirror.alerts() == []
    # The one that was asked goes away as well, and another one has come in: it is told anew.
    mirror.take([described(hall, "hall-6"), described(hall, "hall-5")], NOW)
    assert list(mirror.sites) == ["hall-1", "hall-3", "hall-6"]
    assert len(mirror.alerts()) == 1
    taken = mirror.take([Incoming("homie/5/hall-5/$description", b"", True)], NOW)
    assert [record for record in taken.records if isinstance(record, Alert) and record.over]
    assert mirror.alerts() == []


async def test_what_is_waited_for_at_a_site_that_is_removed_has_an_outcome_at_once(
    hall: Announced, monkeypatch: pytest.MonkeyPatch
) -> None:
    follower = Follower(BrokerSettings("127.0.0.1", 1), "Ada", any_protocol=False)
    follower.mirror = mirror_of(hall)
    monkeypatch.setattr(Follower, "connected", True)
    sites, origin = RemoteSites(follower), Origin(OriginKind.SCREEN, "Ada")
    waiting = asyncio.gather(
        sites.submit(Command("larkfield/mixer", "power-on", {}, origin)), sites.all_off("larkfield", origin)
    )
    await asyncio.sleep(0)
    follower._on_messages([Incoming("homie/5/larkfield/$state", b"", True)])
    # Without an end of its own it would be waited for 60 s: the test's own time is shorter.
    async with asyncio.timeout(25):
        outcome, off = await waiting
    assert {each.result for each in (outcome, *off)} == {Result.INTERRUPTED}
    assert "no word of it: nothing is known; it may have been carried out" in outcome.text
