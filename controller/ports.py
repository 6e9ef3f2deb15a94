"""Serial ports: found by name, and opened with the line's settings or refused with one clear word.

What an open port does is in controller/port_io.py, the words for one that can't be opened in
controller/port_errors.py, what only some drivers offer in controller/tty_driver.py.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import serial
from serial.rs485 import RS485Settings
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from controller import tty_driver
from controller.port_errors import held, unavailable
from controller.port_io import WRITE_PATIENCE, Port, PortSettings
from controller.tty_driver import DRIVER_ERRORS, SETTINGS_ERRORS, RateRefused
from profiles.errors import InputError, LinewardenError, LinkLost, PortUnavailable

__all__ = ["FoundPort", "Port", "PortSettings", "find_ports", "open_port", "resolve_port"]

_USB_NAME = re.compile(r"usb:([0-9a-f]{4}):([0-9a-f]{4})(?::(.+))?", re.IGNORECASE)
_PLACEHOLDER_RATE = 38400
"""What a port is opened with before a rate is set that termios has no constant for."""
_RATE_TOLERANCE = 0.03
"""How far off a driver's true rate may be. Common practice, no source: a receiver samples 8N1 right while
both ends together are less than about 5 % apart."""
_LONGEST_MESSAGE = 256
"""Frames; what a port that is written through pyserial is given time for."""


@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port of this machine."""

    path: str
    stable: str | None
    """``usb:VID:PID:SERIAL``, where it is a USB device."""
    title: str


def find_ports() -> list[FoundPort]:
    """The serial ports of this machine, by path.

    Raises:
        PortUnavailable: the system's list can't be read.
    """
    found = []
    for info in sorted(_listed(), key=lambda port: port.device):
        stable = None
        if info.vid is not None and info.pid is not None:
            stable = f"usb:{info.vid:04x}:{info.pid:04x}"
            if info.serial_number:
                stable += f":{info.serial_number}"
        described = info.description if info.description not in (None, "n/a") else ""
        title = " ".join(filter(None, (info.manufacturer, info.product))) or described
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
        for info in _listed()
        if (info.vid, info.pid) == (vendor, product) and number in (None, info.serial_number)
    ]
    if not paths:
        raise PortUnavailable("no such USB adapter is plugged in", where=name, todo="see `linewarden ports`")
    if len(paths) > 1:
        raise PortUnavailable(
            f"{len(paths)} ports have this name ({', '.join(sorted(paths))})",
            where=name,
            todo="use a path" if number else "add the serial number, or use a path",
        )
    return str(paths[0])


def _listed() -> list[ListPortInfo]:
    for _ in range(3):
        # pyserial reads sysfs file by file, and trips over an adapter that is pulled out meanwhile.
        with contextlib.suppress(OSError, TypeError, ValueError):
            return list(list_ports.comports())
    raise PortUnavailable("the system's list of ports can't be read", todo="use a path")


def open_port(settings: PortSettings, *, sysfs: Path = Path("/sys")) -> Port:
    """Open a port, exclusively, with the line's settings.

    Args:
        settings: which port, and how.
        sysfs: where the kernel tells of its devices (Linux).

    Raises:
        PortUnavailable: it is not there, is held by another program, or can't do what the line needs.
        InputError: its name can't be one.
    """
    name = resolve_port(settings.port)
    _check_settings(settings, name)
    scheme = _scheme(name)
    if scheme == "":
        _check_path(name)
    elif scheme in ("socket", "rfc2217"):
        _check_address(name)
    elif scheme == "sim":
        from controller.simulator import register
        from profiles.library import find

        register(lambda profile: find(profile).load())
    try:
        device = _device(settings, name)
        with contextlib.ExitStack() as undo:
            undo.callback(_close, device)
            _open(device)
            _settle(device, settings, name)
            port = Port(name, device, settings, sysfs=sysfs)
            undo.callback(port.close)
            port.prepare()
            undo.pop_all()
    except LinkLost as error:
        what = f"went away while it was opened: {error.what}"
        raise PortUnavailable(what, where=name, todo=error.todo) from error
    except LinewardenError:
        raise
    except _OPENING_ERRORS as error:
        raise _refused(settings, name, error) from error
    return port


def _close(device: Any) -> None:
    with contextlib.suppress(*_OPENING_ERRORS):
        device.close()


_OPENING_ERRORS: tuple[type[Exception], ...] = (
    *DRIVER_ERRORS,
    *SETTINGS_ERRORS,
    RateRefused,
    AttributeError,
    LookupError,
    OverflowError,
    TypeError,
)
"""What pyserial and the drivers throw where a port can't be had or can't do what is asked."""


