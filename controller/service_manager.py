"""What a service manager such as systemd is told, over its own socket and in its own log format.

Source of the protocol: sd_notify(3), sd_watchdog_enabled(3) and sd-daemon(3) of systemd, from memory. The
address is in ``NOTIFY_SOCKET``: a path, or a name in the abstract space where it begins with ``@``. A message
is one datagram of ``NAME=value`` lines; ``WATCHDOG_USEC`` and ``WATCHDOG_PID`` say who has to give a sign how
often. A line of standard error that begins with ``<N>`` has the syslog priority N. Where no service manager
asks for any of it, nothing is done.
"""

from __future__ import annotations

import logging
import os
import socket
import sys
from collections.abc import MutableMapping

__all__ = ["PriorityFormatter", "ServiceManager", "reads_our_errors"]

log = logging.getLogger(__name__)

_PRIORITY = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
"""Syslog's numbers, RFC 5424, table 2: critical, error, warning, informational; debug is 7."""


class ServiceManager:
    """Tells the service manager how we are.

    Args:
        environment: where it has left its address; taken out, so that no child process speaks for us.
        process: our process id.
    """

    def __init__(
        self, environment: MutableMapping[str, str] = os.environ, *, process: int | None = None
    ) -> None:
        address = environment.pop("NOTIFY_SOCKET", "")
        span = environment.pop("WATCHDOG_USEC", "")
        whose = environment.pop("WATCHDOG_PID", "")
        self._socket: socket.socket | None = None
        self.sign_every: float | None = None
        """Seconds between two signs of life; None where nobody waits for one."""
        if not address or address[0] not in "/@" or not hasattr(socket, "AF_UNIX"):
            return
        self._address = "\0" + address[1:] if address[0] == "@" else address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | getattr(socket, "SOCK_CLOEXEC", 0))
        ours = not whose or whose == str(os.getpid() if process is None else process)
        if ours and span.isascii() and span.isdigit() and int(span) > 0:
            # A third of what is allowed: two may come late.
            self.sign_every = int(span) / 3e6

    @property
    def listens(self) -> bool:
        """Whether there is one."""
        return self._socket is not None

    def ready(self, status: str) -> None:
        """Everything is open; or a reload is over."""
        self._tell("READY=1", f"STATUS={_one_line(status)}")

    def reloading(self, now_us: int) -> None:
        """The site is being read anew.

        Args:
            now_us: microseconds on CLOCK_MONOTONIC, by which the manager knows the reload that it asked for.
        """
        self._tell("RELOADING=1", f"MONOTONIC_USEC={now_us}")

    def status(self, text: str) -> None:
        """One line for people who ask the manager."""
        self._tell(f"STATUS={_one_line(text)}")

    def alive(self) -> None:
        """A sign of life."""
        self._tell("WATCHDOG=1")

    def stopping(self) -> None:
        """We are about to end."""
        self._tell("STOPPING=1", "STATUS=finishing the frame in hand")

    def close(self) -> None:
        """Tell it no more."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _tell(self, *lines: str) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError as error:
            log.warning("the service manager can't be told %s: %s", lines[0], error)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def reads_our_errors(environment: MutableMapping[str, str] = os.environ, descriptor: int = 2) -> bool:
    """Whether standard error goes to the manager's journal (systemd.exec(5): ``JOURNAL_STREAM``)."""
    device, _, inode = environment.get("JOURNAL_STREAM", "").partition(":")
    try:
        found = os.fstat(descriptor)
    except OSError:
        return False
    return sys.platform == "linux" and (device, inode) == (str(found.st_dev), str(found.st_ino))


class PriorityFormatter(logging.Formatter):
    """Begins every line with its syslog priority, those of a traceback too. The journal adds the time."""

    def format(self, record: logging.LogRecord) -> str:
        """The record's lines."""
        priority = next((number for level, number in _PRIORITY if record.levelno >= level), 7)
        lines = super().format(record).splitlines() or [""]
        return "\n".join(f"<{priority}>{line}" for line in lines)
