"""The dashboard over a real Mosquitto: two controllers behind it, worked by keys."""

from __future__ import annotations

import asyncio
import contextlib
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from textual.widgets import OptionList, Static

from controller.api import JournalQuery, SiteView
from controller.mqtt_settings import BrokerSettings, Protocol
from controller.records import Alert, Command, Event, Known, Origin, OriginKind, Reason, Result
from controller.simulator.registry import stop_all
from profiles.errors import BrokerError, ControllerError, LocalOnly, NotKnown
from tests.controller.mqtt.hall import hall_at
from tests.peers.mosquitto import Mosquitto, publish, watching
from tests.tui.remote.announced import Announced
from tests.tui.remote.two_sites import HALL, dashboard_at, two_sites
from tui.messages import RecordsCame
from tui.remote.local_only import LocalOnlyCalls
from tui.remote.site_mirror import CHANGED
from tui.remote.sites import RemoteSites
from tui.screens.help import HelpScreen
from tui.screens.local_only import LocalOnlyScreen
from tui.screens.sheets import AskSheet
from tui.screens.traffic import TrafficScreen
from tui.screens.units import UnitsScreen

pytestmark = pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub")

SEQUENCES = """
[sequences.evening]
title = "Evening"
up = [{ unit = "mixer", action = "power-on" }, { unit = "mixer", action = "mute-off" }]

[sequences.foyer]
up = [{ unit = "foyer-amp", action = "power-on" }]
"""
ORIGIN = Origin(OriginKind.SCREEN, "Ada")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """Mosquitto, open to everybody on loopback; no simulated line outlives it."""
    with Mosquitto(tmp_path / "mosquitto") as found:
        yield found
    stop_all()


@pytest.mark.parametrize("protocol", ["5", pytest.param("3.1.1", marks=pytest.mark.slow)])
async def test_both_sites_are_found_shown_together_and_switched(
    broker: Mosquitto, tmp_path: Path, protocol: Protocol
) -> None:
    async with two_sites(replace(broker.settings, protocol=protocol), tmp_path) as found:
        b = found.bench
        await b.until(lambda: "mill/sound" in b.words)
        assert "larkfield/sound  ring of 2" in b.words
        assert "2 sites at mqtt://127.0.0.1" in b.text("#top")
        await b.until(lambda: "Mill House answers in" in b.text("#links"), "the round trip")
        await b.press("1", "o")
        await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        await b.until(lambda: "power-on: confirmed" in b.text("#detail"))
        await b.until(lambda: " ms, command " in b.text("#links"))
        # The other site's mixer is another one, and asks; the yes goes with the command.
        assert found.state("mill/mixer") == (None, Known.UNKNOWN)
        await b.press("3", "o")
        await b.until(lambda: isinstance(b.app.screen, AskSheet))
        await b.press("y")
        await b.until(lambda: found.state("mill/mixer") == (True, Known.CONFIRMED))
        (entry,) = await found.halls[1].controller.journal(JournalQuery())
        assert (entry.command.origin.kind, entry.command.origin.name) == (OriginKind.MQTT, "Ada")
        # Its site lets the amplifier be told only some of what the profile has.
        await b.press("2", "o")
        await b.until(lambda: any("takes no power-on from here" in text for text in b.told))
        await b.press("X")
        await b.until(lambda: found.state("mill/mixer") == (False, Known.CONFIRMED))
        assert found.state("larkfield/foyer-amp") == (False, Known.CONFIRMED)
        await b.until(lambda: any("4 of 4 orders to go off" in text for text in b.told))


@pytest.mark.slow
async def test_a_broken_chain_is_told_as_it_is_there(broker: Mosquitto, tmp_path: Path) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        b = found.bench
        await found.halls[1].controller.simulate("sound", "cut 2")
        await b.press("4", "f")
        await b.until(lambda: "the ring is open" in b.words, "the broken ring")
        await b.until(lambda: "mill/sound" in b.text("#alerts"))
        assert "look at" in b.text("#alerts")
        await b.until(lambda: "standby: failed (no-echo)" in b.text("#detail"))
        await found.halls[1].controller.simulate("sound", "clear all")
        await b.press("f")
        await b.until(lambda: "the ring is open" not in b.words)
        await b.until(lambda: not b.app.model.alerts)


