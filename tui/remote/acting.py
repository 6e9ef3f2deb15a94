"""One command to a controller behind a broker: ``act --broker``."""

from __future__ import annotations

import argparse
import asyncio
import difflib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from controller.api import ActionView, UnitView
from controller.homie_devices import Publication, device_topic
from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming
from controller.mqtt_settings import BrokerSettings
from controller.plain import to_plain
from controller.records import Command, Outcome, from_json
from profiles.errors import (
    ControllerAway,
    ControllerError,
    NotKnown,
)
from tui.parameters import read_parameters
from tui.remote.broker import connect

__all__ = ["act", "described_unit"]

_FOUND_WITHIN = 5.0
_OUTCOME_WITHIN = 60.0
_LOOK_FOR = 1.0


class _Remote:
    """One connection, and the newest message of each topic."""

    def __init__(self) -> None:
        self.newest: dict[str, bytes] = {}
        self.outcomes: dict[str, dict[str, Any]] = {}
        self._changed = asyncio.Event()
        self.connection: Connection

    def take(self, messages: list[Incoming]) -> None:
        for message in messages:
            self.newest[message.topic] = message.payload
            if message.topic.endswith("/last/outcome"):
                document = _object(message.payload)
                self.outcomes[str(document.get("command_id"))] = document
        self._changed.set()

    async def until(self, found: Callable[[], bool], seconds: float) -> bool:
        """Wait until ``found()`` holds; whether it did.

        Raises:
            BrokerError: the connection is over.
        """
        until = asyncio.get_running_loop().time() + seconds
        while not found():
            self._changed.clear()
            changed = asyncio.ensure_future(self._changed.wait())
            left = until - asyncio.get_running_loop().time()
            await asyncio.wait(
                (changed, self.connection.lost), timeout=left, return_when=asyncio.FIRST_COMPLETED
            )
            changed.cancel()
            if self.connection.lost.done():
                raise self.connection.lost.result()
            if left <= 0:
                return False
        return True


async def act(
    settings: BrokerSettings, arguments: argparse.Namespace, blank: Command
) -> tuple[Command, Outcome]:
    """Have one command carried out by the controller behind a broker.

    Args:
        settings: the broker; without a protocol of the caller's, 3.1.1 is tried where 5 is not understood.
        arguments: of the command line: unit (a device's id), action, parameters, within.
        blank: the command's id, origin and times.

    Raises:
        NotKnown: there is no such device at the broker.
        ControllerAway: its controller is not there, or goes away; or no outcome comes.
        BrokerError: the broker can't be had.
    """
    remote = _Remote()
    remote.connection = await connect(settings, "act", remote.take, any_protocol=arguments.protocol is None)
    try:
        return await _act(remote, arguments, blank)
    finally:
        await remote.connection.close()


async def _act(remote: _Remote, arguments: argparse.Namespace, blank: Command) -> tuple[Command, Outcome]:
    device = arguments.unit
    topic = device_topic(device)
    if any(sign in device for sign in "/+#\0$"):
        raise NotKnown(f"no device is called {device!r}", todo="name it as SITE-UNIT")
    description = await _described(remote, device)
    root_state = f"{device_topic(str(description.get('root', device)))}/$state"
    await remote.connection.subscribe([root_state, f"{topic}/last/outcome"])
    await remote.until(lambda: root_state in remote.newest, _FOUND_WITHIN)
    _there(remote, root_state)
    if "command" not in _mapping(description.get("nodes")):
        raise ControllerError(f"{device} takes no commands over MQTT", todo="see `mqtt` in its site file")
    parameters = read_parameters(
        arguments.parameters, described_unit(device, description, arguments), arguments.action
    )
    command = replace(blank, unit=device, action=arguments.action, parameters=parameters)
    asked: dict[str, Any] = {"id": command.id, "action": command.action, "parameters": to_plain(parameters)}
    if command.origin.name:
        asked["from"] = command.origin.name
    if arguments.within is not None:
        asked["within_s"] = arguments.within
    payload = json.dumps(asked, ensure_ascii=False).encode()
    remote.connection.publish(Publication(f"{topic}/command/request/set", payload, retain=False))
    await _wait(remote, command, root_state, (arguments.within or _OUTCOME_WITHIN) + _FOUND_WITHIN)
    return command, from_json(Outcome, remote.outcomes[command.id])


async def _wait(remote: _Remote, command: Command, root_state: str, seconds: float) -> None:
    def told() -> bool:
        # An outcome of the same id may be retained from before: of another command it is no answer.
        found = remote.outcomes.get(command.id, {})
        return (found.get("action"), found.get("parameters")) == (command.action, command.parameters)

    came = await remote.until(lambda: told() or remote.newest.get(root_state) != b"ready", seconds)
    if told():
        return
    _there(remote, root_state)
    if not came:
        raise ControllerAway(
            f"no outcome of it came within {seconds:g} s: it may have been carried out or not",
            where=command.unit,
            todo=f"ask again with --id {command.id}: the same id is the same command",
        )


def _there(remote: _Remote, root_state: str) -> None:
    state = remote.newest.get(root_state, b"").decode("utf-8", "replace")
    if state != "ready":
        raise ControllerAway(
            f"its controller is {state or 'not there'}",
            where=root_state.split("/")[2],
            todo="start it with `linewarden run`",
        )


async def _described(remote: _Remote, device: str) -> Mapping[str, Any]:
    topic = f"{device_topic(device)}/$description"
    await remote.connection.subscribe([topic])
    if await remote.until(lambda: topic in remote.newest, _LOOK_FOR):
        return _object(remote.newest[topic])
    states = device_topic("+") + "/$state"
    await remote.connection.subscribe([states])
    await remote.until(lambda: False, _LOOK_FOR)
    there = [name.split("/")[2] for name in remote.newest if name.endswith("/$state")]
    near = difflib.get_close_matches(device, there, n=3) or sorted(there)[:8]
    raise NotKnown(
        f"no device is called {device!r} at this broker",
        todo=f"try {' or '.join(near)}" if near else "nothing is announced there: does the controller run?",
    )


def described_unit(device: str, description: Mapping[str, Any], arguments: argparse.Namespace) -> UnitView:
    """The device as a unit, as far as reading its parameters needs it."""
    node = _mapping(_mapping(description.get("nodes")).get("actions"))
    spec = _mapping(_mapping(node.get("properties")).get(arguments.action))
    kinds = _parameter_kinds(spec, arguments.parameters)
    action = ActionView(arguments.action, arguments.action, "unknown", kinds)
    return UnitView(device, device, "", None, "other", "", (action,), {})


def _parameter_kinds(spec: Mapping[str, Any], words: Sequence[str]) -> dict[str, dict[str, Any]]:
    datatype = str(spec.get("datatype", "string"))
    if datatype == "json":
        given = _mapping(_object(str(spec.get("format", "{}")).encode()).get("properties"))
        told = {name: _mapping(each) for name, each in given.items()}
        return {
            name: {"type": _kind(str(each.get("datatype", each.get("type"))))} for name, each in told.items()
        }
    # Homie does not say what an only parameter is called: the controller does.
    return {word.partition("=")[0]: {"type": _kind(datatype)} for word in words}


def _kind(word: str) -> str:
    return {"number": "float", "string": "text"}.get(word, word)


def _object(payload: bytes) -> dict[str, Any]:
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return {}
    return document if isinstance(document, dict) else {}


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}
