"""A program on a pseudo-terminal, as quick as one can be read: for the times that a person waits."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

__all__ = ["TimedScreen"]


class TimedScreen:
    """Starts a program on a terminal of its own, and says how long it takes until something is painted.

    Args:
        words: the program and its arguments.
        folder: where it works.
        environment: its environment.
        size: columns and rows.
    """

    def __init__(
        self,
        words: Sequence[str],
        folder: Path,
        environment: Mapping[str, str],
        size: tuple[int, int] = (80, 24),
    ) -> None:
        self._began = time.perf_counter()
        self.pid, self._terminal = pty.fork()
        if self.pid == 0:
            os.chdir(folder)
            os.execvpe(words[0], [*words], {**environment, "TERM": "xterm-256color", "LC_ALL": "C.UTF-8"})
        fcntl.ioctl(self._terminal, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self._painted = b""

    def first(self, part: str, patience: float = 30.0) -> float:
        """Seconds from its start until a text is painted."""
        self._until(part, patience)
        return time.perf_counter() - self._began

    def press(self, keys: str, part: str, patience: float = 10.0) -> float:
        """Seconds from a key's press until a text is painted after it."""
        self.drain(0.0)
        self._painted = b""
        began = time.perf_counter()
        os.write(self._terminal, keys.encode())
        self._until(part, patience)
        return time.perf_counter() - began

    def type(self, keys: str) -> None:
        """Type something."""
        os.write(self._terminal, keys.encode())

    def drain(self, seconds: float) -> None:
        """Read what it paints for so long."""
        end = time.perf_counter() + seconds
        while self._read(max(0.0, end - time.perf_counter())) or time.perf_counter() < end:
            pass

    def _read(self, patience: float) -> bool:
        if not select.select([self._terminal], [], [], patience)[0]:
            return False
        try:
            self._painted = (self._painted + os.read(self._terminal, 65536))[-262_144:]
        except OSError:
            return False
        return True

    def _until(self, part: str, patience: float) -> None:
        wanted, end = part.encode(), time.perf_counter() + patience
        while wanted not in self._painted:
            left = end - time.perf_counter()
            assert left > 0, f"{part!r} was never painted"
            self._read(left)

    @property
    def cpu(self) -> float:
        """CPU seconds that it has used."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    @property
    def waited(self) -> float:
        """Seconds that its main thread was ready and had no processor."""
        return int(Path(f"/proc/{self.pid}/schedstat").read_text().split()[1]) / 1e9

    def leave(self, keys: str, patience: float = 60.0) -> int:
        """Type what ends it; gives its exit code."""
        self.type(keys)
        end = time.perf_counter() + patience
        while time.perf_counter() < end:
            self._read(0.05)
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                os.close(self._terminal)
                return os.waitstatus_to_exitcode(status)
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        raise AssertionError("it did not end")
