"""Where a controller listens in its state folder, and how a front end finds it.

A Unix socket, which its folder's and its own mode keep to one person. Where there are none, or the folder's
path is too long for one, a loopback port, with the port and a token in a file that only its owner can read.
"""

from __future__ import annotations

import asyncio
import json
import os
import secrets
import socket
import sys
from pathlib import Path

from controller.local_wire import LONGEST_ANSWER
from controller.state_folder import private_file
from profiles.errors import ControllerAway, ControllerError

__all__ = ["listen", "reach", "withdraw"]

_SOCKET = "controller.socket"
_PORT = "controller.port"
_LOOPBACK = "127.0.0.1"


def listen(folder: Path, *, loopback: bool = False) -> tuple[socket.socket, str]:
    """Listen in a state folder whose ``Claim`` the caller holds; what a dead controller left is replaced.

    Args:
        folder: the state folder.
        loopback: whether to take a loopback port where there could be a Unix socket.

    Returns:
        The socket, and the token that a front end has to show first; empty for none.

    Raises:
        ControllerError: it can't.
    """
    try:
        withdraw(folder)
        if sys.platform != "win32" and not loopback:
            listening = _unix_socket(folder / _SOCKET)
            if listening is not None:
                return listening, ""
        return _loopback_port(folder / _PORT)
    except OSError as error:
        raise ControllerError(
            f"can't listen for front ends: {error.strerror or error}",
            where=str(folder),
            todo="check the permissions, or name another state folder",
        ) from error


def withdraw(folder: Path) -> None:
    """Remove what ``listen`` put into the folder.

    Raises:
        OSError: something else is in its place.
    """
    for name in (_SOCKET, _PORT):
        (folder / name).unlink(missing_ok=True)


def _unix_socket(path: Path) -> socket.socket | None:
    """A listening Unix socket; None where the path is too long for one."""
    listening = socket.socket(socket.AF_UNIX)
    try:
        listening.bind(str(path))
        path.chmod(0o600)
        listening.listen()
    except OSError as error:
        listening.close()
        # A path that is too long has no number: the operating system was not even asked.
        if error.errno is None:
            return None
        raise
    return listening


def _loopback_port(path: Path) -> tuple[socket.socket, str]:
    """A listening loopback port, and the token that ``path`` now tells its owner."""
    # Named TCP: asyncio sends without delay only on what says so, and accepted sockets take it from this one.
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listening.bind((_LOOPBACK, 0))
        listening.listen()
        token = secrets.token_hex(32)
        handle = private_file(path)
        try:
            os.write(handle, json.dumps({"port": listening.getsockname()[1], "token": token}).encode("ascii"))
        finally:
            os.close(handle)
    except OSError:
        listening.close()
        raise
    return listening, token


async def reach(folder: Path) -> tuple[asyncio.StreamReader, asyncio.StreamWriter, str]:
    """Connect to the controller of a state folder.

    Returns:
        Both ends of the connection, and the token to show first; empty for none.

    Raises:
        ControllerAway: there is none.
    """
    path = folder / _SOCKET
    try:
        if sys.platform != "win32" and path.exists():
            return *await asyncio.open_unix_connection(path, limit=LONGEST_ANSWER), ""
        told = json.loads((folder / _PORT).read_bytes())
        ends = await asyncio.open_connection(_LOOPBACK, int(told["port"]), limit=LONGEST_ANSWER)
        return *ends, str(told["token"])
    except PermissionError as error:
        raise ControllerAway(
            "its state folder is somebody else's", where=str(folder), todo="act as the one who runs it"
        ) from error
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ControllerAway(
            "no controller runs here", where=str(folder), todo="start one with `linewarden run`"
        ) from error
