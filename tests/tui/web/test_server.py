"""The served dashboard, asked over real sockets: who comes in at which route, and what a visit is."""

from __future__ import annotations

import asyncio
import json
import re
import signal
import sys
from pathlib import Path

import aiohttp
import pytest
from aiohttp import WSCloseCode, WSMsgType
from hypothesis import given
from hypothesis import strategies as st
from textual_serve.download_manager import DownloadManager
from yarl import URL

from controller.api import JournalQuery
from controller.records import Outcome, Result
from tests.controller.halls import PATIENCE, Watch, until
from tests.tui.web.hall import TOKEN, served, until_seen
from tui.web.visit import Visit, cells

STATIC = ("page.css", "page.js", "js/textual.js", "css/xterm.css", "fonts/RobotoMono-VariableFont_wght.ttf")


async def test_every_route_is_behind_the_door(tmp_path: Path) -> None:
    async with served(tmp_path) as hall:
        routes = [resource.canonical for resource in hall.server.application().router.resources()]
        assert len(routes) == 4
        paths = [
            route.format(token=token, name="page.js")
            for route in routes
            for token in ("wrong", TOKEN[:-1], TOKEN + "x")
        ]
        # Where textual-serve itself has its routes, and where nothing is.
        paths += ["/", "/ws", "/static/js/textual.js", "/static/", "/download/x", "/nothing"]
        own = {"Origin": hall.base}
        assert {path: (await hall.get(path, **own))[0] for path in paths} == dict.fromkeys(paths, 403)
        # With the token, but by a foreign name, and from a foreign page.
        right = [f"/{TOKEN}{rest}" for rest in ("", "/", "/ws", "/download/x", "/static/page.js", "/nothing")]
        for headers in ({"Host": "evil.example"}, {"Origin": "http://evil.example"}):
            assert {(await hall.get(path, **headers))[0] for path in right} == {403}
        assert hall.local._front_ends == set()


async def test_with_the_token_there_is_a_page_that_fetches_nothing_from_elsewhere(tmp_path: Path) -> None:
    async with served(tmp_path) as hall:
        status, page = await hall.get(f"/{TOKEN}/")
        assert status == 200
        assert "Larkfield &lt;Hall&gt; - Linewarden" in page
        assert re.findall(r"\w+://[^\"]*", page) == [f"ws{hall.base.removeprefix('http')}/{TOKEN}/ws"]
        fetched = re.findall(r"(?:src|href)=\"([^\"]*)\"", page)
        needed = [f"static/{name}" for name in STATIC if not name.startswith("fonts")]
        assert sorted(fetched) == sorted([*needed, "data:,"])
        for name in STATIC:
            assert (await hall.client.get(f"{hall.page}static/{name}")).status == 200
        for name in ("", "js/", "..%2fserver.py", "%2fetc%2fhostname", "images/background.png"):
            assert (await hall.get(URL(f"{hall.page}static/{name}", encoded=True)))[0] == 404
        assert (await hall.get(f"/{TOKEN}"))[0] == 302
        # No files are handed out: textual-serve's route for them is not there.
        assert (await hall.get(f"/{TOKEN}/download/unknown"))[0] == 404
        async with hall.client.post(hall.page) as answer:
            assert answer.status == 405
            headers = answer.headers
        # Content Security Policy Level 3, sections 6.1 and 6.4.2; Referrer Policy, section 3.1.
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["Cache-Control"] == "no-store"


