"""``linewarden wiring``: interface values with their working."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from profiles.errors import BadValue
from profiles.library import find
from profiles.storage import save_bytes
from profiles.wiring.design import Wiring, line_of, wiring
from profiles.wiring.divider import DividerNeeds
from profiles.wiring.drawing import wiring_svg
from profiles.wiring.pull_up import PER_METRE, LineNeeds, PullUpNeeds
from profiles.wiring.quantities import read_quantity, read_span, read_supply
from profiles.wiring.report import wiring_json, wiring_text
from profiles.wiring.series import series_named
from profiles.wiring.trigger import TriggerNeeds
from tui.telling import as_json, plain

__all__ = ["run"]


def run(arguments: argparse.Namespace) -> int:
    """Work it out: 0 where all of it works, 1 where a value leaves its limit or none works."""
    picture = Path(arguments.picture) if arguments.picture else None
    if picture is not None and picture.suffix.lower() != ".svg":
        raise BadValue("is no SVG", where=str(picture), todo="name a file that ends in .svg")
    done = _worked_out(arguments)
    if picture is not None:
        save_bytes(picture, wiring_svg(done).encode("utf-8"))
    if arguments.json:
        print(as_json({**wiring_json(done), "picture": str(picture) if picture is not None else None}))
    else:
        print(plain(wiring_text(done), lines=True), end="")
        if picture is not None:
            print()
            print(plain(f"picture: {picture}"))
    return 0 if done.works else 1


def _worked_out(arguments: argparse.Namespace) -> Wiring:
    series = series_named(arguments.series)
    given = arguments.tolerance
    tolerance = None if given is None else read_quantity(given, "%") / 100
    wants_line = bool(arguments.line or arguments.divider)
    wants_pull_up = bool(arguments.pull_up or arguments.pull_up_resistor)
    of_a_line = next((n for n in ("profile", "baud", "idle") if getattr(arguments, n) is not None), None)
    if of_a_line and not (wants_line or wants_pull_up):
        raise BadValue(
            f"--{of_a_line} says nothing about a trigger input", todo="give --line or --pull-up with it"
        )
    line = _line(arguments)
    trigger = None
    if arguments.trigger or not (wants_line or wants_pull_up):
        trigger = replace(_trigger(arguments), series=series)
    divider = replace(_divider(arguments, line), series=series) if wants_line else None
    pull_up = replace(_pull_up(arguments, line), series=series) if wants_pull_up else None
    if tolerance is not None:
        trigger = trigger and replace(trigger, tolerance=tolerance)
        divider = divider and replace(divider, tolerance=tolerance)
        pull_up = pull_up and replace(pull_up, tolerance=tolerance)
    return wiring(trigger, divider, pull_up)


def _line(arguments: argparse.Namespace) -> LineNeeds:
    if arguments.profile is not None:
        compiled = find(arguments.profile).load()
        line = line_of(compiled.line, compiled.profile.name)
    elif arguments.baud is not None:
        line = LineNeeds(arguments.baud, source="as given")
    else:
        line = LineNeeds()
    return line if arguments.idle is None else replace(line, idle_high=arguments.idle == "high")


def _trigger(arguments: argparse.Namespace) -> TriggerNeeds:
    usual = TriggerNeeds()
    current = read_span(arguments.led_current, "A") if arguments.led_current else (usual.least, usual.most)
    return TriggerNeeds(
        volts=read_span(arguments.trigger) if arguments.trigger else usual.volts,
        forward=read_span(arguments.led_volts) if arguments.led_volts else usual.forward,
        least=current[0],
        most=current[1],
        supply=read_supply(arguments.supply)[0] if arguments.supply else usual.supply,
        transfer=read_quantity(arguments.transfer, "%") / 100 if arguments.transfer else usual.transfer,
        resistor=read_quantity(arguments.resistor, "Ω") if arguments.resistor else None,
    )


def _divider(arguments: argparse.Namespace, line: LineNeeds) -> DividerNeeds:
    volts, source = read_supply(arguments.line or "usb")
    logic = read_supply(arguments.logic)[0] if arguments.logic else (3.3, 3.3)
    pair = None
    if arguments.divider:
        upper, slash, lower = arguments.divider.partition("/")
        if not slash:
            raise BadValue(f"{arguments.divider!r} is no divider", todo="write R3/R4, such as 33k/47k")
        pair = read_quantity(upper, "Ω"), read_quantity(lower, "Ω")
    most = read_quantity(arguments.line_current, "A") if arguments.line_current else DividerNeeds(line).most
    return DividerNeeds(line, volts=volts, volts_source=source, logic=logic, resistors=pair, most=most)


def _pull_up(arguments: argparse.Namespace, line: LineNeeds) -> PullUpNeeds:
    volts, source = read_supply(arguments.pull_up or "usb")
    usual = PullUpNeeds(line)
    farads, said = usual.capacitance, usual.capacitance_source
    if arguments.capacitance:
        farads, said = read_quantity(arguments.capacitance, "F"), "as given"
    elif arguments.cable:
        metres = read_quantity(arguments.cable, "m")
        farads, said = metres * PER_METRE, f"{metres:g} m of cable at 100 pF a metre"
    ohms = read_quantity(arguments.pull_up_resistor, "Ω") if arguments.pull_up_resistor else None
    return PullUpNeeds(
        line,
        volts=volts,
        volts_source=source,
        capacitance=farads,
        capacitance_source=said,
        sink=read_quantity(arguments.sink, "A") if arguments.sink else usual.sink,
        resistor=ohms,
    )
