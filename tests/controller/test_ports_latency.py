"""What a port knows of its adapter's latency."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from controller import tty_driver
from controller.ports import open_port
from tests.controller.line_ends import FarEnd, settings


def fake_sysfs(folder: Path, path: str, text: str) -> Path:
    device = folder / "class" / "tty" / Path(path).name / "device"
    device.mkdir(parents=True)
    (device / "latency_timer").write_text(text)
    return folder


@pytest.mark.parametrize(("text", "timer_ms"), [("16\n", 16), ("1\n", 1)])
def test_a_latency_timer_gives_the_adapters_latency(tmp_path: Path, text: str, timer_ms: int) -> None:
    # FTDI AN232B-04: held back until the timer ends, 16 ms by default. USB 2.0: a full-speed frame is 1 ms.
    with FarEnd() as far:
        port = open_port(settings(far.name), sysfs=fake_sysfs(tmp_path, far.path, text))
        latency = port.latency()
        assert latency is not None
        assert latency == pytest.approx((0.0, timer_ms / 1000 + 0.001))
        port.close()


def test_the_latency_timer_is_found_by_the_device_that_a_name_leads_to(tmp_path: Path) -> None:
    name = tmp_path / "bus"
    with FarEnd(link=name) as far:
        port = open_port(settings(str(name)), sysfs=fake_sysfs(tmp_path / "sys", far.path, "4"))
        assert port.latency() == pytest.approx((0.0, 0.005))
        port.close()


@pytest.mark.parametrize("text", ["", "soon", "0", "-3", "\x00", "é"])
def test_a_latency_timer_that_says_nothing_leaves_the_latency_unknown(tmp_path: Path, text: str) -> None:
    with FarEnd() as far:
        port = open_port(settings(far.name), sysfs=fake_sysfs(tmp_path, far.path, text))
        assert port.latency() is None
        port.close()


def test_where_nothing_tells_the_latency_it_is_unknown() -> None:
    with FarEnd() as far:
        for name in (far.name, "loop://"):
            port = open_port(settings(name))
            assert port.latency() is None
            port.close()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a pty from a UART")
def test_of_a_uart_it_is_sure_that_nothing_comes_sooner_than_its_line_carries_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with FarEnd() as far:
        port = open_port(settings(far.name))
        assert port.latency() is None  # the other end of a pty may answer at once
        # There is no UART here without a latency timer, so a pty has to pass for one.
        monkeypatch.setattr("controller.tty_driver.is_pty", lambda _: False)
        assert port.latency() == (0.0, None)
        port.close()


def test_a_name_that_goes_away_while_it_is_looked_at_leaves_the_latency_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # As os.path.realpath does where a link is removed after it was seen to be one, and before it is read.
    def gone(path: str) -> str:
        raise FileNotFoundError(2, "No such file or directory", path)

    monkeypatch.setattr("os.path.realpath", gone)
    assert tty_driver.latency_timer("/dev/by-name", tmp_path) is None
