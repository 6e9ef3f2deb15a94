"""What a box's line said, decoded by the bench, against what it had to say."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from controller.proving.rig import Run
from controller.proving.story import Due, Story
from profiles.bench.bit_time import fit_bit_time
from profiles.bench.edges import Edges
from profiles.bench.uart import FrameError, LineTiming, decode_edges, frame_blocks
from profiles.firmware.manifest import Box, Tells
from profiles.frames import BitOrder, reverse_bits

__all__ = ["Case", "judge"]

_BIT_TOLERANCE = 0.0005
"""Of the bit time, beyond what was stated: the bench measures far better than this on a clean dump."""
_BLINK = 0.2
_ROUND = 0.8
"""Between two rounds of blinks the lamp is dark for longer than this, in seconds."""


@dataclass
class Case:
    """One story, and how it went."""

    name: str
    title: str
    problems: list[str] = field(default_factory=list)
    """What was not as it has to be; none where it passed."""
    heard: list[str] = field(default_factory=list)
    """The messages that were heard, in hexadecimal."""
    figures: dict[str, float] = field(default_factory=dict)
    """Seconds and parts: ``late_s``, ``bit_error``, ``gap_s``."""

    @property
    def passed(self) -> bool:
        """Whether all was as it has to be."""
        return not self.problems

    def document(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "name": self.name,
            "title": self.title,
            "passed": self.passed,
            "problems": self.problems,
            "heard": self.heard,
            "figures": self.figures,
        }


@dataclass(frozen=True, slots=True)
class _Heard:
    """Frames that were decoded from the line."""

    starts: list[float]
    values: bytes
    bit: float | None
    """The bit time in seconds, fitted; None where there are no frames to tell."""
    broken: int
    """Frames with an error, and glitches."""


def judge(story: Story, run: Run) -> Case:
    """Compare what a box did with what it had to do.

    Args:
        story: what was done to it, and what had to come of it.
        run: what it did.
    """
    case = Case(story.name, story.title)
    heard = _decode(story.box, run.line)
    cut = any(due.cut is not None for due in story.due)
    if heard.broken and not cut:
        case.problems.append(f"{heard.broken} frames or edges on the line are no frames of the profile's")
    if heard.bit is not None and not cut:
        _judge_bit_time(case, story.box, heard.bit)
    _judge_messages(case, story, heard)
    causes = [cause for cause, _ in run.resets]
    if causes != story.resets:
        case.problems.append(f"resets were {', '.join(causes)} and had to be {', '.join(story.resets)}")
    blinks = _blinks(run.lamp, run.line)
    if blinks != story.blinks:
        case.problems.append(f"the lamp blinks {blinks} times and has to blink {story.blinks} times")
    return case


def _decode(box: Box, line: Edges) -> _Heard:
    frame = box.line.format
    timing = LineTiming(1 / (box.line.baud * line.tick), int(box.line.idle == "high"), frame)
    frames = decode_edges(line, timing)
    fit = fit_bit_time(frame_blocks(line, timing), timing) if len(frames) else None
    values = bytes((frames.values & 0xFF).tolist())
    if box.line.bit_order == BitOrder.MSB.value:
        values = _from_msb(frames.values.tolist(), frame.data_bits)
    broken = int((frames.errors != FrameError.NONE).sum()) + frames.glitches + frames.false_starts
    return _Heard(frames.starts.tolist(), values, fit.bit * line.tick if fit else None, broken)


def _from_msb(values: list[int], data_bits: int) -> bytes:
    if data_bits <= 8:
        return reverse_bits(bytes(values), data_bits)
    return bytes(int(f"{value:0{data_bits}b}"[::-1], 2) & 0xFF for value in values)


def _judge_bit_time(case: Case, box: Box, bit: float) -> None:
    stated = box.bit_cycles / box.clock_hz
    off = bit / stated - 1
    case.figures["bit_error"] = 1 / (bit * box.line.baud) - 1
    if abs(off) > _BIT_TOLERANCE:
        case.problems.append(
            f"a bit takes {bit * 1e6:.3f} us and has to take {stated * 1e6:.3f} us ({off:+.2%})"
        )


def _judge_messages(case: Case, story: Story, heard: _Heard) -> None:
    box, place, ended = story.box, 0, -math.inf
    frame = box.line.format.time(box.line.baud)
    for due in story.due:
        tells = box.on if due.on else box.off
        wanted = tells.data[: due.frames]
        count = len(wanted)
        if due.cut is not None:
            count = sum(1 for start in heard.starts[place:] if start < due.cut)
        said = heard.values[place : place + count]
        starts = heard.starts[place : place + count]
        place += count
        case.heard.append(said.hex(" ").upper())
        what = "on" if due.on else "off"
        if due.cut is not None:
            if not said or not tells.data.startswith(said[:-1]):
                case.problems.append(f"{what} says {_hex(said)} before it is cut off, of {_hex(tells.data)}")
            ended = due.cut
            continue
        if said != wanted:
            case.problems.append(f"{what} says {_hex(said)} and has to say {_hex(wanted)}")
        else:
            _judge_evidence(case, what, tells, due, said)
        if starts:
            _judge_start(case, story, due, starts[0], ended)
            _judge_gaps(case, box, tells, starts)
            ended = starts[-1] + frame
    rest = heard.values[place:]
    if rest:
        case.problems.append(f"it says {_hex(rest)} besides, from {heard.starts[place]:.3f} s on")


def _judge_evidence(case: Case, what: str, tells: Tells, due: Due, said: bytes) -> None:
    if tells.evidence is None or due.frames is not None:
        return
    seen = bytes.fromhex(tells.evidence)
    if seen != said:
        case.problems.append(f"{what} says {_hex(said)}, and the profile's evidence is {_hex(seen)}")


def _judge_start(case: Case, story: Story, due: Due, start: float, ended: float) -> None:
    """When it begins: never two ticks early, three ticks late at most, and what was said before is over."""
    box = story.box
    if math.isnan(due.at):
        return
    lag = 0.0
    at = due.at
    if ended + due.held + box.rest_s > at:
        # The box counts from its last echo's end; that is later than the frame by what the ring takes.
        at = ended + due.held + box.rest_s
        if box.echo:
            lag = story.length(box.on if not due.on else box.off)
    late = start - at
    case.figures["late_s"] = max(case.figures.get("late_s", 0.0), late, key=abs)
    slack = 0.001 * (box.delay_on_s if due.on else box.delay_off_s)
    if late < -2 * box.tick_s - slack or late > 3 * box.tick_s + slack + lag:
        what = "on" if due.on else "off"
        case.problems.append(f"{what} begins {start:.4f} s after the start and has to at {at:.4f} s")


def _judge_gaps(case: Case, box: Box, tells: Tells, starts: list[float]) -> None:
    """Idle line between frames: never less than the dead time and the pauses, and not much more."""
    frame = box.line.format.time(box.line.baud)
    pauses = {pause.before: 0.0 for pause in tells.pauses}
    for pause in tells.pauses:
        pauses[pause.before] += pause.seconds
    for index in range(1, len(starts)):
        gap = starts[index] - starts[index - 1] - frame
        least = box.line.dead_time_s + pauses.get(index, 0.0)
        if index not in pauses:
            case.figures["gap_s"] = max(case.figures.get("gap_s", 0.0), gap)
        slack = 0.002 * frame
        most = math.inf if box.echo else 1.01 * least + 0.0003 + 2 / box.line.baud
        if not least - slack <= gap <= most:
            case.problems.append(
                f"before byte {index} the line rests for {gap * 1000:.3f} ms, least {least * 1000:.3f} ms"
            )
            return


def _blinks(lamp: Edges, line: Edges) -> int:
    """How often the lamp blinks in its last whole round; that it is lit while the box speaks is no blink."""
    times = lamp.seconds().tolist()
    levels = [lamp.first_level ^ (index + 1) & 1 for index in range(len(times))]
    spoken = line.seconds()
    lit = []
    for index in range(len(times) - 1):
        begin, end = times[index], times[index + 1]
        silent = int(np.searchsorted(spoken, begin)) == int(np.searchsorted(spoken, end))
        if levels[index] and silent and abs(end - begin - _BLINK) < _BLINK / 10:
            lit.append(begin)
    rounds: list[int] = []
    last = -math.inf
    for time in lit:
        if time - last > _ROUND:
            rounds.append(0)
        rounds[-1] += 1
        last = time
    if not rounds or lamp.duration - last > 2 * _ROUND:
        return 0
    return rounds[-2] if len(rounds) > 1 else rounds[-1]


def _hex(data: bytes) -> str:
    shown = data[:16].hex(" ").upper()
    return f"{shown} ... ({len(data)} bytes)" if len(data) > 16 else shown or "nothing"
