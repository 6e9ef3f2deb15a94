"""Capture files of every kind, the whole way from file to bytes as ``linewarden decode`` goes it."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from profiles.bench.capture import Capture, Channel, ChannelKind
from profiles.bench.decoding import DecodeOptions, Decoding, decode
from profiles.bench.edges import Edges
from profiles.bench.readers.opening import read_capture
from profiles.bench.report import as_json, as_text
from profiles.errors import InputError
from profiles.frames import FrameFormat
from tests.fuzz.target import Target, Trial
from tests.profiles.bench.captures import write_logic, write_voltage
from tests.profiles.bench.lines import edge_times
from tests.tui.steering import check_no_steering
from tui.telling import plain

__all__ = ["TARGETS"]

ROOT = Path(__file__).resolve().parents[2]
"""The repository."""
_FEW_EDGES = 60


@contextmanager
def _trial(folder: Path) -> Iterator[Trial]:
    path = folder / "capture.any"

    def trial(data: bytes) -> None:
        path.write_bytes(data)
        try:
            capture = read_capture(path)
        except InputError as refused:
            # Where only the time between rows is missing, it is given.
            if "--sample-interval" not in refused.todo:
                return
            try:
                capture = read_capture(path, sample_interval=1e-5)
            except InputError:
                return
        # Finding a line takes long where there is none: of long ones only one in eight is taken that far.
        chosen = capture.channels[:2]
        edges = sum(len(channel.edges()[0]) for channel in chosen)
        if edges <= _FEW_EDGES or zlib.crc32(data) % 8 == 0:
            check_decoding(decode(replace(capture, channels=chosen), DecodeOptions()))

    yield trial


@contextmanager
def _edges(folder: Path) -> Iterator[Trial]:
    """A line given as the lengths of its runs, two bytes each, after a byte that says how it begins."""

    def trial(data: bytes) -> None:
        if len(data) < 5:
            return
        begin, runs = data[0], np.frombuffer(data[1 : 1 + (len(data) - 1) // 2 * 2], "<u2").astype(np.int64)
        ticks = np.cumsum(runs[:-1])
        line = Edges(ticks, begin & 1, 1e-6, float(runs.sum()), 1.0)
        logic = Channel("CH1", ChannelKind.LOGIC, "edges", None, None, line)
        options = DecodeOptions(baud=9600.0 if begin & 2 else None, burst_gap_bits=20.0 if begin & 4 else 3.0)
        check_decoding(decode(Capture("edges", "edges", (logic,)), options))

    yield trial


def check_decoding(decoded: Decoding) -> None:
    """Everything that was found can be told, and no frame is lost on the way into bursts."""
    json.dumps(as_json(decoded), allow_nan=False)
    check_no_steering(plain(as_text(decoded), lines=True), lines=True)
    for channel in decoded.channels:
        for part in channel.segments:
            frames = len(part.segment.frames)
            assert len(part.values) in (0, frames)
            if part.fit.timing is not None:
                assert [i for burst in part.bursts for i in range(*burst)] == list(range(frames))


def _message_csv(folder: Path) -> Iterable[bytes]:
    path = folder / "seed.csv"
    message = [b"\xa5\x01\x01\x02", b"\xa5\x02\x01\x03", b"\xa6\x01\x56\x1f"]
    for frame, baud in (("8N1", 4800.0), ("7E1", 9600.0), ("8O2", 31250.0), ("9N1", 2400.0)):
        messages = [bytes(value & 0x7F for value in data) if frame == "7E1" else data for data in message]
        yield write_logic(path, messages, frame=frame, baud=baud).read_bytes()
    # A row a sample, and in the dialects that exporters have; most of the idle line is left out.
    write_voltage(path, {"TX": ([b"\xa5\x01"], 0.0), "RX": ([b"\xa5\x01"], 0.002)}, samples=5, between=30.0)
    lines = path.read_bytes().splitlines()
    lines[1:] = lines[80:260]
    table = b"\n".join(lines) + b"\n"
    yield table
    yield table.replace(b",", b";").replace(b".", b",")
    yield table.replace(b",", b"\t").replace(b"\n", b"\r\n")
    yield b"Model,Bench\nSample Interval,4.2e-05,s\n,\n" + b"\n".join(
        line.partition(b",")[2] for line in lines
    )
    yield b"in s;in V;in V\n" + b"\n".join(line.replace(b",", b";") for line in lines[1:])
    recorded = (ROOT / "tests/data/captures/power-on_1.csv").read_bytes().splitlines(keepends=True)
    yield b"".join(recorded[:2] + recorded[560:1000:4])
    square = [f"{number * 20e-6:.6f},{number % 2}" for number in range(80)]
    yield ("time,clk\n" + "\n".join(square) + "\n").encode()


def _vcd(folder: Path) -> Iterable[bytes]:
    head = b"$date today $end\n$version ours $end\n$timescale 1 us $end\n$scope module bench $end\n"
    declared = (
        b'$var wire 1 ! tx $end\n$var wire 1 " rx $end\n$var wire 8 # bus $end\n$var real 64 r v $end\n'
    )
    end = b'$upscope $end\n$enddefinitions $end\n$dumpvars\n1!\nx"\nb00000000 #\nr0.5 r\n$end\n'
    changes, level, at = [], 1, 5000
    for value in b"\xa5\x01\x01\x02\xa5\x02\x01\x03":
        cells = [0, *(value >> bit & 1 for bit in range(8)), 1]
        for cell in cells:
            if cell != level:
                changes.append(f'#{at}\n{cell}!\n{cell}"\n')
                level = cell
            at += 208
    body = "".join(changes).encode()
    yield head + declared + end + body + b"#90000\n"
    yield head + declared + b"$enddefinitions $end\n" + body + b"$comment cut off\n$end\nb1 !\n"
    yield b"$timescale 10ns $end $var reg 1 abcdefghij line [0] $end $enddefinitions $end #0 0abcdefghij #1\n"


def _wave(code: int, bits: int, samples: bytes, *, extra: bytes = b"", length: int | None = None) -> bytes:
    channels, rate = 1, 44_100
    frame = channels * bits // 8
    form = struct.pack("<HHIIHH", code, channels, rate, rate * frame, frame, bits) + extra
    stated = len(samples) if length is None else length
    chunks = b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", stated) + samples
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def _sounds(folder: Path) -> Iterable[bytes]:
    levels = []
    for value in b"\xa5\x01\x01\x02" * 3:
        for cell in (0, *(value >> bit & 1 for bit in range(8)), 1, 1):
            levels += [cell] * 9
    levels = [1] * 200 + levels + [1] * 200
    yield _wave(1, 16, b"".join(struct.pack("<h", 24_000 * level - 12_000) for level in levels))
    yield _wave(1, 8, bytes(100 * level + 70 for level in levels), length=0)
    yield _wave(3, 32, b"".join(struct.pack("<f", level - 0.5) for level in levels[:900]))
    long = struct.pack("<HHI", 22, 16, 4) + struct.pack("<H", 1) + b"\0\0\0\0\x10\0\x80\0\0\xaa\0\x38\x9b\x71"
    yield _wave(0xFFFE, 24, b"".join(struct.pack("<i", 9_000 * v)[:3] for v in levels[:900]), extra=long)
    plain_wave = _wave(1, 16, b"\1\0\2\0" * 40)
    sizes = b"ds64" + struct.pack("<IQQQI", 28, 0, 160, 0, 0)
    yield (
        b"RF64" + b"\xff" * 4 + b"WAVE" + sizes + plain_wave[12:36] + b"data" + b"\xff" * 4 + plain_wave[44:]
    )


def _recordings(folder: Path) -> Iterable[bytes]:
    line = {"baud": 4800.0, "frame": "8N1", "bit_order": "lsb", "idle": "high"}
    head = {"linewarden_recording": 1, "bus": "hall", "profile": "pellgate-chain", "line": line}
    head["started"] = "2026-01-05T12:00:00Z"
    records: list[dict[str, object]] = []
    for number, value in enumerate(b"\xa5\x01\x01\x02"):
        at = 0.5 + number * 0.007
        records.append({"t": at, "direction": "sent", "data": f"{value:02x}"})
        records.append({"t": at + 0.0063, "direction": "echoed", "data": f"{value:02x}", "lags": [0.0063]})
    records.append({"t": 1.5, "direction": "heard", "data": "a6 01 56 1f", "meaning": "volume 31"})
    text = "\n".join(json.dumps(each) for each in (head, *records))
    yield text.encode() + b"\n"
    yield text.replace('"lsb"', '"msb"').replace("8N1", "7E2").encode()


def _runs(folder: Path) -> Iterable[bytes]:
    for frame, bit in (("8N1", 208), ("8E1", 104), ("7O2", 52), ("9N1", 417)):
        for values in (b"\xa5\x01\x01\x02", b"\x55" * 6, b"UUUU\x00\xff", b"Larkfield Hall"):
            words = [value & 0x7F for value in values] if frame == "7O2" else list(values)
            times, _ = edge_times(words, FrameFormat.parse(frame), bit, dead=[0, 40, 0, 7] * 4, lead=30.0)
            runs = np.diff(np.rint(times), prepend=0, append=times[-1] + 30 * bit)
            yield b"\x01" + runs.astype("<u2").tobytes()
    yield b"\x00" + np.full(200, 20, "<u2").tobytes()


_TABLE_WORDS = """
    Time,s (ms) [us] CH1 (V) mV Channel TIME clk Sample Interval Rate 1 GSa/s kHz low high true false 0
    1 0.5 1e-5 , ; \\t | nan inf +1.5E-03 # % Increment Sequence Volt µs 1.234,5 -0 1_000
