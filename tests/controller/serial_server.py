"""An RFC 2217 serial server on loopback: pyserial's own PortManager in front of a recorded port."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Any, Self

import pytest
from serial.rfc2217 import PortManager
from serial.urlhandler.protocol_loop import Serial as LoopSerial

from tests.controller.line_ends import PATIENCE

quiet_about_pyserial = pytest.mark.filterwarnings(
    "ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning"
)
"""pyserial 3.5 sets its reader thread up in a way that Python discourages since 3.10."""


class RecordedPort(LoopSerial):
    """pyserial's loop-back port, which keeps what is set on it, in order."""

    def __init__(self) -> None:
        self.log: list[str] = []
        super().__init__("loop://", timeout=0)

    def _reconfigure_port(self) -> None:
        super()._reconfigure_port()  # type: ignore[misc]  # -- there, and not in pyserial's stubs
        self.log.append(f"{self.baudrate} {self.bytesize}{self.parity}{self.stopbits:g}")

    def _update_dtr_state(self) -> None:
        self.log.append(f"dtr {self.dtr}")

    def _update_rts_state(self) -> None:
        self.log.append(f"rts {self.rts}")


class _Connection:
    def __init__(self, peer: socket.socket) -> None:
        self._peer = peer
        self._lock = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._lock, contextlib.suppress(OSError):
            self._peer.sendall(data)


class SerialServer:
    """Serves one connection after another; what is written to its port comes back."""

    def __init__(self) -> None:
        self.device = RecordedPort()
        self.device.log.clear()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.settimeout(0.05)
        self.port = self._listening.getsockname()[1]
        self.url = f"rfc2217://127.0.0.1:{self.port}"
        self.received = bytearray()
        self._stop = threading.Event()
        self._peer: socket.socket | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._peer, _ = self._listening.accept()
            except OSError:
                continue
            with self._peer:
                self._peer.settimeout(0.02)
                self._serve(self._peer)
            self._peer = None

    def _serve(self, peer: socket.socket) -> None:
        connection = _Connection(peer)
        make: Any = PortManager  # the stubs ask for a Serial; it takes any port and any connection
        manager = make(self.device, connection)
        while not self._stop.is_set():
            try:
                data = peer.recv(1024)
                if not data:
                    return
                arrived = b"".join(manager.filter(data))
                self.received += arrived
                connection.write(b"".join(manager.escape(arrived)))
            except TimeoutError:
                continue
            except OSError:
                return

    def drop(self) -> None:
        """Cut the connection, as a server does that loses its power."""
        peer = self._peer
        if peer is not None:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(PATIENCE)
        self._listening.close()
        self.device.close()
