"""The front end's end of the local socket: the Controller API as if it were in this process."""

from __future__ import annotations

import asyncio
import inspect
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from controller.api import ControllerApi, JournalEntry, JournalQuery
from controller.local import LocalServer
from controller.local_client import LocalClient
from controller.local_wire import error_from_plain
from controller.records import (
    Command,
    Event,
    Known,
    Lock,
    Lost,
    Origin,
    OriginKind,
    Outcome,
    Reason,
    Result,
    StateValue,
)
from controller.sequences_records import SequenceOrder
from controller.state_folder import Claim
from profiles.errors import (
    ControllerAway,
    ControllerError,
    ControllerRuns,
    FileFaults,
    InputError,
    NotKnown,
    RevisionMoved,
)
from tests.controller.small_controller import SmallController

SCREEN = Origin(OriginKind.SCREEN, "kim")
ON = Command("foyer-amp", "power-on", {"level": 3}, SCREEN, "on-1", 10.0)


@pytest.fixture(params=[False, True], ids=["unix socket", "loopback port"])
async def server(
    controller: SmallController, folder: Path, request: pytest.FixtureRequest
) -> AsyncIterator[LocalServer]:
    with Claim(folder) as claim:
        async with LocalServer(controller, claim, loopback=request.param) as server:
            yield server


@pytest.fixture
async def client(server: LocalServer, folder: Path) -> AsyncIterator[LocalClient]:
    async with await LocalClient.connect(folder) as client:
        yield client


def test_the_client_has_every_call_of_the_api_with_its_signature() -> None:
    calls = inspect.getmembers(ControllerApi, inspect.isfunction)
    assert len(calls) > 15
    for name, method in calls:
        if name.startswith("_"):
            continue
        expected = inspect.signature(method).parameters
        given = inspect.signature(getattr(LocalClient, name)).parameters
        assert list(given.values())[: len(expected)] == list(expected.values()), name
        assert all(extra.default is not extra.empty for extra in list(given.values())[len(expected) :]), name


async def test_every_call_gives_what_the_controller_itself_gives(
    client: LocalClient, controller: SmallController
) -> None:
    api: ControllerApi = client
    outcome = await api.submit(ON)
    assert outcome == Outcome("on-1", Result.CONFIRMED, frames=4, echoed=4, values={"level": 3})
    assert not await api.cancel("on-1")
    assert [each.result for each in await api.all_off(None, SCREEN)] == [Result.CONFIRMED] * 2
    assert await api.site() == await controller.site()
    assert await api.states() == await controller.states()
    assert await api.buses() == await controller.buses()
    assert await api.alerts() == await controller.alerts()
    assert await api.health() == await controller.health()
    assert (await api.journal(JournalQuery(unit="foyer-amp")))[-1] == JournalEntry(ON, outcome)
    assert await api.lock("foyer-amp", "kim", "new fuse") == Lock(
        "lock-0", "foyer-amp", "kim", "new fuse", 4.0
    )
    assert await api.locks() == controller.standing
    refused = await api.submit(Command("foyer-amp", "power-on"))
    assert (refused.result, refused.reason) == (Result.REFUSED, Reason.LOCKED)
    assert await api.unlock("lock-0")
    assert not await api.unlock("lock-0")
    for value in (True, 7, 2.5, "hdmi"):
        presumed = await api.presume("foyer-amp", "power", value, SCREEN)
        assert presumed == StateValue(value, Known.PRESUMED, 5.0)
        assert type(presumed.value) is type(value)
    profile = await api.profile("pellgate-chain")
    saved = await api.put_profile("pellgate-chain", "schema = 1\ntitle = 'Grüße'\n", profile.revision)
    assert saved == await controller.profile("pellgate-chain")
    assert (await api.probe("hall")).outcome is not None
    assert await api.simulate("hall", "cut 2") == "hall: cut 2"
    assert await api.sequences() == await controller.sequences()
    assert await api.triggers() == await controller.triggers()
    begun = await api.sequence("evening", SequenceOrder.UP, SCREEN, agreed=True)
    assert begun == await controller.sequence("evening", SequenceOrder.UP, SCREEN)


async def test_errors_are_raised_as_the_controller_raised_them(client: LocalClient) -> None:
    with pytest.raises(NotKnown, match="there is no unit 'nobody'") as caught:
        await client.submit(Command("nobody", "power-on"))
    assert (caught.value.where, caught.value.todo) == ("larkfield-hall", "see `status`")
    with pytest.raises(RevisionMoved, match="somebody else saved it"):
        await client.put_profile("pellgate-chain", "schema = 1", "an old one")
    revision = (await client.profile("pellgate-chain")).revision
    with pytest.raises(FileFaults) as faults:
        await client.put_profile("pellgate-chain", "", revision)
    assert [(fault.key, fault.line) for fault in faults.value.faults] == [("schema", 1), ("line", None)]


