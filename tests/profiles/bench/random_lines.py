"""Random lines, as they might be met at a bench, with what a receiver that is told the settings makes of
them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from profiles.bench.edges import Edges
from profiles.bench.line_fit import LineFit
from profiles.bench.uart import Frames, LineTiming, decode_edges
from profiles.frames import FrameFormat, Parity
from tests.profiles.bench.lines import edge_times

_COMMON = ("8N1", "8N1", "8N1", "8N1", "8E1", "8O1", "8N2", "7E1", "7O1", "8E2")
_RATES = (
    300,
    600,
    1200,
    2400,
    4800,
    9600,
    14400,
    19200,
    28800,
    31250,
    38400,
    57600,
    115200,
    250000,
    460800,
    921600,
)
_TEXT = b"The quick brown fox 0123456789,+-*$GPGGA;OK\r\nERROR 42.7 V\r\nSET VOL=17\r\n"


@dataclass(frozen=True, slots=True)
class RandomLine:
    """A line and the truth about it."""

    edges: Edges
    values: list[int]
    """The words that were sent, those before the start of the capture left out."""
    baud: float
    idle: int
    frame: FrameFormat
    text: str
    """What kind of line it is."""

    def told(self) -> Frames:
        """What a receiver reads that is told the true settings."""
        bit = 1 / (self.baud * self.edges.tick)
        return decode_edges(self.edges, LineTiming(bit, self.idle, self.frame))

    def readable(self) -> bool:
        """Whether that receiver reads all of it without an error."""
        frames = self.told()
        return not frames.errors.any() and frames.values.tolist() == self.values

    def right(self, found: LineFit) -> bool:
        """Whether what was found reads the line: rate, idle level, and the meaning of every cell.

        Formats that are the same waveform with the same words (8N2 and 8M1; 7S1 and 8N1 with the top bit
        clear) are equally right. Stop bits that dead time hides are not asked for.
        """
        if found.timing is None or found.timing.idle != self.idle:
            return False
        measured = 1 / (found.timing.bit * self.edges.tick)
        error = found.baud_error or 0.0
        if abs(measured - self.baud) > max(0.02 * self.baud, 3 * error):
            return False
        if _meaning(found.timing.frame) == _meaning(self.frame):
            return True
        frames = decode_edges(self.edges, found.timing, start=found.start)
        return not frames.errors.any() and frames.values.tolist() == self.values


def _meaning(frame: FrameFormat) -> tuple[int, Parity]:
    return frame.data_bits, Parity.NONE if frame.parity is Parity.MARK else frame.parity


def random_line(rng: np.random.Generator) -> RandomLine:
    """Draw a line: format, rate 300 to 1,000,000, words, dead times, noise, sampling, where the capture
    begins."""
    if rng.random() < 0.5:
        frame = FrameFormat.parse(str(rng.choice(_COMMON)))
    else:
        parity = Parity(str(rng.choice(["N", "E", "O", "M", "S"], p=[0.4, 0.25, 0.25, 0.05, 0.05])))
        frame = FrameFormat(
            int(rng.integers(5, 10)), parity, float(rng.choice([1.0, 1.5, 2.0], p=[0.6, 0.1, 0.3]))
        )
    if rng.random() < 0.6:
        baud = float(rng.choice(_RATES)) * (1 + rng.uniform(-0.02, 0.02))
    else:
        baud = float(np.exp(rng.uniform(np.log(300), np.log(1e6))))
    count = int(np.exp(rng.uniform(np.log(4), np.log(80))))
    content = str(rng.choice(["random", "text", "messages"], p=[0.45, 0.3, 0.25]))
    values = _words(content, count, frame, rng)
    pause = str(rng.choice(["none", "constant", "random", "bursts"]))
    dead = _pauses(pause, len(values), rng)
    jitter = float(rng.choice([0.0, rng.uniform(0, 0.05), rng.uniform(0.05, 0.15)]))
    shift = float(rng.choice([0.0, rng.normal(0, 0.06)]))
    sample = 1 / float(np.exp(rng.uniform(np.log(5), np.log(100))))
    idle = int(rng.integers(0, 2))
    times, _ = edge_times(values, frame, 1.0, dead=dead, lead=float(rng.uniform(1, 60)), shift=shift)
    times = times + rng.normal(0, jitter, len(times)) if jitter else times
    times = np.maximum.accumulate(times)
    begin = 0.0
    if len(values) > 8 and rng.random() < 0.2:
        begin = float(rng.uniform(times[2], times[len(times) // 3]))
    begun = int(np.searchsorted(times, begin))
    first_level = idle ^ begun & 1
    starts = edge_times_of_starts(values, frame, dead, times)
    sent = [value for value, start in zip(values, starts, strict=True) if start >= begin]
    ticks = np.ceil((times[begun:] - begin) / sample).astype(np.int64)
    end = float(int((times[-1] - begin + rng.uniform(3, 60)) / sample))
    kind = f"{frame} {content} x{count} {pause} jitter {jitter:.2f} shift {shift:.2f} 1/{1 / sample:.0f}"
    edges = Edges(ticks, first_level, sample / baud, end)
    return RandomLine(edges, sent, baud, idle, frame, kind + (" cut" if begin else ""))


def edge_times_of_starts(
    values: list[int], frame: FrameFormat, dead: list[float], times: np.typing.NDArray[np.float64]
) -> list[float]:
    """The time of each frame's first edge among ``times``."""
    starts, index = [], 0
    for value in values:
        starts.append(float(times[index]))
        levels = [1, *(level for level, _ in frame.cells(value))]
        index += sum(a != b for a, b in itertools.pairwise(levels))
    return starts


def _words(content: str, count: int, frame: FrameFormat, rng: np.random.Generator) -> list[int]:
    if content == "text" and frame.data_bits >= 7:
        first = int(rng.integers(0, len(_TEXT)))
        return [_TEXT[(first + index) % len(_TEXT)] for index in range(count)]
    top = 1 << frame.data_bits
    if content == "messages":
        message = rng.integers(0, top, int(rng.integers(2, 7))).tolist()
        return [int(message[index % len(message)]) for index in range(count)]
    return [int(value) for value in rng.integers(0, top, count)]


def _pauses(kind: str, count: int, rng: np.random.Generator) -> list[float]:
    match kind:
        case "none":
            return [0.0] * count
        case "constant":
            return [float(rng.uniform(0.2, 30))] * count
        case "random":
            return [float(pause) for pause in rng.exponential(float(rng.uniform(1, 30)), count)]
        case _:
            return [float(rng.uniform(20, 200)) if rng.random() < 0.2 else 0.0 for _ in range(count)]
