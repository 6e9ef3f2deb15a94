"""What a tty driver offers beyond bytes: an exclusive hold, any rate, its latency timer, its error counts.

Linux offers all of it. Elsewhere each function says so by its result, and the port works without: macOS has
the exclusive hold alone, Windows holds a port exclusively by itself.
"""

from __future__ import annotations

import array
import contextlib
import os
import sys
from pathlib import Path

import serial

if sys.platform != "win32":
    import fcntl
    import termios

__all__ = [
    "DRIVER_ERRORS",
    "LINE_ERRORS",
    "SETTINGS_ERRORS",
    "RateRefused",
    "control_lines",
    "discard_output",
    "error_counts",
    "hold",
    "is_pty",
    "latency_timer",
    "let_go",
    "marked_as_held",
    "needs_own_rate",
    "rate",
    "set_rate",
    "unsent",
]

if sys.platform != "win32":
    DRIVER_ERRORS: tuple[type[Exception], ...] = (serial.SerialException, OSError, termios.error)
    SETTINGS_ERRORS: tuple[type[Exception], ...] = (termios.error, ValueError, NotImplementedError)
else:
    DRIVER_ERRORS = (serial.SerialException, OSError)
    SETTINGS_ERRORS = (ValueError, NotImplementedError)
"""What pyserial and a driver throw; termios.error is no OSError. Of these, and beside them, SETTINGS_ERRORS
where the driver does not take a rate or format."""

# Linux, asm-generic/ioctls.h and asm-generic/termbits.h; struct termios2 is 44 bytes, read as 11 words.
_TIOCGICOUNT = 0x545D
_TIOCGEXCL = 0x80045440
_TCGETS2 = 0x802C542A
_TCSETS2 = 0x402C542B
LINE_ERRORS = ("frame_errors", "overruns", "parity_errors", "breaks", "buffer_overruns")
"""What a driver counts, in the order of ``struct serial_icounter_struct``, linux/serial.h."""
_CBAUD = 0o010017
_CIBAUD = 0o010017 << 16
_BOTHER = 0o010000
_CFLAG, _ISPEED, _OSPEED = 2, 9, 10
_PTY_SLAVES = range(136, 144)
"""Major numbers of Unix98 pty slaves: Linux, Documentation/admin-guide/devices.txt."""


class RateRefused(Exception):
    """The driver does not take the rate; never leaves controller/ports.py."""


def hold(descriptor: int) -> None:
    """Have the kernel refuse this port to other programs (not to root), where it can.

    A pty is left alone: its mark would outlive a program that was killed, for as long as its other end
    lives. The lock that pyserial takes guards it as well.
    """
    if sys.platform != "win32" and not is_pty(descriptor):
        with contextlib.suppress(OSError):
            fcntl.ioctl(descriptor, termios.TIOCEXCL)


def let_go(descriptor: int) -> None:
    """Take ``hold`` back."""
    if sys.platform != "win32":
        with contextlib.suppress(OSError):
            fcntl.ioctl(descriptor, termios.TIOCNXCL)


def marked_as_held(descriptor: int) -> bool:
    """Whether another program has had the kernel refuse this port to others: root gets in all the same."""
    if sys.platform == "linux":
        mark = array.array("i", [0])
        with contextlib.suppress(OSError):
            fcntl.ioctl(descriptor, _TIOCGEXCL, mark)
            return bool(mark[0])
    return False


def is_pty(port: int | str) -> bool:
    """Whether a port, open or by its path, is a pty: no UART, so it has no frame format (Linux)."""
    if sys.platform != "linux":
        return False
    return os.major(os.stat(port).st_rdev) in _PTY_SLAVES  # noqa: PTH116 -- of a descriptor as well


def needs_own_rate(baud: int) -> bool:
    """Whether ``set_rate`` has to set this rate because termios has no constant for it (Linux).

    pyserial 3.5 sets such a rate in a way that glibc refuses from 2.42 on.
    """
    return sys.platform == "linux" and not hasattr(termios, f"B{baud}")


def set_rate(descriptor: int, baud: int) -> None:
    """Set any rate, in bits a second (Linux).

    Raises:
        RateRefused: the driver does not take it.
    """
    if sys.platform == "linux":
        settings = array.array("I", [0] * 11)
        try:
            fcntl.ioctl(descriptor, _TCGETS2, settings)
            # No rate of its own for input: it follows the output's.
            settings[_CFLAG] = settings[_CFLAG] & ~(_CBAUD | _CIBAUD) | _BOTHER
            settings[_ISPEED] = settings[_OSPEED] = baud
            fcntl.ioctl(descriptor, _TCSETS2, settings)
        except OSError as error:
            raise RateRefused(error.strerror) from error


def rate(descriptor: int) -> int | None:
    """The rate that the driver has really set, in bits a second; None where it does not tell."""
    if sys.platform == "linux":
        settings = array.array("I", [0] * 11)
        with contextlib.suppress(OSError):
            fcntl.ioctl(descriptor, _TCGETS2, settings)
            return settings[_OSPEED] or None
    return None


def control_lines(descriptor: int) -> dict[str, bool]:
    """The levels of the modem control inputs, all in one question: a USB adapter takes its time for each.

    Raises:
        OSError: the port is gone, or its driver has none.
    """
    if sys.platform == "win32":
        return {}
    bits = array.array("i", [0])
    fcntl.ioctl(descriptor, termios.TIOCMGET, bits)
    masks = {
        "cts": termios.TIOCM_CTS,
        "dsr": termios.TIOCM_DSR,
        "dcd": termios.TIOCM_CD,
        "ri": termios.TIOCM_RI,
    }
    return {name: bool(bits[0] & mask) for name, mask in masks.items()}


def error_counts(descriptor: int) -> dict[str, int]:
    """How often the driver has met line errors since it was loaded; empty where it does not count.

    Raises:
        OSError: the port is gone, or its driver keeps no counts.
    """
    if sys.platform != "linux":
        return {}
    # struct serial_icounter_struct, linux/serial.h: cts, dsr, rng, dcd, rx, tx, then these.
    counts = array.array("i", [0] * 20)
    fcntl.ioctl(descriptor, _TIOCGICOUNT, counts)
    return dict(zip(LINE_ERRORS, counts[6:11], strict=True))


def discard_output(descriptor: int) -> None:
    """Throw away what was written and has not left: closing would wait for it, up to half a minute."""
    if sys.platform != "win32":
        with contextlib.suppress(*DRIVER_ERRORS):
            termios.tcflush(descriptor, termios.TCOFLUSH)


def unsent(descriptor: int) -> int:
    """Bytes that were written and have not left; 0 where the driver does not say."""
    if sys.platform != "win32":
        count = array.array("i", [0])
        with contextlib.suppress(OSError):
            fcntl.ioctl(descriptor, termios.TIOCOUTQ, count)
            return count[0]
    return 0


def latency_timer(path: str, sysfs: Path) -> float | None:
    """How long a USB-UART may hold received bytes back, in seconds; None where its driver does not say.

    Source: FTDI application note AN232B-04: received bytes are handed to the computer when 62 are there or
    when the latency timer ends, 16 ms unless it is set. Linux shows the timer's milliseconds in sysfs, and
    1 where the low-latency mode is on.
    """
    with contextlib.suppress(OSError, ValueError):
        # A port that is being pulled out may take its link away between two looks at it.
        name = os.path.basename(os.path.realpath(path))  # noqa: PTH119 -- the name alone; no file is touched
        milliseconds = int((sysfs / "class" / "tty" / name / "device" / "latency_timer").read_text())
        if milliseconds > 0:
            return milliseconds / 1000
    return None
