"""Runs of the rig: what is done to a simulated box, and what its pins did."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from controller.proving.story import Story
from controller.proving.toolchain import run_tool
from profiles.bench.edges import Edges
from profiles.bench.readers.opening import read_capture
from profiles.errors import ToolTrouble
from profiles.firmware.chips import CHIPS

__all__ = ["Run", "run_box"]

_LONGEST = 120.0


@dataclass(frozen=True, slots=True)
class Run:
    """What a box did."""

    line: Edges
    lamp: Edges
    resets: tuple[tuple[str, float], ...]
    """Each reset's cause, and when, in seconds; a hang of the program as ``hang``."""
    ram: int
    """The most bytes of RAM that it ever used, the stack included."""


def run_box(rig: Path, image: Path, story: Story, work: Path) -> Run:
    """Run a box through a story.

    Args:
        rig: the program that ``build_rig`` made.
        image: the box's flash.
        story: what is done to it.
        work: a folder for the script and the dump.

    Raises:
        ToolTrouble: the simulated program crashed, or the rig failed.
    """
    box, ring = story.box, story.ring
    chip = next(chip for chip in CHIPS if chip.name == box.chip)
    dump = work / "pins.vcd"
    script = work / "script"
    hertz = box.clock_hz
    pins = {name: pin for name, pin in box.pins.items() if box.echo or name != "echo"}
    idle = int(box.line.idle == "high")
    frame = box.line.format
    cells = round(frame.bits - frame.stop_bits)
    nominal = hertz / box.line.baud
    lines = [f"chip {box.chip} {hertz}", f"image {image}", f"vcd {dump}"]
    lines.append(f"watchdog {chip.watchdog} {chip.watchdog_bit}")
    lines += [f"pin {name} {pin.port} {pin.bit}" for name, pin in pins.items()]
    lines.append(f"frame {nominal / (ring.rate if ring else 1):.9f} {cells} {idle}")
    if ring is not None:
        lines.append(f"ring {ring.units} {cells + 0.5 + ring.late:g} {ring.fault} {ring.number}")
    if box.echo:
        lines.append(f"at 0 echo {idle}")
    lines += [
        f"at {round(event.at * hertz)} {event.what}"
        for event in sorted(story.events, key=lambda event: event.at)
    ]
    lines.append(f"until {round(story.now * hertz)}")
    script.write_text("\n".join(lines) + "\n", encoding="utf-8")
    said = run_tool([str(rig), str(script)], "the box does not run", _LONGEST)
    resets, ram = [], 0
    for line in said.splitlines():
        word, *values = line.split()
        if word == "reset":
            resets.append((values[0], int(values[1]) / hertz))
        elif word == "hang":
            resets.append(("hang", int(values[1]) / hertz))
        elif word == "ram":
            ram = int(values[0])
    capture = read_capture(dump)
    edges = {}
    for channel in capture.channels:
        if channel.logic is None:
            raise ToolTrouble(f"{channel.name} is no logic level in the rig's dump", where=str(dump))
        edges[channel.name.rpartition(".")[2]] = channel.logic
    return Run(edges["line"], edges["lamp"], tuple(resets), ram)
