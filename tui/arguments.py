"""Every command's arguments and its help."""

from __future__ import annotations

import argparse
from typing import NoReturn

from tui.bench_arguments import add_bench
from tui.box_arguments import add_box
from tui.common_arguments import json_option
from tui.completion_arguments import add_completion
from tui.help_text import EXIT_CODES, HelpLayout, finish
from tui.profile_arguments import add_profiles
from tui.web.arguments import add_web

__all__ = ["build_parser"]

_EPILOG = f"""{" ".join(EXIT_CODES.split())}
`linewarden COMMAND --help` tells a command's arguments, examples and environment.

This is no emergency stop and no safety interlock. Isolate and lock out the supply before opening gear."""


class _Parser(argparse.ArgumentParser):
    """A parser whose errors are one line, as all errors of this program are."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong with the call, and end with 2."""
        self.exit(2, f"linewarden: {message}; see `{self.prog} --help`\n")


class _Commands:
    """Adds commands in the order in which the help shows them."""

    def __init__(self, parser: _Parser) -> None:
        self._sub = parser.add_subparsers(metavar="COMMAND", title="commands")
        self._made: dict[str, argparse.ArgumentParser] = {}

    def add(self, name: str, does: str, module: str | None = None, **more: str) -> argparse.ArgumentParser:
        command = self._sub.add_parser(
            name,
            help=does,
            description=more.get("long", does[0].upper() + does[1:] + "."),
            formatter_class=HelpLayout,
        )
        command.set_defaults(module=f"tui.commands.{module or name}")
        self._made[name] = command
        return command

    def finish(self) -> None:
        """End each command's help, now that its arguments are there."""
        for name, command in self._made.items():
            finish(name, command)


