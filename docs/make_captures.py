"""The example captures of the fictional chain, made by ngspice from the profile: ``make captures``.

Two buttons of a lead unit with two units in its ring, as an oscilloscope with two channels sees them: CH1
is the lead unit's output, CH2 the line that comes back to it. The bytes, the rate and the lockstep (each
frame waits for its echo) are the profile's; what a bench adds is ngspice's: a cable that loads and rings,
hum on the ground, noise. The oscilloscope has 8 bits over 10 V, and 100 000 samples a second.

The line itself (5 V logic behind 150 ohm, 200 m of cable with 100 pF a metre and 1 mH in all, hop latencies
of a few hundredths of a bit) is common practice, no source.
"""

from __future__ import annotations

import itertools
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from profiles.compiled import CompiledProfile
from profiles.frames import FrameFormat
from profiles.library import find

__all__ = ["TAKES", "Take", "capture_text"]

HERE = Path(__file__).parents[1] / "tests" / "data" / "captures"

_INTERVAL = 10e-6
"""Seconds between samples: 20.8 a bit time."""
_BEFORE = 0.006
"""Seconds from the first sample to the trigger."""
_AFTER = 0.008
_STEP = 10 / 256
"""Volts that one step of the oscilloscope is."""
_HIGH = 5.0
_UNITS = 2


@dataclass(frozen=True, slots=True)
class Take:
    """One capture: what was pressed, and what differs from take to take."""

    file: str
    action: str
    seed: int
    clock: float = 1.0
    """The sender's bit time by the nominal one."""
    pause: float = 0.15
    """Bit times that the sender lets pass between an echo and its next frame, at least."""
    hum: float = 0.12
    noise: float = 0.05


TAKES = (
    Take("power-on_1.csv", "power-on", 1),
    Take("power-on_2.csv", "power-on", 2, hum=0.3),
    Take("power-on_3.csv", "power-on", 3, noise=0.12),
    Take("standby_1.csv", "standby", 4),
    # What an adapter sends in place of the lead unit: its clock is another one, and it takes its time.
    Take("replay.csv", "power-on", 5, clock=1.004, pause=2.5),
)

Edges = list[tuple[float, int]]


def _edges(starts: Sequence[float], data: bytes, frame: FrameFormat, bit: float) -> Edges:
    """When a line changes, and to which level."""
    found: Edges = []
    level = 1
    for start, value in zip(starts, data, strict=True):
        at = start
        for cell, length in frame.cells(value):
            if cell != level:
                found.append((at, cell))
                level = cell
            at += length * bit
    return found


def _spoken(take: Take, profile: CompiledProfile) -> tuple[Edges, Edges, float]:
    """The edges on both lines, and when the last frame is over: in lockstep, a frame when its echo is in."""
    line = profile.profile.line
    data = profile.action(take.action).message({}, address=1).data
    bit = take.clock / line.baud
    length = line.format.bits
    rng = random.Random(take.seed)  # noqa: S311 -- the same each time
    out, back = [], []
    at = _BEFORE + rng.uniform(0, _INTERVAL)
    for _ in data:
        out.append(at)
        # A hop is a frame, and what the unit takes to hand it on: it looks when a timer of its own comes by.
        late = sum(length + 0.02 + rng.uniform(0, 0.06) for _ in range(_UNITS))
        back.append(at + late * bit)
        at = back[-1] + (length + take.pause + rng.uniform(0, 0.1)) * bit
    # The last unit sends with its own clock.
    own = 1 / line.baud * 0.998
    return _edges(out, data, line.format, bit), _edges(back, data, line.format, own), at


def _source(name: str, node: str, edges: Edges) -> str:
    points = [f"0 {_HIGH}"]
    for (at, level), (after, _) in itertools.pairwise([*edges, (1.0, 1)]):
        points.append(f"{at:.9f} {_HIGH * (1 - level):g} {min(at + 1e-6, after):.9f} {_HIGH * level:g}")
    # ngspice reads lines of any length only in parts.
    return f"V{name} {node} 0 PWL(\n" + "\n".join(f"+ {each}" for each in points) + ")"


def _netlist(take: Take, out: Edges, back: Edges, end: float) -> str:
    rng = random.Random(-take.seed)  # noqa: S311 -- the same each time
    noise = "\n".join(
        f"+ {index * _INTERVAL:.6f} {rng.gauss(0, take.noise):.5f}"
        for index in range(int(end / _INTERVAL) + 2)
    )
    other = "\n".join(
        f"+ {index * _INTERVAL:.6f} {rng.gauss(0, take.noise):.5f}"
        for index in range(int(end / _INTERVAL) + 2)
    )
    return f"""two lines of a ring at the bench
{_source("lead", "s1", out)}
Rlead s1 a1 150
Lout a1 b1 1m
Cout b1 g 20n
Rout b1 g 10k
{_source("last", "s2", back)}
Rlast s2 a2 220
Lin a2 b2 1m
Cin b2 g 20n
Rin b2 g 10k
Vhum g 0 SIN(0 {take.hum} 50 0 0 {take.seed * 77 % 360})
Vnoise1 n1 0 PWL(
{noise})
Vnoise2 n2 0 PWL(
{other})
Bone ch1 0 V=V(b1)+V(n1)
Btwo ch2 0 V=V(b2)+V(n2)
.options method=gear
.tran {_INTERVAL} {end:.6f} 0 2u
.control
set wr_singlescale
set wr_vecnames
run
linearize v(ch1) v(ch2)
wrdata line.txt v(ch1) v(ch2)
quit
.endc
.end
"""


def capture_text(take: Take, ngspice: str = "ngspice") -> str:
    """A capture's whole text, as the oscilloscope writes it.

    Args:
        take: which one.
        ngspice: the program.

    Raises:
        CalledProcessError: ngspice could not make it.
    """
    profile = find("pellgate-chain").load()
    out, back, end = _spoken(take, profile)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "line.cir").write_text(_netlist(take, out, back, end + _AFTER), encoding="ascii")
        command = [ngspice, "-b", "line.cir"]
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=120)  # noqa: S603 -- ngspice alone
        rows = (folder / "line.txt").read_text(encoding="ascii").splitlines()[1:]
    lines = ["Larkfield Hall,lead unit", "Time (s),CH1 (V),CH2 (V)"]
    for index, row in enumerate(rows):
        _, *volts = row.split()
        seen = [round(float(volt) / _STEP) * _STEP + 0.0 for volt in volts]
        lines.append(f"{index * _INTERVAL - _BEFORE:.5f}," + ",".join(f"{volt:.3f}" for volt in seen))
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write all of them anew."""
    program = shutil.which("ngspice")
    if program is None:
        sys.exit("ngspice is not installed; the Debian package ngspice has it")
    HERE.mkdir(parents=True, exist_ok=True)
    for take in TAKES:
        (HERE / take.file).write_text(capture_text(take, program), encoding="ascii")


if __name__ == "__main__":
    main()
