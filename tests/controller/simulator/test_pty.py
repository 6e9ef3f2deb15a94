"""A simulated line behind a real pseudo-terminal, as a serial program sees it."""

from __future__ import annotations

import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from controller.simulator.pty_port import PtyPort
from controller.simulator.runner import Runner
from profiles.errors import InputError, PortUnavailable
from tests.controller.simulator.benches import POWER_ON, chain_profile

LOST = (serial.SerialException, OSError, termios.error)
"""What pyserial throws on a pty whose peer has gone, method by method."""


@pytest.fixture
def runner() -> Iterator[Runner]:
    runner = Runner()
    runner.start()
    yield runner
    runner.close()


@pytest.fixture
def port(runner: Runner, tmp_path: Path) -> Iterator[PtyPort]:
    with PtyPort(
        SimulatedLine(chain_profile(19200.0), Layout(units=4)), link=tmp_path / "hall", runner=runner
    ) as port:
        yield port


def opened(port: PtyPort) -> serial.Serial:
    assert port.path is not None
    return serial.Serial(port.path, 19200, timeout=10, exclusive=True)


def test_an_action_goes_round_the_chain_and_a_unit_obeys(port: PtyPort) -> None:
    with opened(port) as program:
        program.write(POWER_ON[3])
        assert program.read(4) == POWER_ON[3]
    assert [states["power"] for states in port.live.states().values()] == [False, False, True, False]


def test_no_echo_is_ever_earlier_than_the_line_allows(port: PtyPort) -> None:
    # contracts, section 1: from the start of our frame to its echo arriving whole, (N + 1) T + latency.
    with opened(port) as program:
        lags = []
        for byte in range(20):
            before = time.perf_counter()
            program.write(bytes((byte,)))
            assert program.read(1) == bytes((byte,))
            lags.append(time.perf_counter() - before)
    assert min(lags) >= 5 * 10 / 19200


def test_a_program_of_its_own_drives_the_line(port: PtyPort) -> None:
    talk = (
        "import serial, sys\n"
        "with serial.Serial(sys.argv[1], 19200, timeout=10) as program:\n"
        "    program.write(bytes.fromhex('A5 02 03 21 26'))\n"
        "    print(program.read(5).hex())\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", talk, str(port.path)], capture_output=True, text=True, timeout=30, check=True
    )
    assert run.stdout.strip() == "a502032126"
    assert port.live.states()[2]["volume"] == 0x21


def test_a_program_may_close_the_port_and_another_open_it(port: PtyPort) -> None:
    for _ in range(3):
        with opened(port) as program:
            program.write(b"\x01\x02")
            assert program.read(2) == b"\x01\x02"


def test_faults_and_keys_act_while_the_line_runs(port: PtyPort) -> None:
    with opened(port) as program:
        assert port.order("press 4 set-volume level=9") == "unit 4: volume = 9; says A6 04 56 09"
        assert program.read(4) == bytes.fromhex("A6 04 56 09")
        port.order("corrupt 2 xor 0F")
        program.write(b"\x10\x20\x30")
        assert program.read(3) == b"\x10\x2f\x30"
        with pytest.raises(InputError):
            port.order("cut 9")


def test_a_program_sees_its_port_vanish_and_finds_it_again_under_the_same_name(port: PtyPort) -> None:
    name = port.path
    assert name is not None
    program = opened(port)
    assert port.order("unplug") == "set: unplug"
    assert not Path(name).is_symlink()
    with pytest.raises(LOST):
        program.read(1)
    with pytest.raises(LOST):
        program.write(b"\x01")
    program.close()
    with pytest.raises(serial.SerialException):
        serial.Serial(name)
    port.order("plug")
    assert Path(name).is_symlink()
    with opened(port) as again:
        again.write(POWER_ON[1])
        assert again.read(4) == POWER_ON[1]


def test_a_program_that_waits_is_woken_when_the_adapter_is_pulled_out(port: PtyPort) -> None:
    program = opened(port)
    ends: list[BaseException] = []

    def wait() -> None:
        try:
            program.read(1)
        except LOST as error:
            ends.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    port.order("unplug")
    waiting.join(10)
    program.close()
    assert len(ends) == 1


def test_the_link_goes_with_the_port(runner: Runner, tmp_path: Path) -> None:
    link = tmp_path / "port"
    port = PtyPort(SimulatedLine(chain_profile()), link=link, runner=runner)
    assert link.is_symlink()
    port.close()
    assert not link.is_symlink()
    assert list(tmp_path.iterdir()) == []


def test_a_link_left_behind_is_replaced_and_a_file_is_left_alone(runner: Runner, tmp_path: Path) -> None:
    stale, file = tmp_path / "stale", tmp_path / "file"
    stale.symlink_to("/dev/pts/no-such-terminal")
    file.write_text("mine")
    with PtyPort(SimulatedLine(chain_profile()), link=stale, runner=runner) as port:
        assert stale.resolve().exists()
        assert port.path == str(stale)
    with pytest.raises(PortUnavailable, match="no symbolic link"):
        PtyPort(SimulatedLine(chain_profile()), link=file, runner=runner)
    with pytest.raises(PortUnavailable, match="no symbolic link can be made"):
        PtyPort(SimulatedLine(chain_profile()), link=tmp_path / "no" / "folder", runner=runner)
    assert file.read_text() == "mine"


def test_a_line_can_begin_unplugged(runner: Runner) -> None:
    line = SimulatedLine(chain_profile())
    line.order("unplug", 0.0)
    with PtyPort(line, runner=runner) as port:
        assert port.path is None
        port.order("plug")
        with opened(port) as program:
            program.write(b"\x07")
            assert program.read(1) == b"\x07"


def test_bytes_that_nobody_reads_are_lost_and_counted(port: PtyPort) -> None:
    # 40 000 frames at 19200 baud take 21 s: they were written long ago, and are more than a pty keeps.
    port.live.feed(bytes(40_000), time.perf_counter() - 60)
    deadline = time.monotonic() + 45
    while port.live.lost == 0 and time.monotonic() < deadline:
        time.sleep(0.01)
    assert port.live.lost > 0
