"""The words for a port that can't be opened: what is wrong, and what to do about it."""

from __future__ import annotations

import contextlib
import errno
import importlib
import importlib.util
import os
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import serial

from profiles.errors import PortUnavailable

__all__ = ["held", "unavailable"]

_NOT_THERE = {errno.ENOENT}
_BUSY = {errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY}
_NO_HARDWARE = {errno.ENXIO, errno.ENODEV, errno.EIO}
_NO_PORT = {errno.ENOTTY, errno.EISDIR, errno.EINVAL}
_NOBODY_ANSWERS = {errno.ECONNREFUSED, errno.EHOSTUNREACH, errno.ENETUNREACH, errno.ETIMEDOUT}


def unavailable(name: str, error: BaseException) -> PortUnavailable:
    """The driver's word in ours, with the most likely way out."""
    if "://" in name:
        return _url_unavailable(name, error)
    code = _code(error)
    text = str(error)
    if code in _NOT_THERE or "FileNotFoundError" in text:
        return PortUnavailable("there is no such port", where=name, todo="see `linewarden ports`")
    if code in _BUSY:
        return held(name)
    if sys.platform == "win32" and "PermissionError" in text:
        return PortUnavailable(
            "is held by another program, or not for this user", where=name, todo="end that program first"
        )
    if code in (errno.EACCES, errno.EPERM):
        return PortUnavailable(
            "may not be opened by this user",
            where=name,
            todo="on most Linux systems: add the user to the group that owns the port (often `dialout`)",
        )
    if code in _NO_HARDWARE:
        return PortUnavailable(
            "there is no hardware behind this port", where=name, todo="see `linewarden ports` for those with"
        )
    if code in _NO_PORT:
        return PortUnavailable("is no serial port", where=name, todo="see `linewarden ports`")
    return PortUnavailable(f"can't be opened ({_line(text)})", where=name, todo="see `linewarden ports`")


def held(name: str) -> PortUnavailable:
    """Another program has the port; which one, where the system tells."""
    holder = None if "://" in name else _holder(name)
    if holder == "":
        return PortUnavailable(
            "is in use by this program already", where=name, todo="give each bus a port of its own"
        )
    return PortUnavailable(
        f"is held by {holder or 'another program'}", where=name, todo="end that program first"
    )


def _url_unavailable(name: str, error: BaseException) -> PortUnavailable:
    scheme = name.split("://", 1)[0].lower()
    text = str(error)
    code = _code(error)
    if isinstance(error, ValueError) and "not known" in text:
        missing = _missing_for(scheme)
        if missing:
            return PortUnavailable(
                f"needs a package that is not installed ({missing})",
                where=name,
                todo="install it into Linewarden's environment",
            )
        return PortUnavailable(
            "is no URL that a port can have",
            where=name,
            todo="use a path, or socket://, rfc2217://, loop:// or sim://",
        )
    causes = tuple(_behind(error))
    # A KeyError, for one: pyserial 3.5 trips over the words that it has for an unknown option.
    if "?" in name and (
        any(isinstance(each, LookupError) for each in causes) or "string in the form" in text
    ):
        return PortUnavailable(
            "its URL has an option that such a port does not have",
            where=name,
            todo="leave out what follows the question mark",
        )
    if code in _BUSY:
        return held(name)
    if code in _NOBODY_ANSWERS or "timed out" in text:
        return PortUnavailable(
            "nothing answers at this address", where=name, todo="look whether the serial server is on"
        )
    if any(isinstance(each, socket.gaierror) for each in causes):
        return PortUnavailable("no such host is known", where=name, todo="look at the host's name in its URL")
    if "does not seem to support RFC2217" in text or "timeout while waiting for option" in text:
        return PortUnavailable(
            "what answers there does not speak RFC 2217",
            where=name,
            todo="set the serial server to it, or use socket://",
        )
    if "rejected value" in text or "does not accept parameter change" in text:
        return PortUnavailable(
            "the serial server refuses these line settings",
            where=name,
            todo="use a rate and format that it has",
        )
    if code in _NOT_THERE:
        return PortUnavailable("there is no such port", where=name, todo="see `linewarden ports`")
    return PortUnavailable(f"can't be opened ({_line(text)})", where=name, todo="look at its URL")


def _behind(error: BaseException | None) -> Iterator[BaseException]:
    """An error and those that it came of."""
    for _ in range(5):
        if error is None:
            return
        yield error
        error = error.__cause__ or error.__context__


def _code(error: BaseException) -> int | None:
    """The system's number for what went wrong, which pyserial often leaves in the error behind its own."""
    for each in _behind(error):
        first = each.args[0] if each.args and type(each).__module__ == "termios" else None
        number = getattr(each, "errno", None) or first
        if isinstance(number, int):
            return number
    return None


def _missing_for(scheme: str) -> str | None:
    """What a known kind of URL lacks here: pyserial takes a failing import for an unknown scheme."""
    for package in serial.protocol_handler_packages:
        module = f"{package}.protocol_{scheme}"
        with contextlib.suppress(ImportError, ValueError):
            if importlib.util.find_spec(module) is not None:
                try:
                    importlib.import_module(module)
                except ImportError as error:
                    return _line(str(error))
    return None


def _holder(name: str) -> str | None:
    """Which process has the port open: "" for this one, None where the system does not tell.

    Linux tells of one's own processes, and root of all.
    """
    wanted = os.path.realpath(name)
    own = None
    with contextlib.suppress(OSError):
        for process in os.listdir("/proc"):  # noqa: PTH208 -- thousands of entries; plain names are enough
            if process.isdigit() and _has_open(process, wanted):
                if int(process) != os.getpid():
                    return f"process {process} ({_command(process)})"
                own = ""
    return own


def _has_open(process: str, wanted: str) -> bool:
    with contextlib.suppress(OSError), os.scandir(f"/proc/{process}/fd") as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                if os.readlink(entry.path) == wanted:  # noqa: PTH115 -- as above
                    return True
    return False


def _command(process: str) -> str:
    with contextlib.suppress(OSError):
        return _line(Path("/proc", process, "comm").read_text(encoding="utf-8", errors="replace"))
    return "?"


def _line(text: str) -> str:
    """One line that is safe to show, whatever a driver or a process's name holds."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