@pytest.mark.parametrize("faults", ["x", [1], [{"file": "a.toml"}], {"file": "a.toml"}])
async def test_an_error_that_is_told_wrongly_is_an_error_all_the_same(faults: object) -> None:
    told = {"kind": "FileFaults", "what": "has faults", "where": "a.toml", "todo": "", "faults": faults}
    error = error_from_plain(told)
    assert (type(error), error.what, error.where) == (ControllerError, "has faults", "a.toml")


async def test_what_is_too_long_to_send_is_told_before_it_is_sent(client: LocalClient) -> None:
    with pytest.raises(InputError, match="a line has at most"):
        await client.put_profile("pellgate-chain", "#" * (1 << 20), "1")
    assert await client.locks() == []


async def test_calls_do_not_wait_for_each_other(client: LocalClient, controller: SmallController) -> None:
    controller.may_end.clear()
    waiting = asyncio.create_task(client.submit(ON))
    await controller.begun.wait()
    assert await client.journal(JournalQuery()) == [JournalEntry(ON, None)]
    assert await client.cancel("on-1")
    controller.may_end.set()
    assert (await waiting).result is Result.CANCELLED


async def test_giving_up_waiting_does_not_take_the_command_back(
    client: LocalClient, controller: SmallController
) -> None:
    controller.may_end.clear()
    waiting = asyncio.create_task(client.submit(ON))
    await controller.begun.wait()
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    outcomes = client.subscribe(frozenset({"Outcome"}))
    await client.locks()
    controller.may_end.set()
    outcome = await anext(outcomes)
    assert isinstance(outcome, Outcome)
    assert outcome.result is Result.CONFIRMED


async def test_a_subscription_has_what_later_calls_bring_about(client: LocalClient) -> None:
    records = client.subscribe()
    await client.submit(ON)
    kinds = [type(await anext(records)).__name__ for _ in range(2)]
    assert kinds == ["StateChange", "Outcome"]


async def test_a_subscription_is_ended_from_either_end(
    client: LocalClient, controller: SmallController
) -> None:
    async with client.subscribe() as left:
        pass
    kept = client.subscribe(buses=frozenset({"hall"}))
    await client.locks()
    controller.fanout.publish(Event("stage", None, "seen", 1.0))
    controller.fanout.publish(Event("hall", None, "seen", 2.0))
    controller.fanout.close()
    assert [record async for record in kept] == [Event("hall", None, "seen", 2.0)]
    assert [record async for record in left] == []
    assert await client.locks() == []


async def test_a_subscription_that_nobody_holds_is_ended_at_the_controller(
    client: LocalClient, controller: SmallController
) -> None:
    dropped = client.subscribe()
    kept = client.subscribe()
    await client.locks()
    assert len(controller.fanout._subscriptions) == 2
    del dropped
    controller.fanout.publish(Event("hall", None, "seen", 1.0))
    await anext(kept)
    await client.locks()
    # The order to end it is on its way behind the call before; this one comes after it.
    await client.locks()
    assert len(controller.fanout._subscriptions) == 1


async def test_a_slow_reader_gets_what_is_newest_and_the_number_that_it_missed(
    client: LocalClient, controller: SmallController
) -> None:
    records = client.subscribe(size=10)
    await client.locks()
    for number in range(1000):
        controller.fanout.publish(Event("hall", None, "seen", float(number)))
    controller.fanout.close()
    while not records.closed:
        await client.locks()
    got = [record async for record in records]
    assert isinstance(got[0], Lost)
    assert got[-1] == Event("hall", None, "seen", 999.0)
    assert sum(record.count if isinstance(record, Lost) else 1 for record in got) == 1000


# Losing the connection


async def test_when_the_controller_goes_away_nobody_waits_on(
    client: LocalClient, server: LocalServer, controller: SmallController, folder: Path
) -> None:
    controller.may_end.clear()
    submitting = asyncio.create_task(client.submit(ON))
    records = client.subscribe()
    await controller.begun.wait()
    await client.locks()
    controller.fanout.publish(Event("hall", None, "seen", 1.0))
    await client.locks()
    await server.close(grace_s=0.0)
    with pytest.raises(ControllerAway, match="went away") as caught:
        await submitting
    assert caught.value.where == str(folder)
    assert await anext(records) == Event("hall", None, "seen", 1.0)
    with pytest.raises(ControllerAway):
        await anext(records)
    with pytest.raises(ControllerAway):
        await client.locks()
    with pytest.raises(ControllerAway):
        client.subscribe()
    with pytest.raises(ControllerAway, match="no controller runs here"):
        await LocalClient.connect(folder)


async def test_hanging_up_ends_what_waits_and_closing_again_does_nothing(
    client: LocalClient, controller: SmallController
) -> None:
    controller.may_end.clear()
    submitting = asyncio.create_task(client.submit(ON))
    records = client.subscribe()
    await controller.begun.wait()
    await client.close()
    await client.close()
    with pytest.raises(ControllerAway, match="was closed"):
        await submitting
    assert [record async for record in records] == []
    controller.may_end.set()


