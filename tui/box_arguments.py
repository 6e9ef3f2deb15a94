"""The arguments of the commands around a box: its firmware, its wiring, and a unit's qualification."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from tui.common_arguments import Add, json_option
from tui.firmware_arguments import add_firmware

__all__ = ["add_box"]


def add_box(add: Add, site: Callable[[argparse.ArgumentParser], None]) -> None:
    """Add the commands around a box.

    Args:
        add: makes a command of its name and what it does.
        site: adds the arguments that name a site.
    """
    add_firmware(add)
    _wiring(add)
    site(_qualify(add))


def _wiring(add: Add) -> None:
    command = add("wiring", "interface values for a trigger input or a bus line, with their margins")
    command.description = (
        "Works out a trigger input, a level conversion and a pull-up: each value with its working, margin "
        "and source. Without --trigger, --line and --pull-up: a trigger input of 5 to 24 V. Exit code 1 "
        "where no value works, or where one that was given leaves a limit."
    )
    trigger = command.add_argument_group("a trigger input, isolated by an opto-isolator")
    trigger.add_argument("--trigger", metavar="VOLTS", help="when it is on, such as 5..24 or 12")
    trigger.add_argument("--resistor", metavar="OHMS", help="R1 that is there already, to be checked")
    trigger.add_argument("--led-volts", metavar="VOLTS", help="its LED's forward voltage (1.0..1.5)")
    trigger.add_argument("--led-current", metavar="AMPERES", help="least and most through it (1mA..20mA)")
    trigger.add_argument("--transfer", metavar="PERCENT", help="its least current transfer ratio (50)")
    trigger.add_argument("--supply", metavar="VOLTS", help="of the box: volts, a range, or usb (usb)")
    line = command.add_argument_group("a bus line into an input of a lower voltage, by a divider")
    line.add_argument("--line", metavar="VOLTS", help="the line's high level: volts, a range, or usb")
    line.add_argument("--logic", metavar="VOLTS", help="the supply of the input (3.3)")
    line.add_argument("--divider", metavar="R3/R4", help="a divider that is there already, such as 33k/47k")
    line.add_argument("--line-current", metavar="AMPERES", help="the most that the line may lose (1mA)")
    pull = command.add_argument_group("a pull-up against the capacitance of the cable")
    pull.add_argument("--pull-up", metavar="VOLTS", help="what it pulls up to: volts, a range, or usb")
    pull.add_argument("--pull-up-resistor", metavar="OHMS", help="R5 that is there already, to be checked")
    cable = pull.add_mutually_exclusive_group()
    cable.add_argument("--cable", metavar="METRES", help="of cable, at 100 pF each (5)")
    cable.add_argument("--capacitance", metavar="FARADS", help="of the whole line, such as 500p")
    pull.add_argument("--sink", metavar="AMPERES", help="what the weakest output on it sinks (3mA)")
    more = command.add_argument_group("for all of them")
    settings = more.add_mutually_exclusive_group()
    settings.add_argument("--profile", metavar="P", help="a profile whose baud and idle level to take")
    settings.add_argument("--baud", metavar="RATE", type=float, help="bits a second (9600)")
    more.add_argument("--idle", choices=("high", "low"), help="the line's level at rest (high)")
    more.add_argument("--series", metavar="E", default="E24", help="of IEC 60063: E3 to E192 (E24)")
    more.add_argument("--tolerance", metavar="PERCENT", help="of the resistors (5; 1 in a divider)")
    command.add_argument("--picture", metavar="FILE.svg", help="also draw the circuits with their values")
    json_option(command)


def _qualify(add: Add) -> argparse.ArgumentParser:
    command = add("qualify", "repeated cycles of a unit with statistics: a report")
    command.description = (
        "Switches a unit on and off many times through the gate (locks, hold-offs, minimum times hold), and "
        "writes what came of it as one HTML page with its data as JSON beside it. Ctrl-C ends it, switches "
        "the unit off and still writes the report. Exit code 0 where the verdict is a pass."
    )
    command.add_argument("unit", metavar="UNIT", help="a unit's id")
    for flag, what in (("--on", "energises"), ("--off", "de-energises")):
        command.add_argument(
            flag,
            metavar=("ACTION", "name=value"),
            nargs="+",
            help=f"the action that {what} it; without it the profile's first that does",
        )
    command.add_argument("--cycles", metavar="N", type=int, default=20, help="how many times (20)")
    command.add_argument("--on-for", metavar="SECONDS", type=float, help="on in each cycle (2)")
    command.add_argument("--off-for", metavar="SECONDS", type=float, help="off in each cycle (5)")
    command.add_argument("--ready", metavar="EVENT", help="an observation's event that says that it is up")
    command.add_argument("--tap", metavar="BUS", help="a bus of the site that listens to the same line")
    captures = command.add_argument_group("captures of the line, taken during the run or before it")
    captures.add_argument(
        "--capture", metavar="ACTION=FILE", action="append", default=[], help="of an action (repeatable)"
    )
    captures.add_argument(
        "--original",
        metavar="ACTION=FILE",
        action="append",
        default=[],
        help="what to compare it with; without it the line as the profile says it should be",
    )
    captures.add_argument(
        "--channel", metavar="NAME", help="of the captures; without it the first with bytes"
    )
    command.add_argument(
        "--limit",
        metavar="name=NUMBER",
        action="append",
        default=[],
        help="failures, shown, retried, units-missing, tapped (%%); lag, took (ms); power-up (s); waveforms",
    )
    command.add_argument("-o", "--output", metavar="FILE.html", help="without it qualify-UNIT-TIME.html here")
    command.add_argument("--replace", action="store_true", help="in place of a report that is there")
    command.add_argument("--yes", "-y", action="store_true", help="begin without asking")
    json_option(command)
    return command
