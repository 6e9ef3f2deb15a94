"""An open port, and the one boundary at which whatever a driver throws becomes ``LinkLost``.

Seen with pyserial on a pty whose peer has gone: ``in_waiting`` raises OSError, ``read`` and ``write``
SerialException, ``flush`` and ``reset_input_buffer`` termios.error (which is no OSError), and ``is_open``
stays true.

Ttys and plain network ports are read and written through their descriptors: a byte is then answered in one
system call each way, and descriptors above 1023 work (pyserial waits with ``select``, which can't have
them). Every other kind of port goes through pyserial's own ``read`` and ``write``.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial

from controller import tty_driver
from controller.control_lines import CONTROL_LINES
from controller.tty_driver import DRIVER_ERRORS
from profiles.errors import LinkLost
from profiles.frames import reverse_bits
from profiles.model import LineSettings

__all__ = ["WRITE_PATIENCE", "Port", "PortSettings"]

WRITE_PATIENCE = 2.0
"""Seconds for which an adapter may take no bytes, and send none, before it counts as lost."""
_LOOK_AGAIN_MS = 100
_MOST_READ = 4096
"""Bytes a read: as many as a Linux tty holds."""
_GONE: tuple[type[Exception], ...] = (*DRIVER_ERRORS, AttributeError, TypeError, ValueError)
"""What pyserial's ports throw once their handle has gone from under them."""
_NO_SUCH_THING: tuple[type[Exception], ...] = (*_GONE, NotImplementedError)
"""The same, and what they throw where they never had it."""
_NOT_OFFERED = (errno.ENOTTY, errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP)
"""What a driver says to what it does not have."""
_WITH_DESCRIPTOR = ("", "hwgrep", "socket")
"""URL schemes (none for a path) whose bytes go through the descriptor itself, on POSIX."""
_KEEP_ALIVE = {"TCP_KEEPIDLE": 5, "TCP_KEEPINTVL": 2, "TCP_KEEPCNT": 3}
"""So a serial server that lost its power or its cable is noticed within some 11 s, though nothing is sent."""


@dataclass(frozen=True, slots=True)
class PortSettings:
    """How a port is to be opened."""

    port: str
    """A path, ``usb:VID:PID[:SERIAL]``, or a pyserial URL."""
    line: LineSettings
    dtr: bool | None = None
    """The level to set before opening; None for on, as serial programs leave it. The Linux kernel itself
    raises DTR and RTS for a moment as it opens a port, which no program can prevent."""
    rts: bool | None = None
    """The same for RTS; with ``rs485``, None leaves it to the driver."""
    rs485: bool = False
    """Whether the driver is to switch the direction of an RS-485 transceiver."""
    adapter_inverts: bool = False
    """Whether the adapter turns the levels round, as a line that idles low needs."""