async def test_where_nothing_is_no_controller_runs(folder: Path) -> None:
    with pytest.raises(ControllerAway, match="no controller runs here") as caught:
        await LocalClient.connect(folder)
    assert "linewarden run" in caught.value.todo


async def test_one_that_is_only_starting_is_waited_for(controller: SmallController, folder: Path) -> None:
    with Claim(folder) as claim:
        connecting = asyncio.create_task(LocalClient.connect(folder, patience_s=30))
        await asyncio.sleep(0)
        async with LocalServer(controller, claim):
            client = await connecting
            assert await client.locks() == []
            await client.close()


async def test_one_that_accepts_and_says_nothing_is_away(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.local_client._GREETING_WITHIN", 0.05)
    with Claim(folder), socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(folder / "controller.socket"))
        listening.listen()
        with pytest.raises(ControllerAway, match="does not answer"):
            await LocalClient.connect(folder)


@pytest.mark.parametrize(
    ("greeting", "error", "words"),
    [
        (b'{"linewarden": 99}\n', ControllerError, "another version"),
        (b"220 mail.larkfield.example ready\r\n", ControllerAway, "does not answer"),
        (b"", ControllerAway, "does not answer"),
    ],
)
async def test_one_that_speaks_otherwise_is_told(
    folder: Path, greeting: bytes, error: type[Exception], words: str
) -> None:
    async def greet(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(greeting)
        writer.close()

    with Claim(folder):
        other = await asyncio.start_unix_server(greet, folder / "controller.socket")
        with pytest.raises(error, match=words):
            await LocalClient.connect(folder)
        other.close()
        await other.wait_closed()


async def test_a_controller_that_breaks_off_in_the_middle_of_a_line_is_away(folder: Path) -> None:
    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b'{"linewarden": 1}\n')
        await reader.readuntil()
        writer.write(b'{"id": 1, "resu')
        writer.close()

    with Claim(folder):
        other = await asyncio.start_unix_server(answer, folder / "controller.socket")
        client = await LocalClient.connect(folder)
        with pytest.raises(ControllerAway):
            await client.locks()
        await client.close()
        other.close()
        await other.wait_closed()


@pytest.mark.skipif(os.name != "posix", reason="there is no SIGKILL elsewhere")
async def test_a_killed_controller_is_away_and_the_next_one_takes_its_place(
    controller: SmallController, folder: Path
) -> None:
    victim = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "tests.controller.local_victim", str(folder), stdout=subprocess.PIPE
    )
    assert victim.stdout is not None
    assert await victim.stdout.readline() == b"listening\n"
    client = await LocalClient.connect(folder)
    with pytest.raises(ControllerRuns, match=f"process {victim.pid}"):
        Claim(folder)
    submitting = asyncio.create_task(client.submit(ON))
    await client.locks()
    os.kill(victim.pid, signal.SIGKILL)
    await victim.communicate()
    with pytest.raises(ControllerAway):
        await submitting
    await client.close()
    assert (folder / "controller.socket").exists()
    with pytest.raises(ControllerAway, match="no controller runs here"):
        await LocalClient.connect(folder)
    with Claim(folder) as claim:
        async with LocalServer(controller, claim), await LocalClient.connect(folder) as again:
            assert (await again.submit(ON)).result is Result.CONFIRMED


# The loopback port


async def test_the_loopback_port_is_for_those_who_can_read_its_token(
    controller: SmallController, folder: Path
) -> None:
    with Claim(folder) as claim:
        async with LocalServer(controller, claim, loopback=True):
            told = folder / "controller.port"
            document = json.loads(told.read_bytes())
            if os.name == "posix":
                assert told.stat().st_mode & 0o777 == 0o600
            told.write_text(json.dumps({**document, "token": "0" * 64}))
            with pytest.raises(ControllerError, match="shows a wrong token"):
                await LocalClient.connect(folder)
            for first in (b"GET / HTTP/1.1\r\n", b'{"id": 1, "call": "locks"}\n', b""):
                reader, writer = await asyncio.open_connection("127.0.0.1", document["port"])
                writer.write(first)
                writer.write_eof()
                answer = json.loads(await reader.read())
                assert "token" in answer["error"]["what"]
                writer.close()
                await writer.wait_closed()
        assert not told.exists()


async def test_a_path_too_long_for_a_unix_socket_takes_the_loopback_port(
    controller: SmallController, tmp_path: Path
) -> None:
    """108 bytes in Linux, 104 in the BSDs and macOS: sockaddr_un in their unix(7) and unix(4)."""
    folder = tmp_path / ("long-" * 24) / "state"
    with Claim(folder) as claim:
        async with LocalServer(controller, claim), await LocalClient.connect(folder) as client:
            assert (folder / "controller.port").exists()
            assert not (folder / "controller.socket").exists()
            assert await client.locks() == []
