"""The arguments of `linewarden firmware`: source for the box on the shelf."""

from __future__ import annotations

import argparse
import re

from tui.common_arguments import Add, json_option

__all__ = ["add_firmware"]


_HERTZ = {"": 1.0, "hz": 1.0, "k": 1e3, "khz": 1e3, "m": 1e6, "mhz": 1e6}
_SECONDS = {"": 1.0, "s": 1.0, "ms": 1e-3, "min": 60.0}


def _quantity(units: dict[str, float], text: str, what: str, example: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d*)?|\.\d+)\s*([a-z]*)", text.strip().lower())
    if found is None or found[2] not in units:
        raise argparse.ArgumentTypeError(f"{text!r} is no {what}; write {example}")
    return float(found[1]) * units[found[2]]


def _hertz(text: str) -> float:
    return _quantity(_HERTZ, text, "clock", "hertz, or 8MHz, 7.3728MHz")


def _seconds(text: str) -> float:
    return _quantity(_SECONDS, text, "time", "seconds, or 20ms, 1.5s, 2min")


def _address(text: str) -> int | str:
    try:
        return "all" if text == "all" else int(text, 0)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no address; write a number, or all") from None


def add_firmware(add: Add) -> None:
    """Add the command that writes a box's source.

    Args:
        add: makes a command of its name and what it does.
    """
    command = add("firmware", "C source of a stand-alone trigger adapter")
    command.description = (
        "Writes the C source of a small box: a trigger voltage in, the bus out, no computer. With --prove it "
        "is built with avr-gcc and run on a simulated chip, and what its pin says is decoded and compared."
    )
    command.add_argument("profile", metavar="PROFILE", help="a profile's name or file")
    for flag, when in (("--on", "comes"), ("--off", "goes")):
        command.add_argument(
            flag,
            metavar=("ACTION", "name=value"),
            nargs="+",
            required=True,
            help=f"what is said when the trigger {when}; its parameters are fixed",
        )
    command.add_argument("-o", "--output", metavar="FOLDER", required=True, help="the folder to write")
    command.add_argument("--replace", action="store_true", help="in place of a box that was written before")
    command.add_argument("--address", metavar="N", type=_address, help="the unit's address, or all")
    command.add_argument("--prove", action="store_true", help="build it, run it simulated, compare")
    json_option(command)
    chip = command.add_argument_group("the chip")
    chip.add_argument("--chip", choices=("atmega328p", "attiny84"), default="atmega328p", help="(atmega328p)")
    chip.add_argument("--clock", metavar="HZ", type=_hertz, default=8e6, help="such as 8MHz (8MHz)")
    chip.add_argument(
        "--clock-source",
        choices=("crystal", "external", "calibrated"),
        default="crystal",
        help="calibrated: the chip's own oscillator, after you have set it to 1%% (crystal)",
    )
    box = command.add_argument_group("what it does")
    box.add_argument(
        "--trigger", choices=("low", "high"), default="low", help="the pin's level with it (low)"
    )
    box.add_argument(
        "--debounce", metavar="TIME", type=_seconds, default=0.02, help="level steady for (20ms)"
    )
    box.add_argument("--delay-on", metavar="TIME", type=_seconds, default=0.0, help="then wait before on (0)")
    box.add_argument("--delay-off", metavar="TIME", type=_seconds, default=0.0, help="and before off (0)")
    box.add_argument(
        "--at-start",
        choices=("nothing", "off", "follow"),
        default="nothing",
        help="after a reset: say nothing, say off if the trigger is not there, or what it asks (nothing)",
    )
    box.add_argument(
        "--echo",
        action=argparse.BooleanOptionalAction,
        default=None,
        help="each frame only when the one before came back; without it as the profile confirms",
    )
