"""Ports by name, and settings that no port can have."""

from __future__ import annotations

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo

from controller.ports import FoundPort, find_ports, open_port, resolve_port
from profiles.errors import InputError, PortUnavailable
from tests.controller.line_ends import FarEnd, settings


def adapter(
    path: str, vid: int | None = None, pid: int | None = None, number: str | None = None, title: str = ""
) -> ListPortInfo:
    info = ListPortInfo(path)
    info.vid, info.pid, info.serial_number, info.product = vid, pid, number, title or None
    return info


@pytest.fixture
def plugged(monkeypatch: pytest.MonkeyPatch) -> list[ListPortInfo]:
    """What the system lists; real adapters can't be had here."""
    listed = [
        adapter("/dev/ttyUSB1", 0x0403, 0x6001, "A1:B2", "Bench adapter"),
        adapter("/dev/ttyUSB0", 0x0403, 0x6001, "C3"),
        adapter("/dev/ttyACM0", 0x2341, 0x0043),
        adapter("/dev/ttyS0"),
    ]
    monkeypatch.setattr(list_ports, "comports", lambda: listed)
    return listed


def test_a_usb_name_leads_to_the_path_that_the_adapter_has_now(plugged: list[ListPortInfo]) -> None:
    assert resolve_port("usb:0403:6001:C3") == "/dev/ttyUSB0"
    assert resolve_port("usb:0403:6001:A1:B2") == "/dev/ttyUSB1"  # a serial number may hold colons
    assert resolve_port("USB:2341:0043") == "/dev/ttyACM0"
    plugged[1].device = "/dev/ttyUSB7"
    assert resolve_port("usb:0403:6001:C3") == "/dev/ttyUSB7"


def test_other_names_stand_for_themselves() -> None:
    for name in ("/dev/ttyUSB0", "COM3", "socket://hall:4001", "/dev/usb:0403:6001"):
        assert resolve_port(name) == name


@pytest.mark.usefixtures("plugged")
def test_a_usb_name_that_does_not_lead_to_one_port_says_why() -> None:
    with pytest.raises(PortUnavailable, match="no such USB adapter is plugged in; see `linewarden ports`"):
        resolve_port("usb:dead:beef")
    with pytest.raises(PortUnavailable, match="no such USB adapter"):
        resolve_port("usb:0403:6001:c3")  # serial numbers are told apart by case
    with pytest.raises(PortUnavailable, match=r"ttyUSB0, /dev/ttyUSB1.*add the serial number"):
        resolve_port("usb:0403:6001")
    for wrong in ("usb:", "usb:403:6001", "usb:0403", "usb:0403:6001:", "usb:04g3:6001"):
        with pytest.raises(InputError, match="write usb:VID:PID"):
            resolve_port(wrong)


def test_ports_of_one_adapter_that_share_a_serial_number_need_a_path(plugged: list[ListPortInfo]) -> None:
    plugged.append(adapter("/dev/ttyUSB9", 0x0403, 0x6001, "C3"))
    with pytest.raises(PortUnavailable, match=r"2 ports have this name .*; use a path"):
        resolve_port("usb:0403:6001:C3")


@pytest.mark.usefixtures("plugged")
def test_ports_are_listed_by_path_with_their_stable_names() -> None:
    assert find_ports() == [
        FoundPort("/dev/ttyACM0", "usb:2341:0043", ""),
        FoundPort("/dev/ttyS0", None, ""),
        FoundPort("/dev/ttyUSB0", "usb:0403:6001:C3", ""),
        FoundPort("/dev/ttyUSB1", "usb:0403:6001:A1:B2", "Bench adapter"),
    ]


def test_a_stable_name_that_is_listed_finds_its_port(plugged: list[ListPortInfo]) -> None:
    for found in find_ports():
        if found.stable is not None:
            assert resolve_port(found.stable) == found.path
    assert len(plugged) == 4


def test_an_adapter_that_is_pulled_out_while_the_list_is_read_is_no_fault(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # pyserial 3.5 reads sysfs file by file: int(None, 16) is a TypeError when a file has gone meanwhile.
    tries: list[int] = []

    def comports() -> list[ListPortInfo]:
        tries.append(1)
        if len(tries) < 3:
            raise TypeError("int() can't convert non-string with explicit base")
        return [adapter("/dev/ttyUSB0", 0x0403, 0x6001)]

    monkeypatch.setattr(list_ports, "comports", comports)
    assert resolve_port("usb:0403:6001") == "/dev/ttyUSB0"

    def never() -> list[ListPortInfo]:
        raise FileNotFoundError("idVendor")

    monkeypatch.setattr(list_ports, "comports", never)
    with pytest.raises(PortUnavailable, match="list of ports can't be read; use a path"):
        find_ports()


@pytest.mark.parametrize(
    ("frame", "baud", "more", "what"),
    [
        ("9N1", 9600.0, {}, "no port of this program can send 9 data bits; such a line can only be decoded"),
        ("8N1.5", 9600.0, {}, "this port sends 1.5 stop bits with 5 data bits only; use 1 or 2 stop bits"),
        ("8N1", 9600.0, {"idle": "low"}, "the line idles low, and a serial port idles high; put an inverter"),
        ("8N1", 0.4, {}, "no port can do 0.4 baud; use a rate of 1 baud or more"),
    ],
)
def test_what_no_port_can_do_is_refused_before_it_is_opened(
    frame: str, baud: float, more: dict[str, object], what: str
) -> None:
    with FarEnd() as far, pytest.raises(PortUnavailable) as caught:
        open_port(settings(far.name, baud, frame, **more))
    assert str(caught.value).startswith(f"{far.name}: {what}")
    assert "\n" not in str(caught.value)


def test_what_only_some_ports_can_do_is_taken_by_those() -> None:
    with FarEnd() as far:
        open_port(settings(far.name, frame="5N1.5")).close()
        open_port(settings(far.name, idle="low", adapter_inverts=True)).close()
    open_port(settings("loop://", idle="low", adapter_inverts=True)).close()
    with pytest.raises(PortUnavailable, match=r"1\.5 stop bits"):
        open_port(settings("loop://", frame="8N1.5"))
