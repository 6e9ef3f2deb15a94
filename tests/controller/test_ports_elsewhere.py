"""Where there is no POSIX: nothing that is imported needs it, and what is not offered says so."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

REPOSITORY = Path(__file__).parents[2]

# pyserial picks its ports by os.name and is imported before; from then on this is a Windows without POSIX.
ELSEWHERE = """
import sys
import serial, serial.rs485, serial.tools.list_ports, serial.urlhandler.protocol_loop, logging, random, select
gone = ("fcntl", "termios", "tty", "pty", "pwd", "grp", "resource")
for name in gone:
    sys.modules[name] = None
import asyncio, multiprocessing, os, pydantic, socket, subprocess, sysconfig
sysconfig.get_config_vars()
from pathlib import Path
sys.platform = "win32"
del select.poll
"""

DRIVES = (
    ELSEWHERE
    + """
import threading
from controller.link import Link
from controller.ports import PortSettings
from controller.transmission import LineTimes, Transmission
from profiles.model import Confirmation, LineSettings, Method
from profiles.stream import StreamMatcher
from profiles.template import Message

port = PortSettings("loop://", LineSettings(baud=115200.0))
rules = Confirmation(method=Method.LOOP, timeout_ms=5000.0)
os.name = "nt"

class Listener:
    def __init__(self):
        self.done = threading.Event()
    def link_up(self, latency): pass
    def link_down(self, error): print("down", error)
    def line_events(self, events): pass
    def finished(self, report):
        print(report.result.value, report.reason, report.echoed)
        self.done.set()
    def thread_failed(self, error): print("fault", repr(error))

listener = Listener()
times = LineTimes(frame=1e-5, latency=0.0, jitter=0.05, burst_gap=0.001)
link = Link("hall", port, times, listener)
link.start()
link.transmit(Transmission("one", Message(b"\\x01\\x02\\x03"), Method.LOOP, rules, lambda: StreamMatcher([])))
listener.done.wait(20)
print(link.counters())
link.stop()
"""
)

TELLS = (
    ELSEWHERE
    + """
from controller import tty_driver
print(tty_driver.rate(0), tty_driver.needs_own_rate(12345), tty_driver.error_counts(0), tty_driver.unsent(0))
print(tty_driver.marked_as_held(0), tty_driver.latency_timer("COM3", Path("/sys")))
tty_driver.hold(0); tty_driver.let_go(0); tty_driver.discard_output(0); tty_driver.set_rate(0, 12345)
"""
)


def said(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True, check=False, timeout=50
    )
    assert done.stderr == ""
    return done.stdout


def test_a_link_works_without_posix() -> None:
    assert said(DRIVES) == "confirmed None 3\n{}\n"


def test_what_only_linux_drivers_offer_is_told_as_not_there() -> None:
    assert said(TELLS) == "None False {} 0\nFalse None\n"
