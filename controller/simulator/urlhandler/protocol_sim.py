"""``sim://``: a simulated line as a pyserial port.

The data come through a socket, so that ``fileno()`` can be waited on everywhere. What is written reaches
the line with the instant of the call, not that at which a thread comes to it. Baud and format are taken as
they are set and change nothing: the line goes by its profile. A break is not noticed by the units.
"""

from __future__ import annotations

import contextlib
import math
import select
import socket
import time
from typing import TYPE_CHECKING, Any

from serial.serialutil import PortNotOpenError, SerialBase, SerialException

if TYPE_CHECKING:
    from controller.simulator.registry import Running, _SocketEndpoint

__all__ = ["MACHINE_JITTER", "Serial"]

MACHINE_JITTER = 300e-6
"""By how much a thread that is woken may be late on a machine that has other things to do, seconds: of a
hundred echoes on a quiet machine some take 200 microseconds longer than the line does."""


class Serial(SerialBase):
    """A port on a simulated line; see controller/simulator/url.py for its URLs."""

    _line: Running | None = None
    _endpoint: _SocketEndpoint | None = None
    _cancels: tuple[socket.socket, socket.socket] | None = None

    def open(self) -> None:
        """Open the port: the line that its URL means begins to run, unless it runs already.

        Raises:
            PortUnavailable: the URL or the profile that it names is wrong.
            SerialException: no port is given, it is open already, or the simulated adapter is unplugged.
        """
        # Not at the top: pyserial takes any ImportError of a handler for an unknown scheme.
        from controller.simulator.registry import attach

        if self.port is None:
            raise SerialException("Port must be configured before it can be used.")
        if self.is_open:
            raise SerialException("Port is already open.")
        line = attach(self.port)
        self._endpoint = line.open()
        self._line = line
        self._cancels = socket.socketpair()
        self.is_open = True
        if not self.dsrdtr:
            self._update_dtr_state()
        if not self.rtscts:
            self._update_rts_state()

    def close(self) -> None:
        """Close the port; a line with a name of its own runs on."""
        line, endpoint, cancels = self._line, self._endpoint, self._cancels
        self._line = self._endpoint = self._cancels = None
        self.is_open = False
        if line is not None and endpoint is not None:
            from controller.simulator.registry import released

            line.close(endpoint)
            endpoint.theirs.close()
            released(line)
        for end in cancels or ():
            end.close()

    def _opened(self) -> tuple[Running, _SocketEndpoint]:
        if self._line is None or self._endpoint is None:
            raise PortNotOpenError
        return self._line, self._endpoint

    def _gone(self) -> SerialException:
        return SerialException("the simulated adapter was unplugged")

    def _reconfigure_port(self, force_update: bool = False) -> None:
        """Settings are taken as they are."""

    def fileno(self) -> int:
        """A descriptor that is readable when bytes have arrived, or the adapter is gone."""
        return self._opened()[1].theirs.fileno()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""
        _, endpoint = self._opened()
        try:
            return len(endpoint.theirs.recv(65536, socket.MSG_PEEK)) + endpoint.kept
        except BlockingIOError:
            return 0
        except OSError as error:
            raise self._gone() from error

    @property
    def out_waiting(self) -> int:
        """Bytes that have not begun to leave the adapter."""
        line, _ = self._opened()
        return line.live.unsent()

    def read(self, size: int = 1, /) -> bytes:
        """Read up to ``size`` bytes within the time-out; with none, exactly so many.

        Raises:
            SerialException: the simulated adapter was unplugged.
        """
        line, endpoint = self._opened()
        data = bytearray()
        until = math.inf if self.timeout is None else time.perf_counter() + self.timeout
        while len(data) < size:
            try:
                piece = endpoint.theirs.recv(size - len(data))
            except BlockingIOError:
                left = 0.0 if self.timeout == 0 else until - time.perf_counter()
                if left <= 0 or not self._wait(endpoint, None if left == math.inf else left):
                    break
                continue
            except OSError as error:
                raise self._gone() from error
            if not piece:
                if data:
                    break
                raise self._gone()
            data += piece
            if endpoint.kept:
                with line.live.lock, contextlib.suppress(OSError):
                    endpoint.refill()
        return bytes(data)

    def _wait(self, endpoint: _SocketEndpoint, limit: float | None) -> bool:
        """Wait for bytes; False where time is up or the read was cancelled."""
        if self._cancels is None:
            return False
        cancelled = self._cancels[0]
        try:
            ready, _, _ = select.select([endpoint.theirs, cancelled], [], [], limit)
        except (OSError, ValueError) as error:
            raise self._gone() from error
        if cancelled in ready:
            cancelled.recv(64)
            return False
        return bool(ready)

    def cancel_read(self) -> None:
        """End a read that waits in another thread; else the next one that would wait."""
        if self._cancels is not None:
            self._cancels[1].send(b"\0")

    def write(self, data: Any, /) -> int:
        """Hand bytes to the adapter, which puts them on the line one after another.

        Raises:
            SerialException: the simulated adapter was unplugged.
        """
        at = time.perf_counter()
        line, endpoint = self._opened()
        if endpoint.fileno() < 0:
            raise self._gone()
        written = bytes(data)
        line.live.feed(written, at)
        return len(written)

    def flush(self) -> None:
        """Wait until all that was written has left the adapter."""
        line, endpoint = self._opened()
        while (left := line.live.sent_in()) > 0:
            if endpoint.fileno() < 0:
                raise self._gone()
            time.sleep(min(left, 0.1))

    def reset_input_buffer(self) -> None:
        """Throw away what has arrived."""
        line, endpoint = self._opened()
        with line.live.lock:
            endpoint.forget()
            try:
                while endpoint.theirs.recv(65536):
                    pass
            except BlockingIOError:
                return
            except OSError as error:
                raise self._gone() from error
        raise self._gone()

    def reset_output_buffer(self) -> None:
        """Take back what has not begun to leave the adapter."""
        line, _ = self._opened()
        line.live.withdraw()

    def _update_break_state(self) -> None:
        """Nothing on the line takes notice of a break."""

    def _update_rts_state(self) -> None:
        self._opened()[0].driven.rts = self.rts

    def _update_dtr_state(self) -> None:
        self._opened()[0].driven.dtr = self.dtr

    def _control_line(self, name: str) -> bool:
        line, endpoint = self._opened()
        if endpoint.fileno() < 0:
            raise self._gone()
        return line.live.line.adapter.control_lines[name]

    @property
    def cts(self) -> bool:
        """Clear to send, as the order ``line cts on`` sets it."""
        return self._control_line("cts")

    @property
    def dsr(self) -> bool:
        """Data set ready."""
        return self._control_line("dsr")

    @property
    def ri(self) -> bool:
        """Ring indicator."""
        return self._control_line("ri")

    @property
    def cd(self) -> bool:
        """Carrier detect."""
        return self._control_line("dcd")

    @property
    def latency_s(self) -> float:
        """The least that the simulated adapter adds to a frame that comes alone, seconds."""
        return self._opened()[0].live.line.adapter.facts.least_s

    @property
    def jitter_s(self) -> float:
        """How much more is sometimes added, by the adapter and by this machine, seconds."""
        return self._opened()[0].live.line.adapter.facts.jitter_s + MACHINE_JITTER
