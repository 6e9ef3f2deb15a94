"""``linewarden dash --web`` as a person calls it."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import socket
import sys
from pathlib import Path

import aiohttp
import pytest

from tests.controller.halls import until
from tests.tui.conftest import Desk
from tests.tui.web.hall import controlled, until_seen
from tui.web.address import WebAddress
from tui.web.serving import _tell

WITHOUT = """
import sys
sys.modules["textual_serve"] = None
from tui.cli import main
sys.exit(main(["dash", "--web", "--site", sys.argv[1], "--state", sys.argv[2]]))
"""
"""The command line where the extra is not installed: Python's own way to say that a module is not there."""


@pytest.mark.slow
async def test_what_stands_against_it_is_said_with_what_to_do(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    async with controlled(tmp_path / "hall") as (_, _, site, state):
        words = ("dash", "--web", "--site", str(site), "--state")
        said = await asyncio.to_thread(desk.run, *words, str(tmp_path / "elsewhere"))
        assert said.code == 1
        assert re.search(r"elsewhere: no controller runs here; start one with `linewarden run`", said.err)
        said = await asyncio.to_thread(desk.run, *words, str(state), "--web-address", "0.0.0.0:9000")
        assert said.code == 2
        assert "--web-address: '0.0.0.0:9000' stands for every address" in said.err
        said = await asyncio.to_thread(desk.run, "dash", "--web", "--broker", "mqtt://127.0.0.1:1")
        assert said.code == 2
        assert "--broker in a terminal" in said.err
        with socket.create_server(("127.0.0.1", 0)) as taken:
            place = f"127.0.0.1:{taken.getsockname()[1]}"
            said = await asyncio.to_thread(desk.run, *words, str(state), "--web-address", place)
        assert said.code == 1
        assert f"{place}: the dashboard can't be served there" in said.err
        assert "name another" in said.err


async def test_without_the_extra_it_says_how_to_get_it(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    async with controlled(tmp_path / "hall") as (_, _, site, state):
        done = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", WITHOUT, str(site), str(state)),
            cwd=tmp_path,
            env=desk.environment,
            stderr=asyncio.subprocess.PIPE,
        )
        _, said = await done.communicate()
    assert done.returncode == 1
    assert said.decode() == (
        "linewarden: linewarden dash --web: the dashboard in a browser needs a package that is not installed "
        "(textual_serve); install Linewarden with its extra web: pip install '.[web]' in the folder of its "
        "source\n"
    )


def test_beyond_loopback_there_is_a_caution(capsys: pytest.CaptureFixture[str]) -> None:
    _tell(WebAddress("127.0.0.1", 8321), "TOKEN", "Larkfield Hall")
    here = capsys.readouterr()
    assert here.err == ""
    assert "http://127.0.0.1:8321/TOKEN/" in here.out
    # An address that is kept for documents (RFC 5737).
    _tell(WebAddress("192.0.2.7", 8321), "TOKEN", "Larkfield Hall")
    there = capsys.readouterr()
    assert "caution: other machines can reach 192.0.2.7:8321" in there.err
    assert "TOKEN" not in there.err


def command_line(pid: int) -> str:
    """What everybody on this machine can read of a process."""
    return Path(f"/proc/{pid}/cmdline").read_text()


@pytest.mark.slow
@pytest.mark.timeout(180)
async def test_it_serves_until_it_is_ended_and_leaves_no_dashboard_behind(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    (tmp_path / "tui").mkdir()
    (tmp_path / "tui" / "__init__.py").write_text("raise SystemExit('not this one')")
    async with controlled(tmp_path / "a 'hall' $(id)") as (_, local, site, state):
        told = []
        for number, code in ((signal.SIGTERM, 0), (signal.SIGINT, 0), (signal.SIGKILL, -signal.SIGKILL)):
            words = ("--site", str(site), "--state", str(state), "--web-address", "localhost:0")
            # Called as it is installed: the folder it is started in is not on Python's path.
            server = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", "tui.cli", "dash", "--web", *words),
                cwd=tmp_path,
                env=desk.environment,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
            )
            assert server.stdout is not None
            line = (await server.stdout.readline()).decode()
            address = re.fullmatch(r"Larkfield Hall is at (http://(localhost:\d+)/(.*)/)\n", line)
            assert address is not None, line
            told.append(address[3])
            assert (await server.stdout.readline()).startswith(b"Whoever has this address can work the gear")
            assert address[3] not in command_line(server.pid)
            async with (
                aiohttp.ClientSession() as client,
                client.ws_connect(address[1] + "ws", headers={"Origin": f"http://{address[2]}"}) as visitor,
            ):
                await until_seen(visitor, "Larkfield Hall")
                assert len(local._front_ends) == 1
                os.kill(server.pid, number)
                await until(lambda: not local._front_ends)
            rest, _ = await server.communicate()
            assert rest == b""
            assert server.returncode == code
        assert len(set(told)) == 3
