"""``linewarden sim``: a simulated chain behind a pty."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import select
import signal
import sys
import time
from pathlib import Path

from controller.simulator.adapter import AdapterFacts
from controller.simulator.layout import Layout
from controller.simulator.line import SimulatedLine
from controller.simulator.medium import Topology
from controller.simulator.orders import parse_order
from controller.simulator.pty_port import PtyPort
from controller.simulator.runner import Runner
from profiles.compiled import CompiledProfile
from profiles.errors import BadValue, FileUnwritable, LinewardenError
from profiles.library import find
from profiles.model import Method
from profiles.storage import save_text
from tui.telling import plain

_TOPOLOGY = {Method.LOOP: Topology.RING, Method.NONE: Topology.OPEN}


def run(arguments: argparse.Namespace) -> int:
    """Run it until the time is over, standard input says ``quit``, SIGTERM or Ctrl-C."""
    if not 0 <= arguments.latency_ms <= 1000:
        raise BadValue(f"--latency-ms must be from 0 to 1000, not {arguments.latency_ms:g}")
    if arguments.seconds is not None and not 0 < arguments.seconds < 1e9:
        raise BadValue(f"--seconds must be above 0, not {arguments.seconds:g}")
    profile = find(arguments.profile).load()
    named = Topology(arguments.topology) if arguments.topology else None
    topology = named or _TOPOLOGY.get(profile.confirm.method, Topology.SHARED)
    line = SimulatedLine(
        profile,
        Layout(units=arguments.units, topology=topology),
        AdapterFacts(latency_s=arguments.latency_ms / 1000),
    )
    orders = [parse_order(fault) for fault in arguments.fault]
    site_file = Path(arguments.site_file) if arguments.site_file else None
    link = arguments.link
    if link is None and site_file is not None:
        # A pty that is plugged in again is another one: a site file needs a name that stays.
        link = str(site_file.with_suffix(".line").absolute())
    runner = Runner()
    with contextlib.closing(runner), PtyPort(line, link=link, runner=runner) as port:
        if site_file is not None:
            _write_site(site_file, arguments, profile, topology, str(port.path))
        print(port.path, flush=True)
        for order in orders:
            print(plain(port.order(str(order))), flush=True)
        runner.start()
        _follow(port, arguments.seconds)
    return 0


def _follow(port: PtyPort, seconds: float | None) -> None:
    """Carry out orders from standard input, and tell what happens in the chain."""
    stopping: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stopping.append(number))
    until = None if seconds is None else time.monotonic() + seconds
    listening = True
    pending = b""
    with contextlib.suppress(KeyboardInterrupt):
        while not stopping and (until is None or time.monotonic() < until):
            ready, _, _ = select.select([sys.stdin] if listening else [], [], [], 0.2)
            for happening in port.live.happenings():
                print(plain(f"unit {happening.unit}: {happening.what}"), flush=True)
            if not ready:
                continue
            data = os.read(sys.stdin.fileno(), 4096)
            if not data:
                listening = False  # a closed standard input ends the orders, not the chain
                continue
            *lines, pending = (pending + data).split(b"\n")
            for text in (line.decode("utf-8", "replace").strip() for line in lines):
                if text == "quit":
                    return
                if text:
                    _order(port, text)


def _order(port: PtyPort, text: str) -> None:
    before = port.path
    try:
        print(plain(port.order(text), lines=True), flush=True)
        if port.path not in (None, before):
            print(port.path, flush=True)
    except LinewardenError as error:
        print(f"linewarden: {plain(str(error))}", file=sys.stderr, flush=True)


_BUSY_MACHINE_MS = 0.6
"""How much later than its time a simulated frame may come on a machine that has other things to do."""


def _site_id(path: Path) -> str:
    """A site's id of its own for each file: two sites of one id would share a journal."""
    name = re.sub(r"[^a-z0-9]+", "-", path.stem.lower()).strip("-")
    return "larkfield-hall" if name in ("", "site") else f"larkfield-{name}"[:64].rstrip("-")


def _write_site(
    path: Path, arguments: argparse.Namespace, profile: CompiledProfile, topology: Topology, port: str
) -> None:
    """A site file that uses the simulated chain: a beginning for one's own.

    One that an earlier run wrote, and nobody has changed since, gets the new port.

    Raises:
        BadValue: there is another file of that name.
        FileUnwritable: it can't be written.
    """
    name = arguments.profile
    if "/" in name or name.endswith(".toml"):
        name = str(Path(name).resolve())
    lines = [
        "# Written by `linewarden sim`: a simulated chain, as a beginning for a site file of one's own.",
        "[site]",
        f'id = "{_site_id(path)}"',
        'title = "Larkfield Hall"',
        "",
        "[buses.hall]",
        f'port = "{port}"',
        f'profile = "{name}"',
        f'topology = "{topology}"',
    ]
    if topology is Topology.RING:
        lines += [
            f"units_expected = {arguments.units}",
            f"adapter_latency_ms = {arguments.latency_ms}",
            f"adapter_jitter_ms = {max(arguments.latency_ms, _BUSY_MACHINE_MS)}",
        ]
    elif topology is Topology.SHARED:
        lines.append("hears_itself = true")
    lines.append("allow_raw = true")
    for number, address in enumerate(Layout(units=arguments.units).addresses_on(profile), 1):
        lines += ["", f"[units.unit-{number}]", 'bus = "hall"', f'title = "Unit {number}"']
        if address is not None:
            lines.append(f"address = {address}")
    text = "\n".join(lines) + "\n"
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        if not _ours(path, text):
            raise BadValue("is there already", where=str(path), todo="choose another name") from None
        save_text(path, text)
    except OSError as error:
        raise FileUnwritable(
            f"can't be written ({error.strerror})", where=str(path), todo="look at the folder"
        ) from error


def _ours(path: Path, text: str) -> bool:
    """Whether a file says what ``text`` does, the port apart."""
    try:
        there = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return False
    return [line for line in there.split("\n") if not line.startswith("port = ")] == [
        line for line in text.split("\n") if not line.startswith("port = ")
    ]
