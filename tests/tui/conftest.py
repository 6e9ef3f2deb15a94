"""A simulated chain in a process of its own, and the command line as a person calls it."""

from __future__ import annotations

import json
import os
import queue
import shlex
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import pytest

from tests.tui.terminal import Open, Terminal

_PATIENCE = 50.0
"""Seconds for what another process does; a busy machine takes its time, and a test as a whole has 60."""


@dataclass(frozen=True)
class Said:
    """What a command said, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """Standard output as the one JSON document that it must be."""
        return json.loads(self.out)


class Program:
    """A ``linewarden`` process that runs on: its standard output is read as it comes."""

    def __init__(
        self,
        arguments: list[str],
        folder: Path,
        environment: dict[str, str],
        errors: IO[str] | int = subprocess.STDOUT,
    ) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tui.cli", *arguments],
            cwd=folder,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            bufsize=1,
        )
        self._lines: queue.Queue[str] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def pid(self) -> int:
        """Its process id."""
        return self._process.pid

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line.rstrip("\n"))

    def line(self) -> str:
        """The next line that it prints."""
        return self._lines.get(timeout=_PATIENCE)

    def soon(self, within: float = 0.5) -> str:
        """What it prints within so many seconds, as one text."""
        lines = []
        try:
            while True:
                lines.append(self._lines.get(timeout=within))
        except queue.Empty:
            return "\n".join(lines)

    def until(self, part: str) -> str:
        """The next line that has ``part`` in it."""
        while True:
            line = self.line()
            if part in line:
                return line

    def type(self, text: str) -> None:
        """Write a line to it."""
        assert self._process.stdin is not None
        self._process.stdin.write(text + "\n")
        self._process.stdin.flush()

    def order(self, text: str) -> str:
        """Write a line to it, and give the line that it answers."""
        self.type(text)
        return self.line()

    def end_of_itself(self) -> int:
        """Wait until it ends; its exit code."""
        return self._process.wait(_PATIENCE)

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it, and give its exit code."""
        if self._process.poll() is None:
            self._process.send_signal(number)
        code = self._process.wait(_PATIENCE)
        self._reader.join(_PATIENCE)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        return code


class Desk:
    """A folder to work in, with nothing of the developer's own around it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        kept = {name: value for name, value in os.environ.items() if not name.startswith("LINEWARDEN")}
        self.environment = {
            **kept,
            "HOME": str(folder / "home"),
            "XDG_CONFIG_HOME": str(folder / "home" / "config"),
            "XDG_STATE_HOME": str(folder / "home" / "state"),
            "PYTHONPATH": str(Path(__file__).resolve().parents[2]),
            "PYTHONWARNINGS": "error",
        }
        (folder / "home").mkdir()
        self._running: list[Program] = []

    def run(self, *arguments: str, stdin: str = "") -> Said:
        """Run a command to its end."""
        done = subprocess.run(
            [sys.executable, "-m", "tui.cli", *arguments],
            cwd=self.folder,
            env=self.environment,
            input=stdin,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert "Traceback" not in done.stderr, done.stderr
        return Said(done.returncode, done.stdout, done.stderr)

    def start(self, *arguments: str, errors: IO[str] | int = subprocess.STDOUT) -> Program:
        """Start a command that runs on; it is ended with the test."""
        program = Program(list(arguments), self.folder, self.environment, errors)
        self._running.append(program)
        return program

    def chain(self, profile: str = "pellgate-chain", units: int = 4, *more: str) -> Program:
        """A simulated chain behind a pty, and ``site.toml`` that uses it."""
        link = str(self.folder / "line")
        program = self.start(
            "sim",
            "--profile",
            profile,
            "--units",
            str(units),
            "--link",
            link,
            "--site-file",
            "site.toml",
            *more,
        )
        assert program.line() == link
        while not (self.folder / "site.toml").exists():
            program.order("show")
        return program

    def write(self, name: str, text: str | bytes) -> Path:
        """A file in the folder."""
        path = self.folder / name
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return path

    def close(self) -> None:
        """End what still runs."""
        for program in self._running:
            program.end(signal.SIGKILL)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    """An empty folder and the command line."""
    made = Desk(tmp_path)
    yield made
    made.close()


Check = Callable[[Said], None]


@pytest.fixture
def terminal(desk: Desk) -> Iterator[Open]:
    """Opens terminals at 80 x 24, each with a `linewarden` command in it."""
    opened: list[Terminal] = []

    def start(words: str) -> Terminal:
        command = f"{shlex.quote(sys.executable)} -m tui.cli {words}"
        opened.append(Terminal(command, desk.folder, desk.environment, (80, 24)))
        return opened[-1]

    yield start
    for each in opened:
        each.close()
