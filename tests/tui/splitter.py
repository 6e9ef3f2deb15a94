"""A line with a second pair of ears: a pty that hears what an adapter's pty sends to the line's."""

from __future__ import annotations

import os
import select
import threading
import tty
from typing import Self


class Splitter:
    """Passes bytes both ways, and what goes to the line to ``tap`` as well; a context manager.

    Args:
        line: the line's own pty.
    """

    def __init__(self, line: str) -> None:
        self._line = os.open(line, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._line)
        self._adapter, self._adapter_end = os.openpty()
        self._tap, self._tap_end = os.openpty()
        for end in (self._adapter_end, self._tap_end):
            tty.setraw(end)
        self.adapter = os.ttyname(self._adapter_end)
        self.tap = os.ttyname(self._tap_end)
        self.deaf = False
        """Whether the tap hears nothing."""
        self._stop, self._stopped = os.pipe()
        self._thread = threading.Thread(target=self._pass_on)

    def _pass_on(self) -> None:
        while True:
            ready, _, _ = select.select([self._line, self._adapter, self._stop], [], [])
            if self._stop in ready:
                return
            if self._line in ready:
                os.write(self._adapter, os.read(self._line, 4096))
            if self._adapter in ready:
                data = os.read(self._adapter, 4096)
                os.write(self._line, data)
                if not self.deaf:
                    os.write(self._tap, data)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.write(self._stopped, b".")
        self._thread.join()
        for handle in (
            self._line, self._adapter, self._adapter_end, self._tap, self._tap_end, self._stop, self._stopped,
        ):  # fmt: skip
            os.close(handle)
