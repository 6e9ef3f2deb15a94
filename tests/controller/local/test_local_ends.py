"""The controller's end of the local socket: slow and dead front ends, too many of them, and the end."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from pathlib import Path

import pytest

from controller.local import LocalServer
from controller.records import Command, Event, to_json
from controller.state_folder import Claim
from profiles.errors import ControllerError
from tests.controller.local.conftest import Line
from tests.controller.small_controller import SmallController

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="there are no Unix sockets")


async def test_a_front_end_that_reads_nothing_slows_nobody_and_is_told_what_it_missed(
    line: Line, folder: Path, controller: SmallController
) -> None:
    line.write({"id": 1, "call": "subscribe"})
    await line.ask({"id": 2, "call": "locks"})
    line.take_nothing()
    other = await Line.to(folder)
    published = 30_000
    for number in range(published):
        controller.fanout.publish(Event("hall", None, "seen", float(number), {"text": "x" * 50}))
        if number % 100 == 0:
            assert await other.ask({"id": number, "call": "locks"}) == {"id": number, "result": []}
    controller.fanout.close()
    line.take_again()
    expected = 0
    lost = 0
    while "record" in (document := await line.read()):
        record = document["record"]
        if record["kind"] == "Lost":
            lost += record["count"]
            expected += record["count"]
        else:
            assert record["at"] == expected
            expected += 1
    assert expected == published
    assert lost > 0
    await other.close()


async def test_a_front_end_that_takes_nothing_for_too_long_is_cut_off(
    controller: SmallController, folder: Path
) -> None:
    with Claim(folder) as claim:
        async with LocalServer(controller, claim, patience_s=0.05) as server:
            line = await Line.to(folder)
            line.take_nothing()
            line.write({"id": 1, "call": "subscribe"})
            number = 0
            while server._front_ends:
                controller.fanout.publish(Event("hall", None, "seen", float(number), {"text": "x" * 5000}))
                number += 1
                await asyncio.sleep(0)
            assert number > 200
            line.writer.transport.abort()


async def test_all_off_comes_through_from_a_front_end_that_reads_nothing(
    line: Line, controller: SmallController
) -> None:
    line.write({"id": 1, "call": "subscribe"})
    await line.ask({"id": 2, "call": "locks"})
    line.take_nothing()
    for number in range(3000):
        controller.fanout.publish(Event("hall", None, "seen", float(number), {"text": "x" * 3000}))
        await asyncio.sleep(0)
    outcomes = controller.fanout.subscribe(frozenset({"Outcome"}))
    line.write({"id": 3, "call": "all_off", "arguments": {"scope": None, "origin": {"kind": "screen"}}})
    await anext(outcomes)
    assert {entry.command.unit for entry in controller.entries.values()} <= {"foyer-amp", "stage-lift"}
    assert controller.entries


async def test_a_front_end_too_many_is_told_so(server: LocalServer, folder: Path) -> None:
    lines = [await Line.to(folder) for _ in range(64)]
    reader, writer = await asyncio.open_unix_connection(folder / "controller.socket")
    answer = json.loads(await reader.readuntil())
    assert answer["error"]["what"] == "too many front ends are connected"
    assert await reader.read() == b""
    writer.close()
    for line in lines:
        await line.close()


# The end


async def test_closing_lets_calls_end_and_then_cuts_off(
    server: LocalServer, line: Line, controller: SmallController, folder: Path
) -> None:
    controller.may_end.clear()
    command = to_json(Command("foyer-amp", "power-on", id="1"))
    line.write({"id": 1, "call": "submit", "arguments": {"command": command}})
    await controller.begun.wait()
    closing = asyncio.create_task(server.close(grace_s=30))
    await asyncio.sleep(0)
    assert not (folder / "controller.socket").exists()
    controller.may_end.set()
    assert (await line.read())["result"]["result"] == "confirmed"
    assert await line.reader.read() == b""
    await closing
    await server.close()


async def test_closing_waits_for_no_call_for_ever(
    server: LocalServer, line: Line, controller: SmallController
) -> None:
    controller.may_end.clear()
    command = to_json(Command("foyer-amp", "power-on", id="1"))
    line.write({"id": 1, "call": "submit", "arguments": {"command": command}})
    line.write({"id": 2, "call": "subscribe"})
    await controller.begun.wait()
    await server.close(grace_s=0.01)
    rest = await line.reader.read()
    assert b"confirmed" not in rest


@pytest.mark.skipif(os.name != "posix", reason="file modes mean nothing elsewhere")
def test_the_socket_is_its_owners_only(server: LocalServer, folder: Path) -> None:
    assert folder.stat().st_mode & 0o777 == 0o700
    assert (folder / "controller.socket").stat().st_mode & 0o777 == 0o600


async def test_a_state_folder_that_takes_no_socket_is_told(controller: SmallController, folder: Path) -> None:
    with Claim(folder) as claim:
        (folder / "controller.socket").mkdir()
        server = LocalServer(controller, claim)
        with pytest.raises(ControllerError, match="can't listen for front ends"):
            await server.start()
        await server.close()
