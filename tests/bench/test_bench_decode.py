"""How fast captures become bytes, measured against what the same machine needs for the least of the work."""

from __future__ import annotations

import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from profiles.bench.bit_time import BitFit, fit_bit_time
from profiles.bench.edges import Edges, logic_edges
from profiles.bench.line_fit import LineOverrides
from profiles.bench.readers import table
from profiles.bench.readers.opening import read_capture
from profiles.bench.segments import read_line
from profiles.bench.uart import LineTiming, decode_edges, frame_blocks
from profiles.frames import FrameFormat
from tests.bench.figures import Figure, medians, print_table

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]

PER_BIT = 16


def best_of(times: int, work: Callable[[], object]) -> float:
    """The least time that some work took, in seconds: what else runs on the machine only adds."""
    taken = []
    for _ in range(times):
        begin = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begin)
    return min(taken)


def full_line(samples: int) -> np.typing.NDArray[np.bool_]:
    """A line without dead time at 8N1 with random bytes, sixteen samples a bit."""
    frames = samples // (10 * PER_BIT)
    words = np.random.default_rng(0).integers(0, 256, frames)
    bits = np.ones((frames, 10), bool)
    bits[:, 0] = False
    for place in range(8):
        bits[:, place + 1] = words >> place & 1
    idle = np.ones(12 * PER_BIT, bool)
    return np.concatenate([idle, np.repeat(bits.ravel(), PER_BIT), idle])


def decode_all(levels: np.typing.NDArray[np.bool_]) -> int:
    """Find the settings, read all frames, and look whether they keep to one setting."""
    (segment,) = read_line(logic_edges(levels, 1e-6), LineOverrides())
    return len(segment.frames)


def test_digital_samples_to_bytes() -> None:
    levels = full_line(100_000_000)
    timing = LineTiming(PER_BIT, 1, FrameFormat())
    # They take turns, so that what else runs on the machine hits all alike.
    works: tuple[Callable[[], object], ...] = (
        lambda: np.flatnonzero(levels[1:] != levels[:-1]),
        lambda: decode_edges(logic_edges(levels, 1e-6), timing),
        lambda: decode_all(levels),
    )
    rounds = [[best_of(1, work) for work in works] for _ in range(12)]
    least, told, found = (min(times) for times in zip(*rounds, strict=True))
    tracemalloc.start()
    frames = decode_all(levels)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    memory = 1 + peak / levels.nbytes
    reference = f"numpy finds the changes: {least:.2f} s"
    figures = [
        Figure("100 million samples to frames, settings told", f"{told:.2f} s", reference, told / least, 3),
        Figure("the same, settings found", f"{found:.2f} s", reference, found / least, 3),
        Figure("memory at most", f"{frames:,} frames", "the array of samples", memory, 1.5),
    ]
    print_table("Samples to bytes", figures)
    assert frames == 100_000_000 // (10 * PER_BIT)
    assert all(figure.holds for figure in figures)


def write_table(path: Path, rows: int) -> None:
    """Evenly spaced times and two voltages with noise, written quickly."""
    rng = np.random.default_rng(1)
    volts = np.frombuffer("".join(f"{volt:7.4f}" for volt in np.linspace(-0.2, 3.5, 4096)).encode(), np.uint8)
    codes = volts.reshape(4096, 7)
    levels = full_line(rows + 400)[:rows].astype(np.int64) * 3500 + 300
    with path.open("wb") as file:
        file.write(b"Time (s),CH1 (V),CH2 (V)\n")
        for start in range(0, rows, 1_000_000):
            index = np.arange(start, min(start + 1_000_000, rows))
            text = np.full((len(index), 29), ord(","), np.uint8)
            text[:, 0:2] = np.frombuffer(b"0.", np.uint8)
            rest = index.copy()
            for place in range(11, 1, -1):
                text[:, place] = 48 + rest % 10
                rest //= 10
            for column in (13, 21):
                noise = rng.integers(-120, 120, len(index))
                text[:, column : column + 7] = codes[levels[index] + noise]
            text[:, 28] = ord("\n")
            file.write(text.tobytes())


def test_a_table_of_ten_million_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "FAST_FROM", sys.maxsize)
    path = tmp_path / "scope.csv"
    write_table(path, 10_000_000)
    ours = best_of(2, lambda: read_capture(path))
    theirs = best_of(1, lambda: np.loadtxt(path, delimiter=",", skiprows=1))
    capture = read_capture(path)
    begin = time.perf_counter()
    edges, _ = capture.channels[0].edges()
    edging = time.perf_counter() - begin
    size = path.stat().st_size / 1e6
    reference = f"numpy.loadtxt {theirs:.2f} s"
    figures = [
        Figure(f"10 million rows, {size:.0f} MB", f"{ours:.2f} s", reference, ours / theirs, 1.5),
        Figure("a channel's edges, besides", f"{len(edges):,} edges", "", edging, None, "s"),
    ]
    print_table("A table read without polars", figures)
    assert all(figure.holds for figure in figures)