@pytest.mark.slow
async def test_a_lock_is_set_holds_and_is_cleared_on_the_spot_only(broker: Mosquitto, tmp_path: Path) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        b = found.bench
        await b.press("1", "l", "enter", *"fuse", "enter")
        await b.until(lambda: "locked by Ada (claimed, over MQTT)" in b.words, "the lock")
        await b.press("o")
        await b.until(lambda: "refused (locked)" in b.text("#detail"))
        await b.press("u")
        await b.until(lambda: b.app.screen.query(OptionList))
        said = " ".join(str(static.render()) for static in b.app.screen.query(Static))
        assert "Local only. A lock is cleared on the spot" in said
        await b.press("enter")
        await b.until(lambda: any("linewarden unlock" in text for text in b.told))
        (lock,) = await found.halls[0].controller.locks()
        assert await found.halls[0].controller.unlock(lock.id)
        await b.until(lambda: "locked by" not in b.words)
        with pytest.raises(ControllerError, match=r"does not stand.*nobody"):
            await found.sites.lock("larkfield/nobody", "Ada", "fuse")


@pytest.mark.slow
async def test_what_is_local_only_says_so_where_it_would_be(broker: Mosquitto, tmp_path: Path) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        b = found.bench
        for key, says in (
            ("f4", "Profiles: local only"),
            ("f5", "Journal: local only"),
            ("f6", "Simulator: local only"),
        ):
            await b.press(key)
            await b.until(lambda: isinstance(b.app.screen, LocalOnlyScreen))
            assert says in b.text("#said-why")
            assert "controller's own machine" in b.text("#said-why")
            await b.press("escape")
            await b.until(lambda: isinstance(b.app.screen, UnitsScreen))
        await b.press("question_mark")
        await b.until(lambda: isinstance(b.app.screen, HelpScreen))
        said = " ".join(str(static.render()) for static in b.app.screen.query(Static))
        assert "reaches its controllers through a broker" in said
        assert "no emergency stop" in said
        await b.press("escape")
        for key in ("equals_sign", "p"):
            await b.press("1", key)
            await b.until(lambda: not isinstance(b.app.screen, UnitsScreen))
            said = " ".join(str(static.render()) for static in b.app.screen.query(Static))
            assert "Local only." in said
            await b.press("escape")


@pytest.mark.slow
@pytest.mark.parametrize("size", [(20, 5), (40, 10), (200, 60)])
async def test_any_size_can_be_worked_with(broker: Mosquitto, tmp_path: Path, size: tuple[int, int]) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        b = found.bench
        await b.pilot.resize_terminal(*size)
        for key in ("f3", "f4", "f5", "f6", "f8", "f2"):
            await b.press(key)
            await b.pilot.pause()
        await b.press("1", "o")
        await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        broker.kill()
        await b.until(lambda: found.state("larkfield/mixer") == (None, Known.UNKNOWN))
        await b.pilot.resize_terminal(80, 24)
        await b.until(lambda: "broker out of reach" in b.words)
        assert isinstance(b.app.screen, UnitsScreen)


async def test_calls_that_mqtt_does_not_carry_say_why() -> None:
    calls = LocalOnlyCalls()
    for call in (
        calls.cancel("c"),
        calls.journal(JournalQuery()),
        calls.unlock("l"),
        calls.presume("a/b", "power", True, ORIGIN),
        calls.profile("pellgate-chain"),
        calls.put_profile("pellgate-chain", "", ""),
        calls.probe("a/b"),
        calls.simulate("a/b", "show"),
    ):
        with pytest.raises(LocalOnly, match=r".+; .+"):
            await call


@pytest.mark.slow
async def test_traffic_is_asked_for_while_it_is_looked_at(broker: Mosquitto, tmp_path: Path) -> None:
    async with (
        watching(broker, "homie/5/larkfield/bus-sound/watch/set") as watcher,
        two_sites(broker.settings, tmp_path) as found,
    ):
        b = found.bench
        await b.press("1", "o")
        await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        topic = "homie/5/larkfield/bus-sound/watch/set"
        assert [each for each in watcher.all(topic) if each != b"here"] == []
        assert len(b.app.traffic) == 0
        await b.press("f3")
        await b.until(lambda: isinstance(b.app.screen, TrafficScreen))
        await watcher.until(lambda: watcher.newest(topic) == b"PT10S")
        await found.halls[0].controller.submit(Command("mixer", "standby", origin=ORIGIN))
        await b.until(lambda: len(b.app.traffic) > 0, "the traffic")
        saying = b.app.traffic[0]
        assert (saying.bus, saying.meaning) == ("larkfield/sound", "standby → mixer")
        assert len(saying.data) == 4