def build_parser() -> argparse.ArgumentParser:
    """The whole command line."""
    parser = _Parser(
        prog="linewarden",
        description="Puts gear that speaks a maker's own serial bus under home-automation control.",
        epilog=_EPILOG,
        formatter_class=HelpLayout,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and end")
    parser.set_defaults(module=None)
    commands = _Commands(parser)
    for add in (
        _demo,
        _run,
        _dash,
        _status,
        _act,
        _off,
        _sequence,
        _triggers,
        _presume,
        _lock,
        _unlock,
        _listen,
        _probe,
        _adapter,
        _send,
    ):
        add(commands)
    add_bench(commands.add)
    add_box(commands.add, _site)
    _check(commands)
    add_profiles(commands.add)
    for add in (_ports, _sim, _journal):
        add(commands)
    add_completion(commands.add, _site)
    commands.finish()
    return parser


class _Version(argparse.Action):
    """Looks the version up only when it is asked for: that takes longer than all the rest."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        print(f"linewarden {version('linewarden')}")
        parser.exit()


def _site(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--site",
        metavar="FILE",
        help="the site file; without it $LINEWARDEN_SITE, then site.toml in this folder",
    )
    command.add_argument(
        "--state", metavar="FOLDER", help="where the journal is kept; without it the user's state folder"
    )


def _demo(commands: _Commands) -> None:
    command = commands.add("demo", "a short evening at the simulated Larkfield Hall")
    command.add_argument("--headless", action="store_true", help="print it instead of opening the dashboard")
    command.add_argument(
        "--fast", action="store_true", help="leave out the pauses that are there for reading"
    )
    _broker(command, "at a broker of yours; without it a small one in the demo, for this machine")


def _run(commands: _Commands) -> None:
    command = commands.add(
        "run",
        "the controller without a screen, until SIGTERM",
        long="Drives the site's buses until SIGTERM or Ctrl-C. On start nothing is sent.\nOn SIGHUP the site "
        "file is taken anew: what has changed starts anew, and a faulty file changes nothing.",
    )
    _site(command)
    command.add_argument("--verbose", "-v", action="store_true", help="log what is done as well")
    command.add_argument(
        "--unit-file", action="store_true", help="print a unit file for systemd instead, see docs/service.md"
    )


def _dash(commands: _Commands) -> None:
    command = commands.add(
        "dash",
        "the dashboard",
        long="Opens the dashboard on the running controller, or on one of its own where none runs.",
    )
    _site(command)
    _broker(command, "through a broker, on every controller behind it")
    add_web(command)


def _status(commands: _Commands) -> None:
    command = commands.add("status", "is it running; buses, units, alerts, locks")
    _site(command)
    json_option(command)


def _act(commands: _Commands) -> None:
    command = commands.add(
        "act",
        "one action, confirmed",
        long="Tells a unit (or, by a bus's id, all units on it) to do something, and says how it is known "
        "that it was told.",
    )
    command.add_argument("unit", metavar="UNIT", help="a unit's id, or a bus's id for all units on it")
    command.add_argument("action", metavar="ACTION", help="an action of the unit's profile")
    command.add_argument(
        "parameters", metavar="name=value", nargs="*", default=[], help="the action's parameters"
    )
    command.add_argument("--within", metavar="SECONDS", type=float, help="refuse it if it waits longer")
    command.add_argument("--id", metavar="ID", help="the command's id; the same id twice is one command")
    _yes(command)
    _site(command)
    _broker(command, "through a broker, to a controller anywhere; UNIT is then SITE-UNIT")
    json_option(command)


def _yes(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--yes", action="store_true", help="yes, also what asks before it is energised; no question then"
    )


def _broker(command: argparse.ArgumentParser, what: str) -> None:
    group = command.add_argument_group(what)
    group.add_argument("--broker", metavar="URL", help="mqtt://HOST[:PORT], or mqtts:// for TLS")
    group.add_argument("--protocol", choices=("5", "3.1.1"), help="of MQTT; without it 5, then 3.1.1")
    group.add_argument("--user", metavar="NAME", help="its secret is in $LINEWARDEN_MQTT_SECRET, or")
    group.add_argument("--secret-file", metavar="FILE", help="in this file, which nobody else can read")
    group.add_argument("--ca-file", metavar="FILE", help="authorities to trust; without it the system's")
    group.add_argument("--plaintext", action="store_true", help="no TLS, even beyond this machine")


def _off(commands: _Commands) -> None:
    command = commands.add("off", "everything de-energised, now", long=_OFF)
    command.add_argument(
        "scope",
        metavar="UNIT or GROUP",
        nargs="?",
        help="only this unit, group or bus; without it everything",
    )
    _site(command)
    json_option(command)


_OFF = (
    "De-energises everything, or one unit, group or bus, now: past locks and queues, power amplifiers first. "
    "It is no emergency stop: it needs the adapter, the line and the gear to work."
)


def _sequence(commands: _Commands) -> None:
    command = commands.add(
        "sequence",
        "bring a hall up or take it down, step by step",
        long="Starts a sequence (up), stops it (down, in reverse) or cancels it on its way, and tells each "
        "step. Without NAME it lists all. It goes on in the running controller, also after Ctrl-C here.",
    )
    command.add_argument("name", metavar="NAME", nargs="?", help="a sequence of the site")
    command.add_argument(
        "order",
        metavar="start|stop|cancel",
        nargs="?",
        choices=("start", "stop", "cancel", "show"),
        default="show",
        help="without it, its steps are shown",
    )
    _yes(command)
    _site(command)
    json_option(command)


def _triggers(commands: _Commands) -> None:
    command = commands.add("triggers", "what each trigger waits for, and what it last did")
    _site(command)
    json_option(command)


def _presume(commands: _Commands) -> None:
    command = commands.add(
        "presume",
        "set a state right by hand",
        long="Says what a unit's state is, where a person knows better: it is then presumed. Nothing is "
        "sent. States are kept by the running controller, so one has to run.",
    )
    command.add_argument("unit", metavar="UNIT")
    command.add_argument("name", metavar="STATE")
    command.add_argument("value", metavar="VALUE")
    _site(command)
    json_option(command)


def _lock(commands: _Commands) -> None:
    command = commands.add(
        "lock",
        "set a service lock",
        long="While a lock stands, none of our own commands energises its target. It does not stop a front "
        "panel or a remote, and is no substitute for isolating and locking out the supply.",
    )
    command.add_argument("target", metavar="TARGET", help="a unit, a group or a bus")
    command.add_argument("--why", metavar="TEXT", required=True, help="why, for whoever meets it")
    command.add_argument("--who", metavar="NAME", help="who sets it; without it the login name")
    _site(command)
    json_option(command)


def _unlock(commands: _Commands) -> None:
    command = commands.add("unlock", "clear a service lock, on the spot")
    command.add_argument("lock", metavar="LOCK", help="the lock's id, or its first characters")
    _site(command)
    json_option(command)


def _listen(commands: _Commands) -> None:
    command = commands.add("listen", "live traffic with its meaning")
    command.add_argument("bus", metavar="BUS", help="a bus's id")
    command.add_argument("--seconds", metavar="N", type=float, help="end after so long")
    command.add_argument("--record", metavar="FILE", help="also write a recording, for decode and learn")
    _site(command)
    json_option(command, "one JSON document a line")


def _probe(commands: _Commands) -> None:
    command = commands.add("probe", "who answers, and where the ring is cut")
    command.add_argument("bus", metavar="BUS", help="a bus's id")
    command.add_argument(
        "--find-break",
        action="store_true",
        help="where the ring is cut, lead to the place step by step: the adapter's input is joined to one "
        "unit's output after another",
    )
    _site(command)
    json_option(command)


def _adapter(commands: _Commands) -> None:
    command = commands.add(
        "adapter",
        "self-test of an adapter with a loop-back plug",
        long="Sends bytes through a loop-back plug (transmit joined to receive) and measures what the "
        "adapter can do: rates, latency and its jitter, inversion. Take the bus off first.",
    )
    command.add_argument("port", metavar="PORT", help="a path, usb:VID:PID[:SERIAL], or a pyserial URL")
    command.add_argument(
        "--baud", metavar="RATE", type=float, action="append", help="only this rate (repeatable)"
    )
    command.add_argument("--keep-for", metavar="BUS", help="keep the latency for this bus of the site")
    _site(command)
    json_option(command)


def _send(commands: _Commands) -> None:
    command = commands.add(
        "send",
        "raw bytes or a captured burst, before a profile exists",
        long="Sends raw bytes through the gate: on the spot only, where the site has `allow_raw = true` for "
        "the bus, and never past a service lock.",
    )
    command.add_argument("bus", metavar="BUS", help="a bus's id")
    command.add_argument(
        "bytes",
        metavar="BYTES or CAPTURE",
        nargs="+",
        help="hexadecimal such as A5 01 01 02, or a capture's file",
    )
    command.add_argument(
        "--burst", metavar="N", type=int, default=1, help="which burst of the capture, counted from 1 (1)"
    )
    command.add_argument(
        "--channel", metavar="NAME", help="which channel of the capture; without it the first"
    )
    command.add_argument("--allow-raw", action="store_true", help="yes, these bytes may do anything")
    _site(command)
    json_option(command)


def _check(commands: _Commands) -> None:
    command = commands.add("check", "profiles and sites, evidence included")
    command.add_argument("files", metavar="FILE", nargs="+", help="a profile's or a site's TOML file")
    json_option(command)


def _ports(commands: _Commands) -> None:
    json_option(commands.add("ports", "serial ports here, by path and by stable name"))


def _sim(commands: _Commands) -> None:
    command = commands.add(
        "sim",
        "a simulated chain behind a pty",
        long="Runs a chain of units behind a pty, whose path it prints first; any serial program can open "
        "it. Faults and front-panel presses are read from standard input while it runs; `help` lists them.",
    )
    command.add_argument("--profile", metavar="P", required=True, help="a profile's name or file")
    command.add_argument("--units", metavar="N", type=int, default=1, help="how many units (1)")
    command.add_argument(
        "--topology", choices=("ring", "open", "shared"), help="without it, what the profile's method needs"
    )
    command.add_argument("--fault", metavar="F", action="append", default=[], help="a fault from the start")
    command.add_argument("--latency-ms", metavar="MS", type=float, default=0.0, help="the adapter's latency")
    command.add_argument("--link", metavar="PATH", help="a symbolic link to the pty, for a name that stays")
    command.add_argument("--site-file", metavar="FILE", help="also write a site file that uses it")
    command.add_argument("--seconds", metavar="N", type=float, help="end after so long")


def _journal(commands: _Commands) -> None:
    command = commands.add("journal", "what was commanded and what became of it")
    command.add_argument("--limit", metavar="N", type=int, default=20, help="the newest N (20)")
    command.add_argument("--unit", metavar="UNIT")
    command.add_argument("--result", metavar="RESULT", help="confirmed, failed, refused ...")
    command.add_argument("--text", metavar="TEXT", help="anywhere in unit, action, origin, reason")
    command.add_argument("--since", metavar="WHEN", help="a date or time (ISO 8601), or so long ago: 2h, 3d")
    command.add_argument("--traffic", action="store_true", help="with the traffic around failures")
    _site(command)
    json_option(command)