def _device(settings: PortSettings, name: str) -> Any:
    """Pyserial's port, set up and not opened yet."""
    line = settings.line
    baud = round(line.baud)
    scheme = _scheme(name)
    device: Any = serial.serial_for_url(
        name,
        do_not_open=True,
        baudrate=baud,
        bytesize=line.format.data_bits,
        parity=line.format.parity.value,
        stopbits=line.format.stop_bits,
        timeout=0,
    )
    if scheme != "rfc2217":  # it has none, and says so by failing
        device.write_timeout = WRITE_PATIENCE + _LONGEST_MESSAGE * line.frame_time
    if settings.dtr is not None:
        device.dtr = settings.dtr
    if settings.rts is not None:
        device.rts = settings.rts
    if not isinstance(device, serial.Serial):
        if settings.rs485 and scheme != "sim":
            raise _no_rs485(name)
        return device
    device.exclusive = True
    if os.name == "posix":
        # A read then tells "nothing yet" from "gone": VMIN 1 and VTIME 0.
        device.inter_byte_timeout = 0
        if tty_driver.needs_own_rate(baud):
            device.baudrate = _PLACEHOLDER_RATE
    if settings.rs485:
        # Before opening: a transceiver that is switched to sending holds the whole line.
        device.rs485_mode = RS485Settings()
        if settings.rts is None:
            device.rts = False
    return device


def _open(device: Any) -> None:
    """Open it; a pty whose kernel does not take the frame format passes whole bytes all the same."""
    try:
        device.open()
    except SETTINGS_ERRORS as error:
        # Linux' ptys keep 8 data bits and no parity. glibc says so where these alone were to be changed: not
        # to the first who opens one with a rate of its own, but to the second.
        if not _is_of_settings(error) or not tty_driver.is_pty(device.port):
            raise
        device.bytesize, device.parity = serial.EIGHTBITS, serial.PARITY_NONE
        device.open()


def _settle(device: Any, settings: PortSettings, name: str) -> None:
    """What can be seen to only once a tty is open."""
    if not isinstance(device, serial.Serial) or os.name != "posix":
        return
    descriptor = device.fileno()
    if tty_driver.marked_as_held(descriptor):
        raise held(name)
    baud = round(settings.line.baud)
    if tty_driver.needs_own_rate(baud):
        tty_driver.set_rate(descriptor, baud)
    true = tty_driver.rate(descriptor)
    if true is not None and abs(true - baud) > _RATE_TOLERANCE * baud:
        raise PortUnavailable(
            f"its driver can't do {settings.line.baud:g} baud, the nearest is {true}",
            where=name,
            todo="use an adapter that has this rate",
        )


def _refused(settings: PortSettings, name: str, error: Exception) -> PortUnavailable:
    line = settings.line
    text = str(error)
    if settings.rs485 and ("RS485" in text or isinstance(error, NotImplementedError)):
        return _no_rs485(name)
    todo = "use an adapter that has this rate and frame format"
    if isinstance(error, RateRefused) or (_is_of_settings(error) and "baud" in text):
        return PortUnavailable(f"its driver can't do {line.baud:g} baud", where=name, todo=todo)
    if _is_of_settings(error) and _scheme(name) == "":
        return PortUnavailable(
            f"its driver can't do {line.frame} at {line.baud:g} baud", where=name, todo=todo
        )
    return unavailable(name, error)


def _is_of_settings(error: Exception) -> bool:
    gone = bool(error.args) and error.args[0] == errno.EIO
    return isinstance(error, SETTINGS_ERRORS) and not isinstance(error, OSError) and not gone


def _no_rs485(name: str) -> PortUnavailable:
    return PortUnavailable(
        "its driver can't switch an RS-485 transceiver",
        where=name,
        todo="use an adapter that switches by itself and leave `rs485` out",
    )


def _check_settings(settings: PortSettings, name: str) -> None:
    line = settings.line
    simulated = _scheme(name) == "sim"
    if line.baud < 1:
        raise PortUnavailable(
            f"no port can do {line.baud:g} baud", where=name, todo="use a rate of 1 baud or more"
        )
    if line.format.data_bits == 9:
        raise PortUnavailable(
            "no port of this program can send 9 data bits", where=name, todo="such a line can only be decoded"
        )
    if line.format.stop_bits == 1.5 and line.format.data_bits != 5 and _scheme(name) != "rfc2217":
        raise PortUnavailable(
            "this port sends 1.5 stop bits with 5 data bits only", where=name, todo="use 1 or 2 stop bits"
        )
    if line.idle == "low" and not (settings.adapter_inverts or simulated):
        raise PortUnavailable(
            "the line idles low, and a serial port idles high",
            where=name,
            todo="put an inverter between them and set `adapter_inverts = true` for this bus",
        )


def _check_path(name: str) -> None:
    """Refuse what is no port before it is opened: opening a file or a pipe may do something to it."""
    if os.name != "posix":
        return
    try:
        mode = os.stat(name).st_mode  # noqa: PTH116 -- a Path would take an empty name for this folder
    except (OSError, ValueError) as error:
        raise unavailable(name, error) from error
    if not stat.S_ISCHR(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "a file" if stat.S_ISREG(mode) else "something else"
        raise PortUnavailable(f"is {what} and no serial port", where=name, todo="see `linewarden ports`")


def _check_address(name: str) -> None:
    with contextlib.suppress(ValueError):
        parts = urlsplit(name)
        if parts.hostname and parts.port:
            return
    scheme = _scheme(name)
    raise PortUnavailable(
        "its URL does not say where to connect to", where=name, todo=f"write {scheme}://HOST:PORT"
    )


def _scheme(name: str) -> str:
    """A URL's scheme; empty for a path."""
    return name.split("://", 1)[0].lower() if "://" in name else ""