"""
_VCD_WORDS = """
    $timescale $scope $var $upscope $enddefinitions $end $dumpvars $dumpoff $comment wire reg real 1 8 !
    " #0 #99999999999999999 #18446744073709551616 0! 1! x! z" b1 bx r0.5 1 10 100 s ms us ns ps fs
    abcdefghij
"""
_WAVE_WORDS = "RIFF RF64 RIFX WAVE fmt data ds64 LIST fact \x01\0 \x03\0 \xfe\xff"
_RECORDING_WORDS = """
    "linewarden_recording" "bus" "profile" "line" "baud" "frame" "bit_order" "idle" "started" "t"
    "direction" "data" "lags" "meaning" "fault" "sent" "echoed" "heard" "passed_on" "8N1" "9S1.5" "5O2"
    "msb" "lsb" "high" "low" null 1e300 -1 0 [ ] { } : ,
"""


def _target(name: str, seeds: Callable[[Path], Iterable[bytes]], words: str) -> Target:
    return Target(name, _trial, seeds, words)


TARGETS = (
    _target("table", _message_csv, _TABLE_WORDS),
    _target("vcd", _vcd, _VCD_WORDS),
    _target("sound", _sounds, _WAVE_WORDS),
    _target("recording", _recordings, _RECORDING_WORDS),
    Target("edges", _edges, _runs, longest=2048),
)
