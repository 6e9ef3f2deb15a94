"""The controller's end of the local socket: what any program that connects gets to hear."""

from __future__ import annotations

import asyncio
import json
import logging
import socket
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.local import LocalServer
from controller.local_wire import LONGEST_REQUEST
from controller.records import Command, Event, to_json
from controller.state_folder import Claim
from tests.controller.local.conftest import Line
from tests.controller.small_controller import SmallController

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="there are no Unix sockets")


async def test_a_call_is_answered_under_its_id(line: Line) -> None:
    assert await line.ask({"id": 7, "call": "locks"}) == {"id": 7, "result": []}
    assert await line.ask({"id": "seven", "call": "cancel", "arguments": {"command_id": "x"}}) == {
        "id": "seven",
        "result": False,
    }
    command = to_json(Command("foyer-amp", "power-on", id="1"))
    answer = await line.ask({"id": 8, "call": "submit", "arguments": {"command": command}})
    assert (answer["id"], answer["result"]["result"], answer["result"]["echoed"]) == (8, "confirmed", 4)


async def test_errors_of_the_controller_are_told_whole(line: Line) -> None:
    command = to_json(Command("nobody", "power-on", id="1"))
    answer = await line.ask({"id": 1, "call": "submit", "arguments": {"command": command}})
    assert answer == {
        "id": 1,
        "error": {
            "kind": "NotKnown",
            "what": "there is no unit 'nobody'",
            "where": "larkfield-hall",
            "todo": "see `status`",
        },
    }


async def test_a_fault_of_the_program_is_told_as_one_and_logged(
    line: Line, controller: SmallController, caplog: pytest.LogCaptureFixture
) -> None:
    def fails() -> None:
        raise ZeroDivisionError("of its own")

    controller.fails = fails
    with caplog.at_level(logging.ERROR):
        answer = await line.ask({"id": 1, "call": "alerts"})
    assert answer["error"]["kind"] == "ControllerError"
    assert "of its own" not in str(answer)
    assert "of its own" in caplog.text
    assert await line.ask({"id": 2, "call": "locks"}) == {"id": 2, "result": []}


GARBAGE: dict[bytes, str] = {
    b"\n": "no JSON document",
    b"GET / HTTP/1.1\r\n": "no JSON document",
    b"\xff\xfe\x00\n": "no JSON document",
    b'{"id": 1, "call": "locks"\n': "no JSON document",
    b"[" * 100_000 + b"\n": "no JSON document",
    b'{"id": ' + b"9" * 5000 + b"}\n": "no JSON document",
    b"[1, 2]\n": "no JSON object",
    b'"submit"\n': "no JSON object",
    b"{}\n": "no id",
    b'{"id": true, "call": "locks"}\n': "no id",
    b'{"id": [1], "call": "locks"}\n': "no id",
    b'{"id": 1}\n': "no call 'None'",
    b'{"id": 1, "call": "rm -rf"}\n': "no call 'rm -rf'",
    b'{"id": 1, "call": "__init__"}\n': "no call '__init__'",
    b'{"id": 1, "call": ["locks"]}\n': "no call",
    b'{"id": 1, "call": "locks", "arguments": []}\n': "arguments are no object",
    b'{"id": 1, "call": "locks", "arguments": {"of": "hall"}}\n': "there is no of",
    b'{"id": 1, "call": "cancel"}\n': "command_id is missing",
    b'{"id": 1, "call": "cancel", "arguments": {"command_id": 7}}\n': "7 is not text",
    b'{"id": 1, "call": "submit", "arguments": {"command": {"unit": "a"}}}\n': "action is missing",
    b'{"id": 1, "call": "subscribe", "arguments": {"kinds": "all"}}\n': "'all' is not a list",
}


@pytest.mark.parametrize("garbage", GARBAGE, ids=lambda garbage: repr(garbage[:50]))
async def test_garbage_gets_an_answer_and_the_next_call_too(line: Line, garbage: bytes) -> None:
    line.write_bytes(garbage)
    answer = await line.read()
    assert GARBAGE[garbage] in answer["error"]["what"]
    assert answer["error"]["kind"] == "InputError"
    assert await line.ask({"id": 2, "call": "locks"}) == {"id": 2, "result": []}


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(st.binary(max_size=60).map(lambda data: data.replace(b"\n", b"")), max_size=20))
def test_any_bytes_are_answered_line_by_line(
    tmp_path_factory: pytest.TempPathFactory, lines: list[bytes]
) -> None:
    async def send() -> list[Any]:
        folder = tmp_path_factory.mktemp("any") / "state"
        with Claim(folder) as claim:
            async with LocalServer(SmallController(), claim):
                line = await Line.to(folder)
                line.write_bytes(b"".join(each + b"\n" for each in lines))
                answers = [await line.read() for _ in lines]
                answers.append(await line.ask({"id": 1, "call": "locks"}))
                await line.close()
                return answers

    answers = asyncio.run(send())
    assert answers[-1] == {"id": 1, "result": []}
    assert all(answer["error"]["kind"] == "InputError" for answer in answers[:-1])


