"""Many sites at one broker, as docs/scale.md has it: who reaches what, and a bridge from a site's own broker.

The access list and the bridge are taken from that page, as they stand there.
"""

from __future__ import annotations

import asyncio
import json
import re
import subprocess
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming
from controller.mqtt_settings import BrokerSettings
from controller.records import Known, StateValue
from tests.controller.mqtt.hall import SITE, Hall, hall_at
from tests.peers.mosquitto import Mosquitto, free_port, publish
from tui.remote.following import Follower

pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(180),
    pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub", "mosquitto_passwd"),
]

PAGE = Path(__file__).parents[3] / "docs" / "scale.md"
USERS = ("larkfield-hall", "mill-house", "dashboard", "larkfield-panel")
HALL = SITE.replace('"larkfield"', '"larkfield-hall"').replace("topology=ring", "topology=ring&name=hall")
MILL = SITE.replace('"larkfield"', '"mill-house"').replace("topology=ring", "topology=ring&name=mill")
SECRET = "word"
ANSWERS = "linewarden/larkfield-hall/response/panel"


def shown(kind: str) -> str:
    """What the page shows in its block of that kind."""
    found = re.search(rf"^```{kind}\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE)
    assert found is not None
    return found[1]


def central(folder: Path) -> Mosquitto:
    """The broker that all share: nobody without a name, and each with the rights that the page gives."""
    folder.mkdir()
    access, passwords = folder / "access", folder / "passwords"
    access.write_text(shown("acl"), encoding="utf-8")
    access.chmod(0o600)
    passwords.touch(mode=0o600)
    for user in USERS:
        subprocess.run(
            ["mosquitto_passwd", "-b", str(passwords), user, SECRET], check=True, capture_output=True
        )
    config = ("allow_anonymous false", f"acl_file {access}", f"password_file {passwords}")
    return Mosquitto(folder / "central", config)


def as_user(broker: Mosquitto, user: str) -> BrokerSettings:
    """How a user reaches it."""
    return replace(broker.settings, user=user, secret=SECRET)


async def send(broker: Mosquitto, user: str, topic: str, payload: str, *options: str) -> None:
    """Publish as a user; a broker refuses without a word to the command line."""
    who = ("-u", user, "-P", SECRET, "-V", "5", "-q", "1", *options)
    await asyncio.to_thread(publish, broker, topic, payload, *who)


@asynccontextmanager
async def all_known(follower: Follower, sites: int) -> AsyncIterator[None]:
    """A dashboard that knows so many sites whole."""
    await follower.begin()
    try:

        def whole() -> bool | None:
            return sum(s.ready and s.described for s in follower.mirror.sites.values()) == sites or None

        assert await follower.until(whole, 120)
        yield
    finally:
        await follower.close()


async def until(found: Callable[[], object]) -> None:
    """Wait for what time alone may bring about."""
    async with asyncio.timeout(120):
        while not found():  # noqa: ASYNC110 -- nothing tells of it
            await asyncio.sleep(0.1)


def silent_for(dashboard: Follower) -> float | None:
    """For how long the hall has not answered."""
    return dashboard.trips.silent_for("larkfield-hall", dashboard.clock())


def mixer(dashboard: Follower) -> dict[str, StateValue]:
    """The states of the hall's mixer, as the dashboard has them."""
    return dashboard.mirror.sites["larkfield-hall"].states["mixer"]


async def power(follower: Follower, site: str) -> object:
    """Whether a site's mixer is on, as the dashboard has it, once that is known."""
    known = await follower.until(
        lambda: (
            state
            if (state := follower.mirror.sites[site].states["mixer"]["power"]).known is not Known.UNKNOWN
            else None
        ),
        120,
    )
    assert known is not None
    return known.value


async def test_each_site_and_each_user_reaches_what_is_its_own(tmp_path: Path) -> None:
    with central(tmp_path / "broker") as broker:
        async with AsyncExitStack() as stack:
            halls: list[Hall] = [
                await stack.enter_async_context(hall_at(as_user(broker, site), tmp_path / site, text))
                for site, text in (("larkfield-hall", HALL), ("mill-house", MILL))
            ]
            dashboard = Follower(as_user(broker, "dashboard"), "Ada", any_protocol=False)
            await stack.enter_async_context(all_known(dashboard, 2))
            # One site's user speaks neither for another site nor for its units, and commands none of them.
            for topic in ("homie/5/mill-house/$state", "homie/5/mill-house-mixer/$state"):
                await send(broker, "larkfield-hall", topic, "lost", "-r")
            wrong = "homie/5/mill-house-mixer/state/power/set"
            for user in ("larkfield-hall", "larkfield-panel"):
                await send(broker, user, wrong, "true")
                await send(broker, user, "homie/5/mill-house/site/off/set", "all")
            await send(broker, "larkfield-panel", "homie/5/larkfield-hall/locks/lock/set", "{}")
            # What is a user's own is carried out, and comes after all that on the same broker.
            await send(broker, "larkfield-panel", "homie/5/larkfield-hall-mixer/state/power/set", "true")
            assert await power(dashboard, "larkfield-hall") is True
            await send(broker, "dashboard", "homie/5/mill-house-mixer/state/power/set", "false")
            assert await power(dashboard, "mill-house") is False
            assert all(site.ready for site in dashboard.mirror.sites.values())
            counted = [await hall.controller.buses() for hall in halls]
            assert [bus.counters["actions"] for (bus,) in counted] == [1, 1]
            assert [await hall.controller.locks() for hall in halls] == [[], []]


async def test_a_site_with_a_broker_of_its_own_is_worked_through_a_bridge(tmp_path: Path) -> None:
    with central(tmp_path / "broker") as above:
        own = Mosquitto(tmp_path / "own", _bridged(above), free_port())
        own.start()
        dashboard = Follower(as_user(above, "dashboard"), "Ada", any_protocol=False)
        try:
            async with hall_at(own.settings, tmp_path / "hall", HALL) as hall, all_known(dashboard, 1):
                answers: list[Incoming] = []
                panel = await Connection.open(as_user(above, "larkfield-panel"), "panel", answers.extend)
                await panel.subscribe([ANSWERS])
                await send(
                    above,
                    "larkfield-panel",
                    "homie/5/larkfield-hall-mixer/state/power/set",
                    "true",
                    *("-D", "publish", "response-topic", ANSWERS, "-D", "publish", "correlation-data", "42"),
                )
                assert await power(dashboard, "larkfield-hall") is True
                # MQTT 5 carries across the bridge what says whose answer it is.
                await until(lambda: answers)
                await panel.close()
                assert [each.correlation for each in answers] == [b"42"]
                assert json.loads(answers[0].payload)["result"] == "confirmed"
                # The site's own broker is gone: the one above still has "ready", and nobody answers.
                own.kill()
                await until(lambda: silent_for(dashboard) is not None)
                assert dashboard.mirror.sites["larkfield-hall"].ready
                # A command of that time is not kept for later: the bridge's session is a clean one.
                await send(above, "dashboard", "homie/5/larkfield-hall-mixer/state/power/set", "false")
                own.start()
                await until(lambda: silent_for(dashboard) is None)
                await send(above, "dashboard", "homie/5/larkfield-hall-mixer/state/volume/set", "20")
                await until(lambda: mixer(dashboard)["volume"].value == 20)
                (bus,) = await hall.controller.buses()
                assert bus.counters["actions"] == 2
                assert mixer(dashboard)["power"].value is True
        finally:
            own.stop()


def _bridged(above: Mosquitto) -> list[str]:
    """The page's bridge, without the TLS that only a broker elsewhere has."""
    lines = shown("bridge").replace("central.example:8883", f"127.0.0.1:{above.port}").replace("...", SECRET)
    kept = [line for line in lines.splitlines() if not line.startswith(("#", "bridge_cafile"))]
    return ["allow_anonymous true", *kept]
