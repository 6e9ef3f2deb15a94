"""How a broker is reached that a command names."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from pydantic import ValidationError

from controller.mqtt_connection import Connection
from controller.mqtt_messages import Incoming
from controller.mqtt_settings import BrokerSettings, settings_for
from controller.records import new_id
from controller.site_model import MqttSpec, TlsSpec
from controller.site_rules import is_this_machine
from profiles.errors import BrokerError, InputError

__all__ = ["broker_settings", "connect"]


def broker_settings(arguments: argparse.Namespace) -> BrokerSettings:
    """How the broker of ``--broker`` and its like is reached.

    Raises:
        InputError: they are no broker, or leave the way to it open to everybody.
    """
    try:
        spec = MqttSpec(
            broker=arguments.broker,
            protocol=arguments.protocol or "5",
            user=arguments.user,
            secret_file=arguments.secret_file,
            tls=TlsSpec(ca_file=arguments.ca_file) if arguments.ca_file else None,
        )
    except ValidationError as error:
        # Of the error only its sentence: what was typed may have a secret in it.
        what = str(error.errors()[0]["msg"]).removeprefix("Value error, ")
        raise InputError(what, where="--broker") from None
    settings = settings_for(spec, Path())
    if settings.tls is None and not arguments.plaintext and not is_this_machine(settings.host):
        raise InputError(
            f"{settings.shown} is beyond this machine, without TLS: whoever is on the way can read and send",
            todo="use mqtts://, or say --plaintext",
        )
    if settings.tls is None and arguments.ca_file:
        raise InputError("--ca-file needs a broker at mqtts://")
    return settings


async def connect(
    settings: BrokerSettings,
    name: str,
    on_messages: Callable[[list[Incoming]], None],
    *,
    any_protocol: bool,
    keepalive: int = 20,
    unread: int = 1000,
) -> Connection:
    """Connect to a broker; with ``any_protocol`` 3.1.1 is tried where it does not understand what is set.

    Args:
        settings: the broker.
        name: what the client's id says of us.
        on_messages: called in the event loop with what came.
        any_protocol: whether another protocol than that of the settings will do.
        keepalive: seconds; see ``Connection.open``.
        unread: messages that may wait for the event loop.

    Raises:
        BrokerError: it can't be had.
    """
    client = f"linewarden-{name}-{new_id()[:12]}"

    async def attempt(tried: BrokerSettings) -> Connection:
        return await Connection.open(tried, client, on_messages, keepalive=keepalive, unread=unread)

    try:
        return await attempt(settings)
    except BrokerError:
        if not any_protocol:
            raise
        try:
            return await attempt(replace(settings, protocol="3.1.1"))
        except BrokerError:
            pass
        raise