@pytest.mark.slow
async def test_a_site_that_comes_later_is_shown_and_one_that_stops_says_so(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with dashboard_at(broker.settings) as found:
        b = found.bench
        await b.until(lambda: "no Linewarden controller" in b.text("#alerts"), "a word on who is there")
        async with hall_at(broker.settings, tmp_path / "hall", HALL):
            await b.until(lambda: "larkfield/sound  ring of 2" in b.words, "the site")
            await b.until(lambda: not b.app.model.alerts)
            await b.press("1", "o")
            await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        await b.until(lambda: "controller stopped" in b.words)
        assert "power ? unknown, was on" in b.words
        await b.press("f")
        await b.until(lambda: "not sent: controller stopped" in b.text("#detail"))
        await b.press("X")
        await b.until(lambda: any("0 of 2 orders to go off" in text for text in b.told))
        assert any("Larkfield Hall: controller stopped" in text for text in b.told)


@pytest.mark.slow
async def test_sites_that_come_by_the_hundred_are_read_together(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with dashboard_at(broker.settings) as found:
        reads = 0
        read = RemoteSites.site

        async def counted(sites: RemoteSites) -> SiteView:
            nonlocal reads
            reads += 1
            return await read(sites)

        monkeypatch.setattr(RemoteSites, "site", counted)
        app = found.bench.app
        for number in range(200):
            app.post_message(RecordsCame([Event(f"hall-{number}", None, CHANGED, 0.0)]))
        app.post_message(RecordsCame([Alert("last", "hall-199", 0.0, "the last of them")]))
        await found.bench.until(lambda: "last" in app.model.alerts and reads > 0)
        assert reads < 100


async def test_a_unit_that_is_not_there(broker: Mosquitto, tmp_path: Path) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        with pytest.raises(NotKnown, match="no site 'nowhere'"):
            await found.sites.submit(Command("nowhere/mixer", "power-on"))
        outcome = await found.sites.submit(Command("larkfield/sound", "standby"))
        assert (outcome.result, outcome.took_ms) == (Result.REFUSED, None)
        assert "single units" in outcome.text


async def test_a_broker_that_is_not_there_is_an_error_of_the_call(broker: Mosquitto) -> None:
    broker.kill()
    with pytest.raises(BrokerError, match="can't be reached"):
        await RemoteSites.connect(broker.settings)


@pytest.mark.slow
async def test_a_sequence_is_begun_and_watched(broker: Mosquitto, tmp_path: Path) -> None:
    async with (
        hall_at(broker.settings, tmp_path / "hall", HALL + SEQUENCES) as hall,
        dashboard_at(broker.settings, [hall]) as found,
    ):
        b = found.bench
        await b.press("f8")
        await b.until(lambda: b.app.screen.query("#sequence-list"))
        entries = b.app.screen.query_one("#sequence-list", OptionList)
        await b.until(lambda: entries.option_count == 2)
        assert "triggers are shown where the controller runs" in b.text("#trigger-lines")
        await b.press("o")
        await b.until(lambda: found.state("larkfield/mixer", "mute") == (False, Known.CONFIRMED))
        await b.until(lambda: "✓" in b.text("#step-lines"), "the steps")
        # The other one's unit takes no such thing over MQTT.
        await b.press("down", "o")
        await b.until(lambda: any("over MQTT" in text for text in b.told))
        assert (await hall.controller.states())["foyer-amp"]["power"].value is None


@pytest.mark.slow
async def test_a_broker_that_dies_is_said_within_two_seconds_and_all_comes_back(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async with two_sites(broker.settings, tmp_path) as found:
        b = found.bench
        await b.press("1", "o")
        await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED))
        for _ in range(3):
            broker.kill()
            async with asyncio.timeout(2.0):
                await b.until(lambda: "broker out of reach" in b.words)
            assert "broker out of reach" in b.text("#top")
            assert found.state("larkfield/mixer") == (None, Known.UNKNOWN)
            await b.press("1", "f")
            await b.until(lambda: "not sent: the broker is out of reach" in b.text("#detail"))
            broker.start()
            await b.until(lambda: found.state("larkfield/mixer") == (True, Known.CONFIRMED), "all of it")
            await b.until(lambda: not b.app.model.alerts, "the end of its alert")
            await b.until(lambda: not b.app.model.away, "both sites")
            assert "out of reach" not in b.text("#top")
        # What was pressed while it was away was never carried out.
        entries = await found.halls[0].controller.journal(JournalQuery())
        assert [entry.command.action for entry in entries] == ["power-on"]


@pytest.mark.slow
async def test_switching_off_of_which_no_word_comes_is_not_said_to_be_refused(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tui.remote.sites._OFF_WITHIN", 0.2)
    for each in Announced(tmp_path).whole():
        await asyncio.to_thread(publish, broker, each.topic, each.payload, "-r", "-q", "1")
    await asyncio.to_thread(publish, broker, "homie/5/larkfield/controller/instance", b"1", "-r", "-q", "1")
    async with await RemoteSites.connect(broker.settings, any_protocol=False) as sites:
        found = sites.mirror.sites
        assert await sites._follower.until(
            lambda: ("larkfield" in found and found["larkfield"].ready) or None, 60
        )
        outcomes = await sites.all_off(None, ORIGIN)
    assert {outcome.result for outcome in outcomes} == {Result.INTERRUPTED}
    assert "no word of it came back within 0.2 s; it may have been carried out or not" in outcomes[0].text


@contextlib.contextmanager
def broker_with_rights(folder: Path, anybody: str) -> Iterator[tuple[BrokerSettings, BrokerSettings]]:
    """A broker with an access list; gives what anybody, and what the site itself connects with."""
    access = folder / "access"
    access.write_text(f"topic read #\n{anybody}user site\ntopic readwrite #\n")
    access.chmod(0o600)
    passwords = folder / "passwords"
    passwords.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(passwords), "site", "word"], check=True)
    config = ("allow_anonymous true", f"acl_file {access}", f"password_file {passwords}")
    with Mosquitto(folder / "mosquitto", config) as broker:
        yield broker.settings, replace(broker.settings, user="site", secret="word")


