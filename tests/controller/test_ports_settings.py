"""Line settings and control lines: as asked for, set before they can do harm, or refused in a word."""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import termios
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import serial

from controller import tty_driver
from controller.ports import open_port
from tests.controller.line_ends import FarEnd, nothing_leaks, refusal, settings


@pytest.fixture(autouse=True)
def _leaves_nothing_open() -> Iterator[None]:
    with nothing_leaks():
        yield


# Rates and formats


def true_rate(far: FarEnd) -> tuple[int, int]:
    """Input and output rate as the kernel has them: struct termios2, asm-generic/termbits.h, and TCGETS2."""
    raw = fcntl.ioctl(far.master, 0x802C542A, bytes(44))
    *_, ispeed, ospeed = struct.unpack("=4I20B2I", raw)
    return ispeed, ospeed


@pytest.mark.parametrize("baud", [300, 9600, 115200, 31250, 250000, 12345, 4_000_000, 50, 1])
def test_any_rate_is_set_usual_or_not(baud: int) -> None:
    # 31250, 250000 and 12345 have no constant in Linux' asm-generic/termbits.h.
    with FarEnd() as far:
        port = open_port(settings(far.name, float(baud)))
        assert true_rate(far) == (baud, baud)
        far.write(b"\x55\x00\xff")
        assert tty_driver.rate(far.master) == baud
        assert port.fileno() is not None
        port.close()


def test_a_rate_between_whole_numbers_is_rounded() -> None:
    with FarEnd() as far:
        open_port(settings(far.name, 31249.7)).close()
        assert true_rate(far) == (31250, 31250)


CMSPAR = 0o10000000000  # asm-generic/termbits.h; Python's termios does not name it


@pytest.mark.parametrize(
    ("frame", "bits"),
    [
        ("8N1", termios.CS8),
        ("7E1", termios.CS7 | termios.PARENB),
        ("8O2", termios.CS8 | termios.PARENB | termios.PARODD | termios.CSTOPB),
        ("6N2", termios.CS6 | termios.CSTOPB),
        ("5N1.5", termios.CS5 | termios.CSTOPB),
        ("8M1", termios.CS8 | termios.PARENB | termios.PARODD | CMSPAR),
        ("8S1", termios.CS8 | termios.PARENB | CMSPAR),
    ],
)
def test_the_frame_format_reaches_the_driver(monkeypatch: pytest.MonkeyPatch, frame: str, bits: int) -> None:
    # The kernel's ptys always keep 8 data bits and no parity, so look at what the driver is asked for.
    asked: list[int] = []
    true = termios.tcsetattr

    def tcsetattr(descriptor: int, when: int, attributes: list[Any]) -> None:
        asked.append(attributes[2])
        true(descriptor, when, attributes)

    monkeypatch.setattr(termios, "tcsetattr", tcsetattr)
    with FarEnd() as far:
        open_port(settings(far.name, 9600.0, frame)).close()
    of_format = termios.CSIZE | termios.PARENB | termios.PARODD | termios.CSTOPB | CMSPAR
    assert [flags & of_format for flags in asked] == [bits]


def test_a_read_waits_for_a_byte_so_that_none_means_gone() -> None:
    with FarEnd() as far:
        open_port(settings(far.name)).close()
        control = termios.tcgetattr(far.master)[6]
        assert (control[termios.VMIN], control[termios.VTIME]) == (1, 0)


@pytest.mark.parametrize("frame", ["8E1", "7E1", "7N2", "5O1"])
def test_a_pty_can_be_opened_again_with_a_format_that_it_does_not_have(frame: str) -> None:
    # glibc calls it an error where nothing of what is asked for comes about: at the second opening, when the
    # rate stands already.
    with FarEnd() as far:
        for said in (b"\x01", b"\x02", b"\x03"):
            port = open_port(settings(far.name, 19200.0, frame))
            port.write(said)
            assert far.read(1) == said
            port.close()


def refusing(request: int, code: int) -> Callable[..., Any]:
    true = fcntl.ioctl

    def ioctl(descriptor: int, asked: int, *more: Any) -> Any:
        if asked == request:
            raise OSError(code, os.strerror(code))
        return true(descriptor, asked, *more)

    return ioctl