@pytest.mark.slow
async def test_a_visitor_sees_the_hall_and_works_it_and_only_so_many_come_in(tmp_path: Path) -> None:
    async with served(tmp_path, most=1) as hall:
        address, own = f"{hall.page}ws?width=110&height=40", {"Origin": hall.base}
        for headers in ({}, {"Origin": "http://evil.example"}, {**own, "Host": "evil.example"}):
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await hall.client.ws_connect(address, headers=headers)
            assert refused.value.status == 403
        async with hall.client.ws_connect(address, headers=own) as visitor:
            # The cautions come first, the hall is behind them.
            await until_seen(visitor, "Larkfield Hall", "Stage mixer")
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await hall.client.ws_connect(address, headers=own)
            assert refused.value.status == 503
            status, text = await hall.get(f"/{TOKEN}/")
            assert status == 503
            assert "close one" in text
            await visitor.send_str('["ping", "7"]')
            await until_seen(visitor, '["pong", "7"]')
            await visitor.send_json(["stdin", "\r"])
            await until_seen(visitor, "Stage mixer")
            watch = Watch(hall.controller)
            for keys in ("1", "o"):
                await visitor.send_json(["stdin", keys])
            await until(lambda: watch.of(Outcome))
            await watch.end()
        assert [outcome.result for outcome in watch.of(Outcome)] == [Result.CONFIRMED]
        entries = await hall.controller.journal(JournalQuery(limit=5))
        assert [(each.command.unit, each.command.origin.name.split(", ")[1]) for each in entries] == [
            ("mixer", "in a browser")
        ]
        # Its process has ended, and somebody else may come in.
        await until(lambda: not hall.local._front_ends and hall.server._visits == 0)
        for last, code in (('["stdin", "\\u0011"]', WSCloseCode.OK), ("who?", WSCloseCode.UNSUPPORTED_DATA)):
            async with hall.client.ws_connect(address, headers=own) as visitor:
                # Half a sign, and a screen of no or of endless size, are put right and no reason to end.
                await visitor.send_str('["resize", {"width": -5, "height": 100000000}]')
                await visitor.send_str('["resize", {"width": 110, "height": 40}]')
                await visitor.send_str('["stdin", "\\ud800"]')
                await until_seen(visitor, "Larkfield Hall", "Stage mixer")
                await visitor.send_json(["stdin", "\r"])
                await until_seen(visitor, "Stage mixer")
                await visitor.send_str(last)
                assert await closed(visitor) == code
            await until(lambda: hall.server._visits == 0)


async def closed(visitor: aiohttp.ClientWebSocketResponse) -> int | None:
    """Read until the other end closes; gives its code."""
    async with asyncio.timeout(PATIENCE):
        while (message := await visitor.receive()).type is not WSMsgType.CLOSE:
            assert message.type in (WSMsgType.BINARY, WSMsgType.TEXT)
    return visitor.close_code


async def _nobody(_: object = None) -> None:
    raise AssertionError("nothing is to be sent")


def idle_visit(*program: str) -> Visit:
    """A visit whose browser is to hear nothing."""
    return Visit(
        program, write_bytes=_nobody, write_str=_nobody, close=_nobody, download_manager=DownloadManager()
    )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "no JSON",
        "[" * 100_000,
        "9" * 10_000,
        "null",
        "{}",
        "[]",
        '["stdin"]',
        '["stdin", 5]',
        '["resize", {"width": "80", "height": 24}]',
        '["resize", {"width": 80.5, "height": 24}]',
        '["resize", {"width": 80}]',
        '["quit", null]',
    ],
)
async def test_what_no_page_of_ours_says_is_not_taken(text: str) -> None:
    assert await idle_visit().hear(text) is None


@given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(), st.lists, max_leaves=8))
async def test_any_other_message_is_answered_or_not_taken(value: object) -> None:
    answer = await idle_visit().hear(json.dumps(value))
    assert answer is None or (isinstance(value, list) and value[0] == "ping")


@pytest.mark.parametrize(("asked", "held"), [(80, 80), (0, 1), (-5, 1), (10**9, 1000)])
def test_a_screen_has_a_size_that_a_screen_can_have(asked: int, held: int) -> None:
    assert cells(asked) == held


@pytest.mark.slow
async def test_a_dashboard_that_does_not_end_when_asked_is_killed() -> None:
    visit = idle_visit(sys.executable, "-c", "import time; time.sleep(60)")
    await visit.start(80, 24)
    process = visit._process
    assert process is not None
    await visit.stop()
    assert process.returncode == -signal.SIGKILL


@pytest.mark.slow
async def test_a_visitor_who_finds_no_controller_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with served(tmp_path) as hall:
        await hall.local.close()
        async with hall.client.ws_connect(f"{hall.page}ws", headers={"Origin": hall.base}) as visitor:
            assert await closed(visitor) == WSCloseCode.OK
        await until(lambda: hall.server._visits == 0)
    assert "linewarden: a visitor's dashboard: " in capsys.readouterr().out