def test_a_table_of_ten_million_rows_read_fast(tmp_path: Path) -> None:
    polars = pytest.importorskip("polars", reason="polars is not installed (the extra `fast`)")
    path = tmp_path / "scope.csv"
    write_table(path, 10_000_000)
    theirs, ours = medians(5, lambda: polars.read_csv(path), lambda: read_capture(path))
    figure = Figure("10 million rows, 2 channels", f"{ours:.2f} s", f"{theirs:.2f} s", ours / theirs, 1.5)
    print_table("A table read fast, against polars on the same file", [figure])
    assert figure.holds


@pytest.mark.parametrize("way", ["plain", "fast"])
def test_a_gigabyte_within_a_gigabyte(tmp_path: Path, way: str) -> None:
    if way == "fast":
        pytest.importorskip("polars", reason="polars is not installed (the extra `fast`)")
    path = tmp_path / "scope.csv"
    write_table(path, 36_000_000)
    assert path.stat().st_size > 1_000_000_000
    program = (
        "import resource, sys\n"
        "from profiles.bench.decoding import decode_capture\n"
        "from profiles.bench.readers import table\n"
        "table.FAST_FROM = int(sys.argv[2])\n"
        "found = decode_capture(sys.argv[1])\n"
        "assert str(found.channels[0].main.fit.frame) == '8N1'\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    begin = time.perf_counter()
    fast_from = table.FAST_FROM if way == "fast" else sys.maxsize
    command = [sys.executable, "-c", program, str(path), str(fast_from)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    taken = time.perf_counter() - begin
    most = int(done.stdout) * (1 if sys.platform == "darwin" else 1024)
    size = path.stat().st_size / 1e9
    path.unlink()
    figure = Figure(f"{size:.2f} GB read and decoded", f"{taken:.0f} s", "", most / 1e9, 1.0, "GB")
    print_table(f"A large capture's memory ({'with' if way == 'fast' else 'without'} polars)", [figure])
    assert figure.holds


def test_a_dump_of_five_million_changes(tmp_path: Path) -> None:
    path = tmp_path / "dump.vcd"
    levels = full_line(160_000_000)
    edges = np.flatnonzero(levels[1:] != levels[:-1])[:5_000_000]
    with path.open("w") as file:
        file.write("$timescale 1 ns $end\n$scope module m $end\n$var wire 1 ! rx $end\n$upscope $end\n")
        file.write("$enddefinitions $end\n#0\n1!\n")
        file.write("\n".join(f"#{edge}\n{index & 1}!" for index, edge in enumerate(edges.tolist())))
        file.write("\n")

    def line_by_line() -> int:
        with path.open() as file:
            return sum(1 for _ in file)

    least = best_of(3, line_by_line)
    ours = best_of(2, lambda: read_capture(path))
    reference = f"read line by line {least:.2f} s"
    figure = Figure(f"{len(edges):,} changes of a VCD file", f"{ours:.2f} s", reference, ours / least, 5)
    print_table("A dump of changes", [figure])
    assert figure.holds


def fitted(edges: Edges, timing: LineTiming) -> BitFit | None:
    return fit_bit_time(frame_blocks(edges, timing), timing)


def test_the_fit_grows_with_the_edges() -> None:
    timing = LineTiming(PER_BIT, 1, FrameFormat())
    whole = logic_edges(full_line(32_000_000), 1e-6)
    figures = []
    for count in (100_000, 1_000_000, 10_000_000):
        times = -(-count // len(whole))
        ticks = np.concatenate([whole.ticks.astype(np.int64) + part * 32_000_384 for part in range(times)])[
            :count
        ]
        edges = Edges(ticks, 1, 1e-6, float(ticks[-1]) + 400)
        figures.append((count, best_of(2, partial(fitted, edges, timing))))
    rows = [
        Figure(f"fit over {count:,} edges", f"{taken:.3f} s", "", 1e9 * taken / count, None, "ns an edge")
        for count, taken in figures
    ]
    growth = figures[2][1] / figures[0][1]
    rows.append(Figure("a hundred times the edges", "", "the fewest of these", growth, 200))
    print_table("The fit of the bit time grows with the edges", rows)
    assert all(row.holds for row in rows)
