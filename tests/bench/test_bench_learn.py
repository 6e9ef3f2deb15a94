"""How long learning takes: 20 captures of 40 bytes, with every check over every range."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from profiles.bench.decoding import DecodeOptions
from profiles.bench.findings import examine
from profiles.bench.samples import Source, read_samples
from profiles.checksums import find_check
from tests.bench.figures import Figure, print_table
from tests.profiles.bench.captures import write_logic, write_voltage

pytestmark = pytest.mark.bench

_CAPTURES = 20
_BYTES = 40


@pytest.mark.parametrize("kind", ["logic", "voltage"])
def test_learning_from_twenty_captures(tmp_path: Path, kind: str) -> None:
    rng = random.Random(4)
    crc = find_check("CRC-16/XMODEM")
    sources = []
    for number in range(_CAPTURES):
        body = bytes((0xA5, 1, number // 4)) + rng.randbytes(_BYTES - 5)
        message = body + crc.compute(body).to_bytes(2, "big")
        path = tmp_path / f"{number}.csv"
        if kind == "logic":
            write_logic(path, [message])
        else:
            write_voltage(path, {"CH1": ([message], 0.0)})
        sources.append(Source(f"button-{number // 4}", path))
    began = time.perf_counter()
    line, samples = read_samples(sources, DecodeOptions())
    read = time.perf_counter() - began
    findings = examine(line, samples)
    took = time.perf_counter() - began
    assert [check.name for check in findings.checks] == ["CRC-16/XMODEM"]
    figure = Figure(f"learn, {kind}", f"{took:.2f} s", f"reading {read:.2f} s", took, 5.0, "s")
    print_table(f"Learning from {_CAPTURES} captures of {_BYTES} bytes, {kind}", [figure])
    assert figure.holds
