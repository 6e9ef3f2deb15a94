"""Pictures of comparisons, as SVG: both waveforms over each other, byte by byte, in their bit cells.

The original is a broad solid line and the replay a thin dashed one, so that they are told apart without any
colour; the two colours are of the palette by Okabe and Ito, which colour-blind people tell apart as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from profiles.bench.comparison import Comparison, Pair
from profiles.bench.decoding import DecodedChannel, DecodedSegment
from profiles.bench.edges import FloatArray
from profiles.bench.tracing import index_at
from profiles.bench.uart import FrameError, LineTiming

__all__ = ["comparison_svg"]

_CELL = 17.0
"""Width of a bit cell, in pixels."""
_ASIDE = 0.8
"""Bit times that are shown on either side of a frame."""
_PER_ROW = 5
_MOST_FRAMES = 200
_WAVE = 64.0
_ROW = 164.0
_LEFT, _TOP = 24.0, 96.0
_MOST_POINTS = 300
_BLUE, _ORANGE, _INK, _FAINT = "#0072B2", "#D55E00", "#1a1a1a", "#c8c8c8"
_BROAD = f'stroke="{_BLUE}" stroke-width="5" stroke-opacity="0.5"'
_DASHED = f'stroke="{_ORANGE}" stroke-width="1.6" stroke-dasharray="5 2.5"'

Points = list[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class _Side:
    channel: DecodedChannel
    part: DecodedSegment
    style: str


def comparison_svg(original: DecodedChannel, replay: DecodedChannel, comparison: Comparison) -> str:
    """Draw a comparison.

    Args:
        original: the channel that was compared (its main segment).
        replay: the channel that it was compared with.
        comparison: what came of it.

    Returns:
        An SVG document; a byte of each side over the other in each panel, at most 200 panels.
    """
    sides = (
        _Side(original, original.main, _BROAD),
        _Side(replay, replay.main, _DASHED),
    )
    timing = original.main.fit.timing
    if timing is None:
        return _document(_LEFT * 2, _TOP, [])
    bit = timing.bit * original.main.segment.edges.tick
    panel = (timing.frame.bits + 2 * _ASIDE) * _CELL
    shown = comparison.pairs[:_MOST_FRAMES]
    dead = {each.at: each for each in comparison.dead_times}
    width = 2 * _LEFT + panel * _PER_ROW
    height = _TOP + _ROW * -(-max(len(shown), 1) // _PER_ROW) + 24
    body = _heading(original, replay, comparison)
    for number, pair in enumerate(shown):
        x = _LEFT + panel * (number % _PER_ROW)
        y = _TOP + _ROW * (number // _PER_ROW)
        body.append(f'<g transform="translate({x:.1f} {y:.1f})">')
        body += _panel(sides, pair, timing, bit)
        each = dead.get(pair.original) if pair.original is not None else None
        if each is not None:
            mark = "dead time differs" if each.differs else "dead time"
            text = f"{mark} {each.original / bit:.1f} / {each.replay / bit:.1f} bits"
            body.append(_label(_ASIDE * _CELL, 141, text, 10))
        body.append("</g>")
    if len(shown) < len(comparison.pairs):
        left = len(comparison.pairs) - len(shown)
        body.append(_label(_LEFT, height - 8, f"{left} bytes more are not drawn", 12))
    return _document(width, height, body)


def _document(width: float, height: float, body: Sequence[str]) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height:.0f}" '
        f'viewBox="0 0 {width:.0f} {height:.0f}" font-family="sans-serif">\n'
        "<title>Original and replay</title>\n"
        f'<rect width="{width:.0f}" height="{height:.0f}" fill="white"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def _heading(original: DecodedChannel, replay: DecodedChannel, comparison: Comparison) -> list[str]:
    verdict = comparison.verdict.value.replace("-", " ")
    reason = f": {comparison.reasons[0]}" if comparison.reasons else ""
    facts = []
    if comparison.bit_ratio is not None:
        facts.append(f"bit time {100 * (comparison.bit_ratio - 1):+.2f} %")
    if comparison.worst_edge is not None:
        facts.append(f"worst edge {comparison.worst_edge:+.3f} bit times")
    facts.append("times beside each other: original / replay")
    return [
        _label(_LEFT, 26, f"{verdict}{reason}", 17, bold=True),
        _label(_LEFT, 46, "; ".join(facts), 12),
        f'<path d="M{_LEFT} 66h40" fill="none" {_BROAD}/>',
        _label(_LEFT + 48, 70, f"original, {original.name} (broad)", 12),
        f'<path d="M{_LEFT + 330} 66h40" fill="none" {_DASHED}/>',
        _label(_LEFT + 378, 70, f"replay, {replay.name} (thin, dashed)", 12),
    ]


def _label(x: float, y: float, text: str, size: int, *, bold: bool = False, middle: bool = False) -> str:
    plain = "".join(char if char.isprintable() else "?" for char in text)
    more = ' font-weight="bold"' if bold else ""
    more += ' text-anchor="middle"' if middle else ""
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{_INK}"{more}>{escape(plain)}</text>'


def _panel(sides: tuple[_Side, _Side], pair: Pair, timing: LineTiming, bit: float) -> list[str]:
    """One byte: its cells, both waveforms, and in words what differs."""
    values = [
        _value(side.part, index) for side, index in zip(sides, (pair.original, pair.replay), strict=True)
    ]
    same = values[0] == values[1]
    left, top = _ASIDE * _CELL, 26.0
    drawn = []
    cells = timing.frame.bits
    if not same:
        drawn.append(
            f'<rect x="{left - 4:.1f}" y="2" width="{cells * _CELL + 8:.1f}" height="112" fill="none" '
            f'stroke="{_INK}" stroke-width="2"/>'
        )
    for cell in range(int(cells) + 1):
        x = left + cell * _CELL
        drawn.append(f'<path d="M{x:.1f} {top - 6:.0f}v{_WAVE + 12:.0f}" stroke="{_FAINT}" fill="none"/>')
    drawn.append(_label(left + cells * _CELL / 2, 16, _byte_label(values), 13, bold=True, middle=True))
    for side, index in zip(sides, (pair.original, pair.replay), strict=True):
        if index is not None:
            start = float(side.part.segment.frames.starts[index])
            points = _trace(side, index, start - _ASIDE * bit, start + (cells + _ASIDE) * bit)
            drawn.append(_polyline(points, start, bit, left, top, side.style))
    drawn += _cell_digits(sides[0].part, pair.original, timing, left, top + _WAVE + 20)
    if pair.edge is not None:
        drawn.append(_label(left, 128, f"edges within {abs(pair.edge):.3f} bits", 10))
    return drawn


def _value(part: DecodedSegment, index: int | None) -> tuple[int, FrameError] | None:
    if index is None:
        return None
    return part.values[index], FrameError(int(part.segment.frames.errors[index]))


def _byte_label(values: Sequence[tuple[int, FrameError] | None]) -> str:
    texts = [_one_byte(value) for value in values]
    if values[0] == values[1]:
        return texts[0]
    if values[0] is None or values[1] is None:
        side = "original" if values[0] is None else "replay"
        return f"{texts[0] or texts[1]} (not in the {side})"
    return f"{texts[0]} ≠ {texts[1]}"


def _one_byte(value: tuple[int, FrameError] | None) -> str:
    if value is None:
        return ""
    word = value[1].word
    return f"{value[0]:02X}{f' ({word})' if word else ''}"


def _cell_digits(
    part: DecodedSegment, index: int | None, timing: LineTiming, left: float, y: float
) -> list[str]:
    """Each bit of the original under its cell; the data bits bold."""
    if index is None or part.segment.frames.errors[index] != FrameError.NONE:
        return []
    drawn, at = [], 0.0
    data = range(1, 1 + timing.frame.data_bits)
    for number, (level, length) in enumerate(timing.frame.cells(int(part.segment.frames.values[index]))):
        x = left + (at + length / 2) * _CELL
        drawn.append(_label(x, y, str(level), 10, bold=number in data, middle=True))
        at += length
    return drawn


def _polyline(points: Points, start: float, bit: float, left: float, top: float, style: str) -> str:
    placed = " ".join(
        f"{left + (at - start) / bit * _CELL:.1f},{top + (1 - level) * _WAVE:.1f}" for at, level in points
    )
    return f'<polyline points="{placed}" fill="none" stroke-linejoin="round" {style}/>'


def _trace(side: _Side, index: int, begin: float, end: float) -> Points:
    """The waveform of a frame between two instants: (seconds, level), 0 low and 1 high."""
    if not len(side.part.segment.edges):
        return _from_bits(side.part, index, begin, end)
    measured = _measured(side.channel, begin, end)
    return measured if measured is not None else _logic(side.part, begin, end)


def _from_bits(part: DecodedSegment, index: int, begin: float, end: float) -> Points:
    """As a frame's bits have it, where bytes were recorded and no waveform."""
    timing = part.fit.timing
    if timing is None:
        return []
    at = float(part.segment.frames.starts[index])
    flip = 1 - timing.idle
    points: Points = [(begin, float(timing.idle)), (at, float(timing.idle))]
    for level, length in timing.frame.cells(int(part.segment.frames.values[index])):
        points.append((at, float(level ^ flip)))
        at += length * timing.bit * part.segment.edges.tick
        points.append((at, float(level ^ flip)))
    return [*points, (end, float(timing.idle))]


def _measured(channel: DecodedChannel, begin: float, end: float) -> Points | None:
    """The samples of a voltage; None for a line that is no voltage."""
    source, levels = channel.channel, channel.levels
    if source.samples is None or source.time is None or levels is None or not levels.alive:
        return None
    first, last = index_at(source.time, begin), index_at(source.time, end)
    if last - first < 2:
        return None
    places = np.unique(np.linspace(first, last - 1, min(last - first, _MOST_POINTS)).astype(np.int64))
    times = source.time.at(places)
    heights = np.clip((source.samples[places] - levels.low) / levels.swing, -0.25, 1.25)
    return list(zip(times.tolist(), heights.tolist(), strict=True))


def _logic(part: DecodedSegment, begin: float, end: float) -> Points:
    edges = part.segment.edges
    first, last = np.searchsorted(edges.ticks, (begin / edges.tick, end / edges.tick))
    level = edges.first_level ^ int(first) & 1
    points: Points = [(begin, float(level))]
    times: FloatArray = np.asarray(edges.ticks[first:last], np.float64) * edges.tick
    for at in times.tolist():
        points.append((at, float(level)))
        level ^= 1
        points.append((at, float(level)))
    points.append((end, float(level)))
    return points