def test_a_rate_that_the_driver_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    # A driver that refuses a rate can't be had here: a pty takes any.
    monkeypatch.setattr(fcntl, "ioctl", refusing(0x402C542B, errno.EINVAL))  # TCSETS2
    with FarEnd() as far:
        assert refusal(settings(far.name, 12345.0)) == (
            f"{far.name}: its driver can't do 12345 baud; use an adapter that has this rate and frame format"
        )
        open_port(settings(far.name, 9600.0)).close()


def test_a_rate_that_the_driver_replaces_by_another(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tty_driver, "rate", lambda _: 230400)
    with FarEnd() as far:
        assert "its driver can't do 250000 baud, the nearest is 230400" in refusal(
            settings(far.name, 250000.0)
        )
        open_port(settings(far.name, 230000.0)).close()  # 0.2 % off is no matter


def test_a_format_that_the_driver_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise termios.error(errno.EINVAL, "Invalid argument")

    with FarEnd() as far:
        monkeypatch.setattr(termios, "tcsetattr", refuse)
        assert "its driver can't do 8M1 at 9600 baud; use an adapter" in refusal(
            settings(far.name, 9600.0, "8M1")
        )


# RS-485, control lines, latency


def test_rs485_where_the_driver_has_none() -> None:
    with FarEnd() as far:
        for name in (far.name, "loop://"):
            assert "its driver can't switch an RS-485 transceiver; use an adapter" in refusal(
                settings(name, rs485=True)
            )
        open_port(settings(far.name)).close()  # and it was let go


class Recorded(serial.Serial):
    """pyserial's port on a real tty, which keeps what is done to it, in order."""

    log: list[str]

    def open(self) -> None:
        self.log.append("open")
        super().open()

    def _reconfigure_port(self, force_update: bool = False) -> None:
        self.log.append("settings" if self.rs485_mode is None else "settings with rs485")
        super()._reconfigure_port(force_update)  # type: ignore[misc]  # -- there, and not in pyserial's stubs

    def _set_rs485_mode(self, mode: Any) -> None:
        self.log.append("rs485")

    def _update_dtr_state(self) -> None:
        self.log.append(f"dtr {self.dtr}")

    def _update_rts_state(self) -> None:
        self.log.append(f"rts {self.rts}")

    def set_low_latency_mode(self, low_latency_settings: bool) -> None:
        self.log.append(f"low latency {low_latency_settings}")
        super().set_low_latency_mode(low_latency_settings)


@pytest.fixture
def recorded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    log: list[str] = []
    monkeypatch.setattr(Recorded, "log", log, raising=False)
    monkeypatch.setattr(serial, "Serial", Recorded)
    return log


@pytest.mark.parametrize(("dtr", "rts"), [(False, True), (True, False), (False, False)])
def test_control_lines_are_set_before_opening_and_never_the_other_way(
    recorded: list[str], dtr: bool, rts: bool
) -> None:
    with FarEnd() as far:
        open_port(settings(far.name, dtr=dtr, rts=rts)).close()
    assert recorded == ["open", "settings", f"dtr {dtr}", f"rts {rts}", "low latency True"]


def test_control_lines_that_the_site_does_not_name_are_on(recorded: list[str]) -> None:
    with FarEnd() as far:
        open_port(settings(far.name)).close()
    assert recorded[2:4] == ["dtr True", "rts True"]


def test_rs485_is_set_before_the_transceiver_could_be_switched_to_sending(recorded: list[str]) -> None:
    with FarEnd() as far:
        open_port(settings(far.name, rs485=True)).close()
    assert recorded == ["open", "settings with rs485", "rs485", "dtr True", "rts False", "low latency True"]


def test_low_latency_is_tried_and_its_lack_is_no_matter(recorded: list[str]) -> None:
    with FarEnd() as far:
        port = open_port(settings(far.name))  # a pty has no TIOCSSERIAL: pyserial raises ValueError
        assert "low latency True" in recorded
        far.write(b"\x01")
        port.write(b"\x02")
        assert far.read(1) == b"\x02"
        port.close()
