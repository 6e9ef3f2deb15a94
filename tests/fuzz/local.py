"""The local socket: lines of front ends into a real server, and what a controller says into records again."""

from __future__ import annotations

import asyncio
import json
import logging
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from controller.from_site import bus_rules, unit_rules
from controller.guard import Gate
from controller.local import LocalServer
from controller.local_endpoint import reach
from controller.local_wire import decoded, error_from_plain
from controller.records import (
    Alert,
    Command,
    Direction,
    Known,
    Lock,
    Outcome,
    Reason,
    Result,
    StateValue,
    Traffic,
    record_from_json,
    to_json,
)
from controller.state_folder import Claim
from controller.states import StateBook
from profiles.errors import InputError, LinewardenError
from tests.controller.halls import ring
from tests.controller.small_controller import SmallController
from tests.fuzz.target import Target, Trial

__all__ = ["TARGETS"]

_LONGEST_WAIT = 60.0
_UTC = 1_800_000_000.0


class _Judging(SmallController):
    """The small controller with a gate before it."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        loaded = ring(folder)
        site, profiles = loaded.site, loaded.profiles
        self._gate = Gate(
            [bus_rules(name, spec, profiles[name]) for name, spec in site.buses.items()],
            [unit_rules(name, spec) for name, spec in site.units.items()],
        )
        self._book = StateBook({name: profiles[unit.bus].profile.states for name, unit in site.units.items()})

    async def submit(self, command: Command) -> Outcome:
        judged = self._gate.admit(command, utc=_UTC, now=1.0, locks=[], states=self._book)
        reason = getattr(judged, "reason", None)
        if reason is not None:
            return Outcome(command.id, Result.REFUSED, reason, getattr(judged, "text", ""))
        return await super().submit(command)


class _Faults(logging.Handler):
    """Faults of the program that a log tells of."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.found: list[logging.LogRecord] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.found.append(record)


@contextmanager
def _socket(folder: Path) -> Iterator[Trial]:
    faults = _Faults()
    log = logging.getLogger("controller.local")

    async def made() -> _Judging:
        return _Judging(folder)

    async def talk(data: bytes) -> bytes:
        async with LocalServer(api, claim), asyncio.timeout(_LONGEST_WAIT):
            reader, writer, _ = await reach(claim.folder)
            writer.write(data)
            writer.write_eof()
            answer = await reader.read()
            writer.close()
            return answer

    def trial(data: bytes) -> None:
        api.entries.clear()
        api.standing.clear()
        faults.found.clear()
        answer = runner.run(talk(data))
        if faults.found:
            told = faults.found[0].exc_info
            raise AssertionError(faults.found[0].getMessage()) from (told[1] if told else None)
        check_answers(data, answer)

    with asyncio.Runner() as runner, Claim(folder / "state") as claim:
        api = runner.run(made())
        log.addHandler(faults)
        try:
            yield trial
        finally:
            log.removeHandler(faults)


def check_answers(data: bytes, answer: bytes) -> None:
    """A greeting, and one answer to each line; of a subscription none, or one more when it ends."""
    greeting, *documents = [json.loads(line) for line in answer.splitlines()]
    assert greeting == {"linewarden": 1}
    ends = [each for each in documents if "record" not in each]
    for each in ends:
        assert each.keys() <= {"id", "result", "error"}
    *lines, last = data.split(b"\n")
    lines += [last] if last else []
    subscriptions = sum(_call(line) == "subscribe" for line in lines)
    assert len(lines) - subscriptions <= len(ends) <= len(lines) + subscriptions


def _call(line: bytes) -> Any:
    try:
        return decoded(line).get("call")
    except InputError:
        return None


