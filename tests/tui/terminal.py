"""A real terminal: tmux, with keys typed into it and its screen read."""

from __future__ import annotations

import os
import subprocess
import time
import uuid
from collections.abc import Callable
from pathlib import Path

_PATIENCE = 30.0


Open = Callable[[str], "Terminal"]
"""Opens a terminal of 80 x 24 with a `linewarden` command in it."""


class Terminal:
    """One tmux server of its own, with one window."""

    def __init__(
        self, command: str, folder: Path, environment: dict[str, str], size: tuple[int, int]
    ) -> None:
        self._socket = f"linewarden-{uuid.uuid4().hex[:12]}"
        self._environment = {
            **environment,
            "TERM": "xterm-256color",
            "TMUX_TMPDIR": str(folder),
            "LC_ALL": "C.UTF-8",
        }
        # COLUMNS and LINES would stand for the window's size, whatever that becomes.
        for name in ("TMUX", "COLUMNS", "LINES"):
            self._environment.pop(name, None)
        width, height = size
        self._tmux(
            "-f",
            os.devnull,
            "new-session",
            "-d",
            "-x",
            str(width),
            "-y",
            str(height),
            "-c",
            str(folder),
            command,
        )

    def _tmux(self, *words: str) -> str:
        done = subprocess.run(
            ["tmux", "-u", "-L", self._socket, *words],
            env=self._environment,
            capture_output=True,
            text=True,
            timeout=_PATIENCE,
            check=True,
        )
        return done.stdout

    def type(self, *keys: str) -> None:
        """Type keys by tmux's names for them."""
        self._tmux("send-keys", *keys)

    def write(self, text: str) -> None:
        """Type a text as it is."""
        self._tmux("send-keys", "-l", text)

    def resize(self, width: int, height: int) -> None:
        """Make its window another size."""
        self._tmux("resize-window", "-x", str(width), "-y", str(height))

    @property
    def screen(self) -> str:
        """What the terminal shows."""
        return self._tmux("capture-pane", "-p")

    def until(self, *parts: str, holds: Callable[[str], bool] | None = None) -> str:
        """Wait until the screen has all of these; gives the screen."""
        end = time.monotonic() + _PATIENCE
        shown = ""
        while time.monotonic() < end:
            shown = self.screen
            if all(part in shown for part in parts) and (holds is None or holds(shown)):
                return shown
            time.sleep(0.05)  # the terminal has no event to wait for
        raise AssertionError(f"{parts} never showed:\n{shown}")

    def until_ended(self) -> None:
        """Wait until the program in it has ended."""
        end = time.monotonic() + _PATIENCE
        while self.running and time.monotonic() < end:
            time.sleep(0.05)  # as above

    @property
    def running(self) -> bool:
        """Whether the program in it still runs."""
        try:
            self._tmux("has-session")
        except subprocess.CalledProcessError:
            return False
        return True

    def close(self) -> None:
        """End the server, and whatever runs in it."""
        if self.running:
            self._tmux("kill-server")
