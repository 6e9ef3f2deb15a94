"""Serial ports: found by name, opened with the line's settings, and guarded at one boundary.

Whatever pyserial or the driver throws while a port is in use becomes ``LinkLost`` here and nowhere else.
Seen on a pty whose peer has gone: ``in_waiting`` raises OSError, ``read`` and ``write`` SerialException,
``flush`` and ``reset_input_buffer`` termios.error (which is no OSError), and ``is_open`` stays true.
"""

from __future__ import annotations

import contextlib
import re
import sys
from dataclasses import dataclass
from typing import Any

import serial
from serial.rs485 import RS485Settings
from serial.tools import list_ports

from profiles.errors import InputError, LinkLost, PortUnavailable
from profiles.frames import Parity, reverse_bits
from profiles.model import LineSettings

__all__ = ["FoundPort", "Port", "PortSettings", "find_ports", "open_port", "resolve_port"]

_DRIVER_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, TypeError)
if sys.platform != "win32":
    import fcntl
    import termios

    _DRIVER_ERRORS = (*_DRIVER_ERRORS, termios.error)
_NOT_OFFERED: tuple[type[Exception], ...] = (
    AttributeError,
    ValueError,
    NotImplementedError,
    *_DRIVER_ERRORS,
)
"""What pyserial throws where a port does not have something."""

_USB_NAME = re.compile(r"usb:([0-9a-f]{4}):([0-9a-f]{4})(?::(.+))?", re.IGNORECASE)
_WRITE_TIMEOUT = 2.0
"""Seconds after which an adapter that takes no bytes counts as lost."""


@dataclass(frozen=True, slots=True)
class PortSettings:
    """How a port is to be opened."""

    port: str
    """A path, ``usb:VID:PID[:SERIAL]``, or a pyserial URL."""
    line: LineSettings
    dtr: bool | None = None
    """The level to set before opening; None leaves the driver's own."""
    rts: bool | None = None
    rs485: bool = False
    """Whether the driver is to switch the direction of an RS-485 transceiver."""
    adapter_inverts: bool = False
    """Whether the adapter turns the levels round, as a line that idles low needs."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port of this machine."""

    path: str
    stable: str | None
    """``usb:VID:PID:SERIAL``, where it is a USB device."""
    title: str


def find_ports() -> list[FoundPort]:
    """The serial ports of this machine, by path."""
    found = []
    for info in sorted(list_ports.comports(), key=lambda port: port.device):
        stable = None
        if info.vid is not None and info.pid is not None:
            stable = f"usb:{info.vid:04x}:{info.pid:04x}"
            if info.serial_number:
                stable += f":{info.serial_number}"
        title = " ".join(filter(None, (info.manufacturer, info.product))) or info.description or ""
        found.append(FoundPort(info.device, stable, title))
    return found


def resolve_port(name: str) -> str:
    """The path or URL that a port's name stands for now.

    Raises:
        PortUnavailable: no such USB device is plugged in, or more than one.
        InputError: the name is no USB name though it begins like one.
    """
    if not name.lower().startswith("usb:"):
        return name
    wanted = _USB_NAME.fullmatch(name)
    if not wanted:
        raise InputError("is no USB port's name", where=name, todo="write usb:VID:PID or usb:VID:PID:SERIAL")
    vendor, product, number = int(wanted[1], 16), int(wanted[2], 16), wanted[3]
    paths = [
        info.device
        for info in list_ports.comports()
        if (info.vid, info.pid) == (vendor, product) and number in (None, info.serial_number)
    ]
    if not paths:
        raise PortUnavailable("no such USB adapter is plugged in", where=name, todo="see `linewarden ports`")
    if len(paths) > 1:
        raise PortUnavailable(
            f"{len(paths)} adapters have this name ({', '.join(paths)})",
            where=name,
            todo="add the serial number, or use a path",
        )
    return paths[0]