def _calls(folder: Path) -> Iterable[bytes]:
    command = {
        "unit": "foyer-amp",
        "action": "set-volume",
        "parameters": {"level": 3},
        "origin": {"kind": "screen", "name": "Ada"},
        "id": "c1",
        "at": _UTC,
        "deadline": None,
    }
    origin = {"kind": "command_line", "name": "Ada"}
    calls: list[tuple[str, dict[str, Any]]] = [
        ("site", {}),
        ("submit", {"command": command}),
        ("submit", {"command": {"unit": "sound", "action": "", "raw": "a5", "origin": origin}}),
        ("cancel", {"command_id": "c1"}),
        ("all_off", {"scope": None, "origin": origin}),
        ("subscribe", {"kinds": ["Outcome", "Traffic"], "buses": ["sound"]}),
        ("unsubscribe", {"id": 5}),
        ("journal", {"query": {"unit": "mixer", "limit": 3}}),
        ("lock", {"target": "mixer", "who": "Ada", "why": "fuse"}),
        ("unlock", {"lock_id": "lock-0"}),
        ("presume", {"unit": "foyer-amp", "state": "power", "value": True, "origin": origin}),
        ("put_profile", {"name": "pellgate-chain", "text": "schema = 1", "revision": ""}),
        ("sequence", {"name": "evening", "order": "up", "origin": origin, "agreed": True}),
        ("probe", {"bus": "hall"}),
        ("simulate", {"bus": "hall", "order": "cut 1"}),
    ]
    said = [
        json.dumps({"id": n, "call": call, "arguments": given}).encode()
        for n, (call, given) in enumerate(calls)
    ]
    yield from (line + b"\n" for line in said)
    yield b"\n".join(said) + b"\n"


@contextmanager
def _records(folder: Path) -> Iterator[Trial]:
    def trial(data: bytes) -> None:
        for line in data.split(b"\n"):
            try:
                document = decoded(line)
            except InputError:
                continue
            assert isinstance(error_from_plain(document), LinewardenError)
            try:
                record = record_from_json(document)
            except InputError:
                continue
            assert record_from_json(json.loads(json.dumps(to_json(record)))) is not None

    yield trial


def _told(folder: Path) -> Iterable[bytes]:
    outcome = Outcome(
        "c1", Result.FAILED, Reason.NO_ECHO, "nothing came back", "the cables", at=_UTC, took_ms=4.0
    )
    records = (
        Command("mixer", "set-volume", {"level": 3}, id="c1", at=_UTC),
        outcome,
        Traffic(
            "hall", _UTC, Direction.ECHOED, b"\xa5\x01", (0.0063, None), "power-on", unexplained=((0, 1),)
        ),
        Alert("a", "hall", _UTC, "1 of 2 units answers", "the chain"),
        Lock("l", "mixer", "Ada", "fuse", _UTC),
        StateValue(31, Known.OBSERVED, _UTC),
    )
    for record in records:
        yield json.dumps(to_json(record)).encode()
    fault = {"file": "a.toml", "key": "line", "line": 3, "what": "is missing", "todo": "", "warning": False}
    yield json.dumps({"kind": "FileFaults", "what": "x", "where": "", "todo": "", "faults": [fault]}).encode()
    yield b'{"kind": "NotKnown", "what": "there is no unit", "where": "hall", "todo": "see `status`"}'


_WORDS = """
    "id" "call" "arguments" "command" "unit" "action" "parameters" "origin" "kind" "name" "claimed" "at"
    "deadline" "raw" "by_hand" "agreed" "command_id" "scope" "kinds" "buses" "query" "limit" "traffic"
    "since" "until" "words" "target" "who" "why" "lock_id" "state" "value" "text" "revision" "bus"
    "order" "token" "submit" "cancel" "all_off" "site" "states" "alerts" "locks" "subscribe"
    "unsubscribe" "journal" "lock" "unlock" "presume" "profile" "put_profile" "sequences" "sequence"
    "triggers" "probe" "simulate" "screen" "mqtt" "trigger" "Outcome" "Traffic" "Command" "Alert"
    "FileFaults" "TemplateError" "faults" "what" "where" "todo" "result" "lags" "unexplained" "data"
    "direction" "level" "mixer" "hall" "foyer-amp" "set-volume" null true 1 -1 1e308 [ ] { } : ,
"""

TARGETS = (
    Target("socket", _socket, _calls, _WORDS, longest=16384),
    Target("records", _records, _told, _WORDS, longest=8192),
)
