"""Analog lines out of ngspice: a driver, a cable that loads and rings, with hum and noise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from profiles.bench.capture import ChannelKind
from profiles.bench.decoding import DecodeOptions, decode_capture
from profiles.frames import FrameFormat
from tests.profiles.bench.lines import edge_times
from tests.profiles.bench.programs import need, run

MESSAGE = bytes.fromhex("A5 01 01 02 A5 03 2A 2D A5 01 00 01")


def netlist(
    *,
    baud: float,
    driver: float,
    parts: str,
    hum: float = 0.0,
    noise: float = 0.0,
    offset: float = 0.0,
    idle: int = 1,
    frame: str = "8N1",
    per_bit: int = 20,
) -> str:
    """A transient analysis of the message; ``parts`` join the driver's end ``a`` to the probe ``b``."""
    bit = 1 / baud
    times, back = edge_times(list(MESSAGE), FrameFormat.parse(frame), bit, dead=1.3, lead=8)
    high, low = (3.3, 0.0) if idle else (0.0, 3.3)
    points = [f"0 {high}"]
    rise = bit / 200
    for time, to_idle in zip(times.tolist(), back.tolist(), strict=True):
        before, after = (low, high) if to_idle else (high, low)
        points += [f"{time:.9g} {before}", f"{time + rise:.9g} {after}"]
    end = times[-1] + 30 * bit
    step = bit / per_bit
    return f"""a line at the bench
Vsource s 0 PWL({" ".join(points)})
Rdriver s a {driver}
{parts}
Vhum h 0 SIN({offset} {hum} 50)
Vnoise n h DC 0 TRNOISE({noise} {step} 0 0)
Bprobe out 0 V=V(b)+V(n)
.tran {step:.9g} {end:.9g} 0 {step:.9g}
.control
set wr_singlescale
set wr_vecnames
run
linearize v(out)
wrdata line.txt v(out)
quit
.endc
.end
"""


LINES: dict[str, dict[str, Any]] = {
    "a short clean line": {"baud": 9600.0, "driver": 100.0, "parts": "Rjoin a b 1\nCload b 0 100p"},
    "a long cable's load": {"baud": 9600.0, "driver": 4700.0, "parts": "Rjoin a b 1\nCload b 0 3n"},
    # 20 uH and 400 pF have 224 ohms: at 60 the voltage overshoots by two thirds and comes back by two fifths.
    "ringing": {
        "baud": 115200.0,
        "driver": 60.0,
        "parts": "Lcable a b 20u\nCload b 0 400p\nRload b 0 100k",
        "per_bit": 60,
    },
    "a transmission line without an end": {
        "baud": 250000.0,
        "driver": 30.0,
        "parts": "Tcable a 0 b 0 Z0=100 TD=100n\nRload b 0 10k",
        "per_bit": 60,
    },
    "hum": {"baud": 1200.0, "driver": 100.0, "parts": "Rjoin a b 1\nCload b 0 1n", "hum": 0.5},
    "noise": {"baud": 19200.0, "driver": 100.0, "parts": "Rjoin a b 1\nCload b 0 1n", "noise": 0.25},
    "ground offset": {"baud": 4800.0, "driver": 100.0, "parts": "Rjoin a b 1\nCload b 0 1n", "offset": -7.5},
    "an inverted line with seven bits": {
        "baud": 1234.0,
        "driver": 100.0,
        "parts": "Rjoin a b 1\nCload b 0 1n",
        "idle": 0,
        "frame": "8E1",
        "noise": 0.1,
    },
    "everything at once": {
        "baud": 31250.0,
        "driver": 220.0,
        "parts": "Lcable a b 100u\nCload b 0 4n\nRload b 0 47k",
        "hum": 0.3,
        "noise": 0.15,
        "offset": 1.5,
        "per_bit": 40,
    },
}


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=[] if name == "everything at once" else pytest.mark.slow) for name in LINES],
)
def test_a_line_is_found_and_read(tmp_path: Path, name: str) -> None:
    given = LINES[name]
    (tmp_path / "line.cir").write_text(netlist(**given))
    run(need("ngspice", "ngspice"), "-b", "line.cir", folder=tmp_path)
    found = decode_capture(tmp_path / "line.txt")
    channel = found.channels[0]
    assert channel.channel.kind is ChannelKind.VOLTAGE
    fit = channel.main.fit
    assert str(fit.frame) == given.get("frame", "8N1"), fit
    assert fit.idle == given.get("idle", 1)
    assert fit.baud_measured == pytest.approx(given["baud"], rel=0.005)
    assert bytes(channel.main.values) == MESSAGE
    assert not channel.main.segment.frames.errors.any()


@pytest.mark.slow
def test_a_threshold_given_by_hand_is_used(tmp_path: Path) -> None:
    (tmp_path / "line.cir").write_text(netlist(baud=9600.0, driver=4700.0, parts="Rjoin a b 1\nCload b 0 2n"))
    run(need("ngspice", "ngspice"), "-b", "line.cir", folder=tmp_path)
    found = decode_capture(tmp_path / "line.txt", DecodeOptions(threshold=0.8, hysteresis=0.2))
    levels = found.channels[0].levels
    assert levels is not None
    assert (levels.threshold, levels.hysteresis) == (0.8, 0.2)
    assert bytes(found.channels[0].main.values) == MESSAGE
    # Slow edges and a low threshold: edges back to idle come early, and the bit time doesn't mind.
    fit = found.channels[0].main.fit
    assert fit.shift < -0.02
    assert fit.baud_measured == pytest.approx(9600, rel=0.002)