def open_port(settings: PortSettings) -> Port:
    """Open a port, exclusively, with the line's settings.

    Raises:
        PortUnavailable: it is not there, is held by another program, or can't do what the line needs.
    """
    name = resolve_port(settings.port)
    _check_settings(settings, name)
    if name.startswith("sim://"):
        from controller.simulator import register

        register()
    line = settings.line
    try:
        device: Any = serial.serial_for_url(
            name,
            do_not_open=True,
            baudrate=round(line.baud),
            bytesize=line.format.data_bits,
            parity=line.format.parity.value,
            stopbits=line.format.stop_bits
            if line.format.stop_bits != int(line.format.stop_bits)
            else int(line.format.stop_bits),
            timeout=0,
            write_timeout=_WRITE_TIMEOUT,
        )
        if settings.dtr is not None:
            device.dtr = settings.dtr
        if settings.rts is not None:
            device.rts = settings.rts
        if "://" not in name:
            device.exclusive = True
        device.open()
    except ValueError as error:
        raise PortUnavailable(f"can't do these line settings ({error})", where=name) from error
    except _DRIVER_ERRORS as error:
        raise _unavailable(name, error) from error
    port = Port(name, device, settings)
    try:
        port.prepare()
    except LinkLost as error:
        port.close()
        raise PortUnavailable(error.what, where=name) from error
    except PortUnavailable:
        port.close()
        raise
    return port


def _check_settings(settings: PortSettings, name: str) -> None:
    line = settings.line
    simulated = name.startswith("sim://")
    if line.format.data_bits == 9:
        raise PortUnavailable(
            "no port of this program can send 9 data bits", where=name, todo="such a line can only be decoded"
        )
    if line.format.stop_bits == 1.5 and line.format.data_bits != 5 and not name.startswith("rfc2217://"):
        raise PortUnavailable(
            "this port sends 1.5 stop bits with 5 data bits only", where=name, todo="use 1 or 2 stop bits"
        )
    if line.idle == "low" and not (settings.adapter_inverts or simulated):
        raise PortUnavailable(
            "the line idles low, and a serial port idles high",
            where=name,
            todo="put an inverter between them and set `adapter_inverts = true` for this bus",
        )


def _unavailable(name: str, error: Exception) -> PortUnavailable:
    """The driver's word in ours, with the most likely way out."""
    text = str(error).lower()
    code = getattr(error, "errno", None)
    if code == 2 or "no such file" in text or "cannot find" in text or "filenotfound" in text:
        return PortUnavailable("there is no such port", where=name, todo="see `linewarden ports`")
    if code in (11, 16) or "lock" in text or "busy" in text or "resource temporarily unavailable" in text:
        holder = _holder(name)
        return PortUnavailable(
            f"is held by {holder or 'another program'}", where=name, todo="end that program first"
        )
    if code == 13 or "permission" in text or "access is denied" in text:
        return PortUnavailable(
            "may not be opened by this user",
            where=name,
            todo="on most Linux systems: add the user to the group that owns the port (often `dialout`)",
        )
    if "protocol" in text and "not known" in text:
        return PortUnavailable(
            "is no URL that a port can have", where=name, todo="use a path or a known scheme"
        )
    return PortUnavailable(f"can't be opened ({error})", where=name)


def _holder(name: str) -> str | None:
    """Which process has the port open, where the system tells (Linux, own processes)."""
    from pathlib import Path

    with contextlib.suppress(OSError):
        wanted = Path(name).resolve()
        for entry in Path("/proc").glob("[0-9]*/fd/*"):
            with contextlib.suppress(OSError):
                if entry.resolve() == wanted:
                    process = entry.parent.parent
                    return f"process {process.name} ({(process / 'comm').read_text().strip()})"
    return None


