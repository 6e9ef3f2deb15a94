"""A simulated line behind a pseudo-terminal, for any serial program of this machine (POSIX only)."""

from __future__ import annotations

import contextlib
import os
import threading
from pathlib import Path
from typing import Self

from controller.simulator.line import SimulatedLine
from controller.simulator.runner import LiveLine, Runner, shared_runner, watchable
from profiles.errors import PortUnavailable

__all__ = ["PtyPort"]


class _PtyEndpoint:
    """The simulator's end of a pseudo-terminal.

    The other end is kept open here too, so that the pair outlives a program that closes it.
    """

    def __init__(self) -> None:
        try:
            import pty
            import tty
        except ImportError:
            raise PortUnavailable(
                "this system has no pseudo-terminals", todo="use a sim:// port instead"
            ) from None
        try:
            self._master, self._slave = pty.openpty()
            tty.setraw(self._slave)
            self.path = os.ttyname(self._slave)
            os.set_blocking(self._master, False)
        except OSError as error:
            raise PortUnavailable(f"no pseudo-terminal can be had ({error})") from error
        try:
            watchable(self._master)
        except PortUnavailable:
            self.close()
            raise

    def fileno(self) -> int:
        """The simulator's end; -1 once it is closed."""
        return self._master

    def read(self) -> bytes:
        """What a program has written."""
        with contextlib.suppress(BlockingIOError):
            return os.read(self._master, 65536)
        return b""

    def write(self, data: bytes) -> int:
        """Hand bytes to the program; the system keeps some thousands for one that does not read."""
        with contextlib.suppress(BlockingIOError):
            return os.write(self._master, data)
        return 0

    def close(self) -> None:
        """Hang up: a program that has the port open sees it vanish."""
        master, slave = self._master, self._slave
        self._master = self._slave = -1
        for descriptor in (master, slave):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class PtyPort:
    """A pseudo-terminal with a simulated line behind it.

    ``unplug`` hangs it up, so that a serial program sees its port vanish; ``plug`` gives a new one, under
    the same link. Baud and format that a program sets do not matter: a pseudo-terminal has none.

    Args:
        line: the line in virtual time.
        link: a symbolic link to make to the port, which then keeps its name; replaced if it is one already.
        runner: who runs the line; by default the one of this process.

    Raises:
        PortUnavailable: there are no pseudo-terminals here, or the link can't be made.
    """

    def __init__(
        self, line: SimulatedLine, *, link: str | Path | None = None, runner: Runner | None = None
    ) -> None:
        self._link = Path(link) if link is not None else None
        self._runner = runner if runner is not None else shared_runner()
        self._switching = threading.Lock()
        self._pty: _PtyEndpoint | None = None
        self.live = LiveLine(line, on_plug=self._plugged)
        if line.plugged:
            self._open()
        self._runner.add(self.live)

    @property
    def path(self) -> str | None:
        """The port's path: the link's where there is one; None while it is unplugged."""
        pty = self._pty
        if pty is None:
            return None
        return str(self._link) if self._link is not None else pty.path

    def order(self, text: str) -> str:
        """Carry out one order; says what was done.

        Raises:
            InputError: it is no order, or can't be done on this line.
        """
        return self.live.order(text)

    def close(self) -> None:
        """Hang up and end the line."""
        self._runner.remove(self.live)
        with self._switching:
            self._hang_up()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _plugged(self, plugged: bool) -> None:
        with self._switching:
            self._open() if plugged else self._hang_up()
        self._runner.wake()

    def _open(self) -> None:
        endpoint = _PtyEndpoint()
        try:
            if self._link is not None:
                _point(self._link, endpoint.path)
        except PortUnavailable:
            endpoint.close()
            raise
        self._pty = endpoint
        with self.live.lock:
            self.live.endpoint = endpoint

    def _hang_up(self) -> None:
        endpoint, self._pty = self._pty, None
        if endpoint is None:
            return
        with self.live.lock:
            self.live.endpoint = None
            endpoint.close()
        if self._link is not None and self._link.is_symlink():
            with contextlib.suppress(OSError):
                if str(self._link.readlink()) == endpoint.path:
                    self._link.unlink()


def _point(link: Path, target: str) -> None:
    """Make a symbolic link, or let one that is there point elsewhere, in one step.

    Raises:
        PortUnavailable: something that is no link stands there, or the folder can't be written.
    """
    if link.exists() and not link.is_symlink():
        raise PortUnavailable(
            "is there already and is no symbolic link", where=str(link), todo="give another name"
        )
    fresh = link.with_name(f".{link.name}.{os.getpid()}")
    try:
        fresh.symlink_to(target)
        fresh.replace(link)
    except OSError as error:
        raise PortUnavailable(
            f"no symbolic link can be made ({error.strerror})",
            where=str(link),
            todo="look at the folder and its permissions",
        ) from error
