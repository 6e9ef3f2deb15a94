"""How a broker is reached: its address, TLS, user and secret, out of the site file or a command's arguments.

A secret comes from a file that nobody else can read, or from the environment. It is in no message, no log and
no ``repr``.
"""

from __future__ import annotations

import os
import ssl
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from controller.site_model import MqttSpec, Site
from profiles.errors import InputError

__all__ = ["SECRET_VARIABLE", "BrokerSettings", "response_prefix", "settings_for"]

SECRET_VARIABLE = "LINEWARDEN_MQTT_SECRET"  # noqa: S105 -- the variable's name
_LONGEST_SECRET = 65_535
"""Bytes: what MQTT has room for [MQTT 5.0, 3.1.3.6]."""
_PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Ports registered for MQTT (IANA)."""

Protocol = Literal["5", "3.1.1"]


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """A broker, and how we are with it."""

    host: str
    port: int
    protocol: Protocol = "5"
    user: str | None = None
    secret: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = field(default=None, repr=False)

    @property
    def shown(self) -> str:
        """The broker's address for messages and logs."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"


def response_prefix(site: Site) -> str:
    """Under which response topics are honoured."""
    given = site.mqtt.response_prefix if site.mqtt is not None else None
    return (given or f"linewarden/{site.site.id}/response").rstrip("/")


def settings_for(
    spec: MqttSpec, folder: Path, environment: Mapping[str, str] | None = None
) -> BrokerSettings:
    """Everything to connect with.

    Args:
        spec: the site's ``[mqtt]``, or the like.
        folder: what its paths are relative to.
        environment: the environment's variables; by default this process's.

    Raises:
        InputError: a file can't be read or is no certificate, or others can read the secret.
    """
    url = urlsplit(spec.broker)
    variables = os.environ if environment is None else environment
    secret = None
    if spec.secret_file is not None:
        secret = _secret(folder / spec.secret_file)
    elif spec.user is not None:
        secret = variables.get(SECRET_VARIABLE)
    return BrokerSettings(
        url.hostname or "",
        url.port or _PORTS[url.scheme],
        spec.protocol,
        spec.user,
        secret,
        _tls(spec, folder) if url.scheme == "mqtts" else None,
    )


def _secret(path: Path) -> str:
    try:
        with path.open("rb") as file:
            if os.name == "posix" and os.fstat(file.fileno()).st_mode & (stat.S_IRWXG | stat.S_IRWXO):
                raise InputError(
                    "others can read the secret in it", where=str(path), todo=f"use `chmod 600 {path.name}`"
                )
            data = file.read(_LONGEST_SECRET + 3)
    except OSError as error:
        raise InputError(
            f"the secret can't be read: {error.strerror}", where=str(path), todo="see `mqtt.secret_file`"
        ) from error
    data = data.removesuffix(b"\n").removesuffix(b"\r")
    try:
        secret = data.decode("utf-8")
    except UnicodeDecodeError:
        secret = ""
    if not secret or len(data) > _LONGEST_SECRET:
        # What it holds is not told, and neither is the error of decoding it, which would tell.
        raise InputError("holds no secret", where=str(path), todo="write it there in one line, in UTF-8")
    return secret


def _tls(spec: MqttSpec, folder: Path) -> ssl.SSLContext:
    """Verifies the broker's certificate and name, always."""
    given = spec.tls
    context = ssl.create_default_context()
    context.sslsocket_class = _ClosedOnFailure
    if given is None:
        return context
    if given.ca_file is not None:
        path = folder / given.ca_file
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.sslsocket_class = _ClosedOnFailure
        try:
            context.load_verify_locations(path)
        except (OSError, ssl.SSLError) as error:
            raise _unusable(path, "no certificate of an authority", error) from error
    if given.certificate_file is not None and given.key_file is not None:
        path, key = folder / given.certificate_file, folder / given.key_file
        try:
            # Without a password of ours the library would ask for one at the terminal.
            context.load_cert_chain(path, key, password=_no_password)
        except (OSError, ssl.SSLError) as error:
            raise _unusable(path, "no certificate with its key", error) from error
    return context


class _ClosedOnFailure(ssl.SSLSocket):
    """A socket that is closed where its handshake fails: paho-mqtt leaves that to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except BaseException:
            self.close()
            raise


def _no_password() -> str:
    raise InputError("the key of the client certificate has a password", todo="use a key without one")


def _unusable(path: Path, what: str, error: OSError) -> InputError:
    reason = "" if isinstance(error, ssl.SSLError) else f": {error.strerror}"
    return InputError(f"is {what}{reason}", where=str(path), todo="use a file in PEM form")