class Port:
    """An open port. Every method raises ``LinkLost``, and nothing else, when the port is gone.

    One thread uses it; ``counters`` and ``close`` may be called from any.

    Args:
        name: the path or URL that it was opened by.
        device: pyserial's port, open.
        settings: what it was opened for.
        sysfs: where the kernel tells of its devices.
    """

    def __init__(self, name: str, device: Any, settings: PortSettings, *, sysfs: Path = Path("/sys")) -> None:
        self.name = name
        self._device = device
        self._sysfs = sysfs
        line = settings.line
        self._reversed = line.format.data_bits if line.bit_order == "msb" else 0
        scheme = name.split("://", 1)[0].lower() if "://" in name else ""
        self._tty = os.name == "posix" and isinstance(device, serial.Serial)
        self._direct = os.name == "posix" and scheme in _WITH_DESCRIPTOR
        self._one_a_read = scheme == "rfc2217"
        self._network: socket.socket | None = getattr(device, "_socket", None)
        self._lost_already = False
        self._open = threading.Lock()
        """Held while the descriptor must not be closed and given to something else."""
        self._descriptor = self._find_descriptor()
        self._identity = self._which_device(None)

    def _find_descriptor(self) -> int | None:
        try:
            number = self._device.fileno()
        except _NO_SUCH_THING:
            return None
        return number if isinstance(number, int) and number >= 0 else None

    def prepare(self) -> None:
        """Low latency where the driver has it, a firm hold on the port; old input is thrown away.

        Raises:
            LinkLost: the port went away meanwhile.
        """
        with contextlib.suppress(*_NO_SUCH_THING):
            self._device.set_low_latency_mode(True)
        if self._tty and self._descriptor is not None:
            tty_driver.hold(self._descriptor)
        if self._network is not None:
            self._tune(self._network)
        try:
            self._device.reset_input_buffer()
        except _GONE as error:
            raise self._lost(error) from error

    @staticmethod
    def _tune(network: socket.socket) -> None:
        """Send single bytes at once, and notice a far end that has fallen silent for good."""
        with contextlib.suppress(OSError):
            network.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            network.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            for option, value in _KEEP_ALIVE.items():
                if hasattr(socket, option):
                    network.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)

    def fileno(self) -> int | None:
        """A descriptor to wait on, or None where the port has none (or is closed)."""
        return self._descriptor

    def read(self) -> bytes:
        """What has arrived; never waits."""
        data = self._read_descriptor() if self._direct else self._read_device()
        return reverse_bits(data, self._reversed) if self._reversed else data

    def write(self, data: bytes) -> None:
        """Hand bytes to the driver; waits while it has no room for them."""
        if self._reversed:
            data = reverse_bits(data, self._reversed)
        if self._direct:
            self._write_descriptor(data)
            return
        try:
            self._device.write(data)
        except _GONE as error:
            raise self._lost(error) from error

    def check(self) -> None:
        """Look whether the path still leads to the device that was opened.

        A device that is pulled out is noticed by reading. This is for a path that was turned to another
        device while the old one lives on, as the system's stable names for ports can be.
        """
        if self._identity is not None and self._which_device(self._device.port) not in (None, self._identity):
            raise self._lost("another device has taken its name")

    def _which_device(self, path: str | None) -> tuple[int, int, int] | None:
        if not self._tty or self._descriptor is None:
            return None
        with contextlib.suppress(OSError):
            found = os.fstat(self._descriptor) if path is None else os.stat(path)  # noqa: PTH116 -- once a second a port
            return found.st_dev, found.st_ino, found.st_rdev
        return None

    # Through the descriptor

    def _read_descriptor(self) -> bytes:
        descriptor = self._descriptor
        if descriptor is None:
            raise self._lost("it is closed")
        try:
            data = os.read(descriptor, _MOST_READ)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._lost(error) from error
        if not data and not (self._tty and self._lives(descriptor)):
            raise self._lost("its other end has closed" if self._network is not None else "it was pulled out")
        return data

    @staticmethod
    def _lives(descriptor: int) -> bool:
        """Whether a tty that gave no bytes just has none, for another program may have set it so."""
        if sys.platform != "linux":
            return False
        poll = select.poll()
        poll.register(descriptor, 0)
        return not poll.poll(0)

    def _write_descriptor(self, data: bytes) -> None:
        descriptor = self._descriptor
        if descriptor is None:
            raise self._lost("it is closed")
        try:
            done = os.write(descriptor, data)
        except BlockingIOError:
            done = 0
        except OSError as error:
            raise self._lost(error) from error
        if done < len(data):
            self._write_rest(descriptor, data[done:])

    def _write_rest(self, descriptor: int, rest: bytes) -> None:
        poll = select.poll()
        poll.register(descriptor, select.POLLOUT)
        unsent = tty_driver.unsent(descriptor)
        patience = time.monotonic() + WRITE_PATIENCE
        while rest:
            done = 0
            if poll.poll(_LOOK_AGAIN_MS):
                try:
                    done = os.write(descriptor, rest)
                except BlockingIOError:
                    done = 0
                except OSError as error:
                    raise self._lost(error) from error
                rest = rest[done:]
            # On a slow line a tty says that it has room only when it is almost empty; bytes leave meanwhile.
            before, unsent = unsent, tty_driver.unsent(descriptor)
            if done or unsent < before:
                patience = time.monotonic() + WRITE_PATIENCE
            elif time.monotonic() >= patience:
                raise self._lost("it has stopped taking bytes")

    # Through pyserial

    def _read_device(self) -> bytes:
        try:
            data: bytes = self._device.read(_MOST_READ)
            if self._one_a_read and data:
                # With no time-out, this kind of port gives one byte a read.
                data += b"".join(self._device.read(1) for _ in range(self._device.in_waiting))
        except _GONE as error:
            raise self._lost(error) from error
        return data

    # What else a port can tell

    def latency(self) -> tuple[float, float | None] | None:
        """The adapter's least latency and its jitter in seconds, where it can tell them.

        A simulated adapter knows them. A USB-UART with a latency timer hands a byte on at once or when the
        timer ends, and then waits for the next USB frame (1 ms at full speed): see
        ``tty_driver.latency_timer`` for the source. Of any other UART only one thing is sure: nothing comes
        sooner than the line carries it. A pty has no line, and its other end may answer at once.
        """
        with contextlib.suppress(*_GONE):
            return float(self._device.latency_s), float(self._device.jitter_s)
        if not self._tty or self._descriptor is None:
            return None
        timer = tty_driver.latency_timer(self._device.port, self._sysfs)
        if timer is not None:
            return 0.0, timer + _USB_FRAME
        with contextlib.suppress(OSError):
            if sys.platform == "linux" and not tty_driver.is_pty(self._descriptor):
                return 0.0, None
        return None

    def control_lines(self) -> dict[str, bool]:
        """The levels of the modem control inputs, by name; empty where the port can't tell them."""
        if self._tty and self._descriptor is not None:
            try:
                return tty_driver.control_lines(self._descriptor)
            except OSError as error:
                if error.errno in _NOT_OFFERED:
                    return {}
                raise self._lost(error) from error
        lines = {}
        for name in CONTROL_LINES:
            try:
                # pyserial has its own word for one of them.
                lines[name] = bool(getattr(self._device, "cd" if name == "dcd" else name))
            except serial.PortNotOpenError as error:
                raise self._lost(error) from error
            except DRIVER_ERRORS as error:
                # pyserial's own word, without a number: the far end has not told them.
                if getattr(error, "errno", None) not in (None, *_NOT_OFFERED):
                    raise self._lost(error) from error
            except (AttributeError, NotImplementedError):
                continue
        return lines

    def counters(self) -> dict[str, int]:
        """The driver's own counts of line errors; empty where it keeps none (on Linux, most do)."""
        with self._open:
            if not self._tty or self._descriptor is None:
                return {}
            try:
                return tty_driver.error_counts(self._descriptor)
            except OSError as error:
                if error.errno in _NOT_OFFERED:
                    return {}
                raise self._lost(error) from error

    def close(self) -> None:
        """Let the port go; never fails. What was written still leaves, unless the port is lost."""
        with self._open:
            descriptor, self._descriptor = self._descriptor, None
            if self._tty and descriptor is not None:
                tty_driver.let_go(descriptor)
                if self._lost_already:
                    tty_driver.discard_output(descriptor)
            with contextlib.suppress(*_GONE):
                self._device.close()
            if self._network is not None:
                # pyserial leaves it open where the far end has closed first.
                self._network.close()

    def _lost(self, why: object) -> LinkLost:
        self._lost_already = True
        if isinstance(why, OSError) and why.strerror and not isinstance(why, serial.SerialException):
            why = why.strerror
        if self._network is not None:
            todo = "look at the network and at the serial server"
            return LinkLost(f"the connection is gone ({why})", where=self.name, todo=todo)
        return LinkLost(f"the adapter is gone ({why})", where=self.name, todo="look at its plug and cable")


_USB_FRAME = 0.001
"""USB 2.0, full speed: one frame a millisecond."""