@pytest.mark.slow
async def test_who_may_only_read_is_told_that_nothing_is_sent(tmp_path: Path) -> None:
    with broker_with_rights(tmp_path, "") as (anybody, with_rights):
        async with (
            hall_at(with_rights, tmp_path / "hall", HALL) as hall,
            dashboard_at(anybody, [hall]) as found,
        ):
            b = found.bench
            await b.until(lambda: "larkfield/sound" in b.words)
            await b.press("1", "o")
            await b.until(lambda: "broker's access list forbids it" in b.text("#detail"))
            with pytest.raises(ControllerError, match="access list forbids it"):
                await found.sites.lock("larkfield/mixer", "Ada", "fuse")
            await b.until(lambda: "has not answered for" in b.text("#links"), "the silence")
            assert await hall.controller.journal(JournalQuery()) == []
    stop_all()


@pytest.mark.slow
async def test_who_has_rights_to_units_only_still_gets_them_off(tmp_path: Path) -> None:
    with broker_with_rights(tmp_path, "topic write homie/5/larkfield-mixer/#\n") as (anybody, with_rights):
        async with (
            hall_at(with_rights, tmp_path / "hall", HALL) as hall,
            dashboard_at(anybody, [hall]) as found,
        ):
            b = found.bench
            await b.until(lambda: "larkfield/sound" in b.words)
            # A refusal at one topic is no refusal at another: both are out at the same time.
            both = [Command(f"larkfield/{unit}", "power-on", {}, ORIGIN) for unit in ("hall-amp", "mixer")]
            refused, taken = await asyncio.gather(*(found.sites.submit(command) for command in both))
            assert (refused.result, refused.reason) == (Result.REFUSED, Reason.NOT_ALLOWED)
            assert taken.result is Result.CONFIRMED
            results = [outcome.result for outcome in await found.sites.all_off("larkfield/sound", ORIGIN)]
            assert sorted(results) == [Result.CONFIRMED, Result.REFUSED]
            (off, _) = await hall.controller.journal(JournalQuery())
            assert (off.command.unit, off.command.action) == ("mixer", "standby")
    stop_all()