class Port:
    """An open port. Every method raises ``LinkLost``, and nothing else, when the port is gone."""

    def __init__(self, name: str, device: Any, settings: PortSettings) -> None:
        self.name = name
        self._device = device
        self._settings = settings
        line = settings.line
        self._reversed = line.bit_order == "msb"
        self._data_bits = line.format.data_bits
        self._mask = (1 << self._data_bits) - 1
        self._count_parity = line.format.parity is not Parity.NONE

    def prepare(self) -> None:
        """Low latency and RS-485 where the driver has them; old input is thrown away.

        Raises:
            PortUnavailable: RS-485 direction is asked for and the driver has none.
        """
        if self._settings.rs485:
            try:
                self._device.rs485_mode = RS485Settings()
            except _NOT_OFFERED as error:
                raise PortUnavailable(
                    "its driver can't switch an RS-485 transceiver",
                    where=self.name,
                    todo="use an adapter that switches by itself and leave `rs485` out",
                ) from error
        with contextlib.suppress(*_NOT_OFFERED):
            self._device.set_low_latency_mode(True)
        if sys.platform != "win32" and "://" not in self.name:
            with contextlib.suppress(*_DRIVER_ERRORS):
                fcntl.ioctl(self._device.fileno(), termios.TIOCEXCL)
        try:
            self._device.reset_input_buffer()
        except _DRIVER_ERRORS as error:
            raise self._lost(error) from error

    def fileno(self) -> int | None:
        """A descriptor to wait on, or None where the port has none."""
        try:
            number = self._device.fileno()
        except _NOT_OFFERED:
            return None
        return number if isinstance(number, int) else None

    def read(self) -> bytes:
        """What has arrived; never waits."""
        try:
            data: bytes = self._device.read(max(1, self._device.in_waiting))
        except _DRIVER_ERRORS as error:
            raise self._lost(error) from error
        return reverse_bits(data, self._data_bits) if self._reversed else data

    def write(self, data: bytes) -> None:
        """Hand bytes to the driver."""
        try:
            self._device.write(reverse_bits(data, self._data_bits) if self._reversed else data)
        except _DRIVER_ERRORS as error:
            raise self._lost(error) from error

    def latency(self) -> tuple[float, float] | None:
        """The adapter's least latency and its jitter in seconds, where the adapter itself can tell."""
        latency: float | None = getattr(self._device, "latency_s", None)
        jitter: float | None = getattr(self._device, "jitter_s", None)
        return None if latency is None or jitter is None else (latency, jitter)

    def control_lines(self) -> dict[str, bool]:
        """The levels of the modem control inputs, by name; empty where the port has none."""
        lines = {}
        for name in ("cts", "dsr", "ri", "cd"):
            with contextlib.suppress(*_NOT_OFFERED):
                lines[name] = bool(getattr(self._device, name))
        return lines

    def counters(self) -> dict[str, int]:
        """The driver's own counts of line errors; empty where it keeps none (Linux keeps them)."""
        if sys.platform != "linux" or "://" in self.name:
            return {}
        import array

        counts = array.array("i", [0] * 20)
        with contextlib.suppress(*_DRIVER_ERRORS):
            fcntl.ioctl(self._device.fileno(), _TIOCGICOUNT, counts)
            names = ("frame_errors", "overruns", "parity_errors", "breaks", "buffer_overruns")
            return dict(zip(names, counts[6:11], strict=True))
        return {}

    def close(self) -> None:
        """Let the port go; never fails."""
        if sys.platform != "win32" and "://" not in self.name:
            with contextlib.suppress(*_DRIVER_ERRORS):
                fcntl.ioctl(self._device.fileno(), termios.TIOCNXCL)
        with contextlib.suppress(*_DRIVER_ERRORS):
            self._device.close()

    def _lost(self, error: Exception) -> LinkLost:
        return LinkLost(f"the adapter is gone ({error})", where=self.name, todo="look at its plug and cable")


_TIOCGICOUNT = 0x545D
"""Linux, asm-generic/ioctls.h: counts of modem line and error interrupts (struct serial_icounter_struct)."""