async def test_a_line_without_an_end_is_told_and_cut_off(line: Line) -> None:
    line.write_bytes(b"x" * (LONGEST_REQUEST + 100))
    answer = await line.read()
    assert answer["error"]["what"] == f"a line is longer than {LONGEST_REQUEST} bytes"
    assert await line.reader.read() == b""


async def test_a_last_line_needs_no_end_and_its_answer_still_comes(
    line: Line, controller: SmallController
) -> None:
    controller.may_end.clear()
    command = to_json(Command("foyer-amp", "power-on", id="1"))
    line.write_bytes(json.dumps({"id": 1, "call": "submit", "arguments": {"command": command}}).encode())
    line.writer.write_eof()
    await controller.begun.wait()
    controller.may_end.set()
    assert (await line.read())["result"]["result"] == "confirmed"
    assert await line.reader.read() == b""


async def test_a_command_goes_on_when_the_one_who_asked_has_gone(
    server: LocalServer, line: Line, controller: SmallController
) -> None:
    controller.may_end.clear()
    command = to_json(Command("foyer-amp", "power-on", id="1"))
    line.write({"id": 1, "call": "submit", "arguments": {"command": command}})
    await controller.begun.wait()
    line.writer.transport.abort()
    events = controller.fanout.subscribe(frozenset({"Outcome"}))
    controller.may_end.set()
    await anext(events)
    entry = controller.entries["1"]
    assert entry.outcome is not None
    assert entry.outcome.result == "confirmed"


async def test_records_come_under_the_subscriptions_id_until_it_ends(
    line: Line, controller: SmallController
) -> None:
    line.write({"id": 1, "call": "subscribe", "arguments": {"kinds": ["Event"], "buses": ["hall"]}})
    line.write({"id": 2, "call": "subscribe"})
    await line.ask({"id": 3, "call": "locks"})
    controller.fanout.publish(Event("hall", None, "seen", 1.0))
    controller.fanout.publish(Event("stage", None, "seen", 2.0))
    records = [await line.read() for _ in range(3)]
    assert sorted((record["id"], record["record"]["at"]) for record in records) == [
        (1, 1.0),
        (2, 1.0),
        (2, 2.0),
    ]
    assert await line.ask({"id": 4, "call": "unsubscribe", "arguments": {"id": 2}}) == {
        "id": 4,
        "result": True,
    }
    assert await line.read() == {"id": 2, "result": None}
    assert await line.ask({"id": 5, "call": "unsubscribe", "arguments": {"id": 2}}) == {
        "id": 5,
        "result": False,
    }
    controller.fanout.publish(Event("hall", None, "seen", 3.0))
    assert (await line.read())["id"] == 1
    controller.fanout.close()
    assert await line.read() == {"id": 1, "result": None}


async def test_one_id_stands_for_one_subscription_and_there_is_a_limit(line: Line) -> None:
    line.write({"id": 1, "call": "subscribe"})
    answer = await line.ask({"id": 1, "call": "subscribe"})
    assert answer["error"]["what"] == "a subscription has that id already"
    for number in range(2, 33):
        line.write({"id": number, "call": "subscribe"})
    answer = await line.ask({"id": 33, "call": "subscribe"})
    assert answer["error"]["what"] == "too many subscriptions"


async def test_too_many_calls_at_once_are_refused(line: Line, controller: SmallController) -> None:
    controller.may_end.clear()
    for number in range(257):
        command = to_json(Command("foyer-amp", "power-on", id=str(number)))
        line.write({"id": number, "call": "submit", "arguments": {"command": command}})
    answer = await line.read()
    assert (answer["id"], answer["error"]["what"]) == (256, "too many calls are under way")
    controller.may_end.set()
    answers = [await line.read() for _ in range(256)]
    assert {answer["result"]["result"] for answer in answers} == {"confirmed"}


async def test_an_answer_that_is_too_long_is_an_error_and_a_long_one_comes(
    line: Line, controller: SmallController
) -> None:
    for number in range(300):
        await controller.submit(Command("foyer-amp", "x" * 20_000, id=str(number)))
    query: dict[str, Any] = {"limit": 200}
    answer = await line.ask({"id": 1, "call": "journal", "arguments": {"query": query}})
    assert len(answer["result"]) == 200
    for number in range(300, 900):
        await controller.submit(Command("foyer-amp", "x" * 20_000, id=str(number)))
    answer = await line.ask({"id": 2, "call": "journal", "arguments": {"query": {"limit": 900}}})
    assert "a line has at most" in answer["error"]["what"]
    assert answer["error"]["todo"] == "ask for less at a time"
