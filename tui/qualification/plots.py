"""Plots of a qualification, as SVG within a page: what came of each command, times over the cycles, spreads.

On and off are told apart by shape (circle, square) before colour; what failed is a cross. Colours are the
page's own, so that light, dark and paper each have theirs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from tui.qualification.axes import Axis, round_ticks
from tui.telling import plain

__all__ = ["Point", "histogram", "outcome_strip", "over_cycles"]

_WIDTH, _HEIGHT = 720.0, 230.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 58.0, 16.0, 14.0, 40.0
_BINS = 30
_MOST_POINTS = 4000


@dataclass(frozen=True, slots=True)
class Point:
    """A value of a command."""

    cycle: int
    value: float
    on: bool


def _text(x: float, y: float, words: str, anchor: str = "middle", kind: str = "tick") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{kind}">{escape(plain(words))}</text>'
    )


def _document(label: str, height: float, body: Sequence[str]) -> str:
    label = escape(plain(label), quote=True)
    return (
        f'<svg class="plot" role="img" aria-label="{label}" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" '
        f'width="{_WIDTH:.0f}" height="{height:.0f}"><title>{label}</title>{"".join(body)}</svg>'
    )


def _frame(across: Axis, up: Axis, x_words: str, y_words: str) -> list[str]:
    drawn = []
    for tick in up.ticks:
        y = up.at(tick)
        drawn.append(f'<path class="grid" d="M{_LEFT:.1f} {y:.1f}H{_WIDTH - _RIGHT:.1f}"/>')
        drawn.append(_text(_LEFT - 8, y + 4, up.words(tick), "end"))
    for tick in across.ticks:
        x = across.at(tick)
        drawn.append(f'<path class="axis" d="M{x:.1f} {up.begin:.1f}v5"/>')
        drawn.append(_text(x, up.begin + 18, across.words(tick)))
    drawn.append(f'<path class="axis" d="M{_LEFT:.1f} {up.begin:.1f}H{_WIDTH - _RIGHT:.1f}"/>')
    drawn.append(_text((_LEFT + _WIDTH - _RIGHT) / 2, up.begin + 34, x_words, kind="words"))
    middle = (up.begin + up.end) / 2
    drawn.append(
        f'<text x="14" y="{middle:.1f}" text-anchor="middle" class="words" '
        f'transform="rotate(-90 14 {middle:.1f})">{escape(y_words)}</text>'
    )
    return drawn


def _mark(x: float, y: float, *, on: bool) -> str:
    if on:
        return f'<circle class="on" cx="{x:.1f}" cy="{y:.1f}" r="3.2"/>'
    return f'<rect class="off" x="{x - 2.8:.1f}" y="{y - 2.8:.1f}" width="5.6" height="5.6"/>'


def _whole(ticks: list[float]) -> list[float]:
    """Cycles are whole numbers: ticks between them say nothing."""
    return ticks if ticks[1] - ticks[0] >= 1 else [float(n) for n in range(int(ticks[0]), int(ticks[-1]) + 2)]


def over_cycles(
    label: str, points: Sequence[Point], words: str, *, cycles: int, lines: Sequence[tuple[str, float]] = ()
) -> str:
    """Values over the cycles, with lines across for limits.

    Args:
        label: what the plot shows, for who can't see it.
        points: the values; of very many every so many-th is drawn.
        words: what the axis upwards is, with its unit.
        cycles: how many there were to be.
        lines: (words, value) of each line across; one far above the values only widens the axis to it
            where it is within four times the greatest.
    """
    if not points:
        return ""
    every = -(-len(points) // _MOST_POINTS)
    values = [point.value for point in points]
    near = [value for _, value in lines if value <= 4 * max(values)]
    top = _HEIGHT - _BOTTOM
    up = Axis(round_ticks(min([0.0, *values]), max([*values, *near])), top, _TOP)
    across = Axis(_whole(round_ticks(0, max(cycles, 1))), _LEFT, _WIDTH - _RIGHT)
    body = _frame(across, up, "cycle", words)
    for text, value in lines:
        if up.ticks[0] <= value <= up.ticks[-1]:
            y = up.at(value)
            body.append(f'<path class="limit" d="M{_LEFT:.1f} {y:.1f}H{_WIDTH - _RIGHT:.1f}"/>')
            body.append(_text(_WIDTH - _RIGHT - 4, y + 13, text, "end", "limit-words"))
    body += [_mark(across.at(each.cycle), up.at(each.value), on=each.on) for each in points[::every]]
    return _document(label, _HEIGHT, body)


def histogram(label: str, values: Sequence[float], words: str, limit: float | None = None) -> str:
    """How often which value was; a limit within the range is a line."""
    if not values:
        return ""
    low, high = min(values), max(values)
    ticks = round_ticks(low, high if high > low else low + max(abs(low) * 0.1, 1e-3))
    span = ticks[-1] - ticks[0]
    counts = [0] * _BINS
    for value in values:
        counts[min(_BINS - 1, int((value - ticks[0]) / span * _BINS))] += 1
    top = _HEIGHT - _BOTTOM
    across = Axis(ticks, _LEFT, _WIDTH - _RIGHT)
    up = Axis(_whole(round_ticks(0, max(counts), 5)), top, _TOP)
    body = _frame(across, up, words, "frames")
    for number, count in enumerate(counts):
        if count:
            x = across.at(ticks[0] + span * number / _BINS)
            width = (_WIDTH - _RIGHT - _LEFT) / _BINS - 1
            y = up.at(count)
            body.append(
                f'<rect class="bar" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{top - y:.1f}"/>'
            )
    if limit is not None and ticks[0] <= limit <= ticks[-1]:
        x = across.at(limit)
        body.append(f'<path class="limit" d="M{x:.1f} {_TOP:.1f}V{top:.1f}"/>')
    return _document(label, _HEIGHT, body)


_CELL, _ROW, _PER_LINE = 13.0, 16.0, 50


def outcome_strip(label: str, cycles: Sequence[tuple[str, str]]) -> str:
    """What came of each command: two rows (on above off) a line of fifty cycles.

    Args:
        label: what it shows, for who can't see it.
        cycles: for each cycle its on and its off: ``good``, ``retried``, ``bad``, or empty for none.
    """
    if not cycles:
        return ""
    rows = -(-len(cycles) // _PER_LINE)
    body = []
    for number, pair in enumerate(cycles):
        line, place = divmod(number, _PER_LINE)
        x, y = _LEFT + place * _CELL, 8 + line * (2 * _ROW + 22)
        body += [_cell(x, y + row * _ROW, kind) for row, kind in enumerate(pair)]
        if place % 10 == 0:
            body.append(_text(x + _CELL / 2, y + 2 * _ROW + 13, str(number + 1)))
        if place == 0:
            body.append(_text(_LEFT - 8, y + 11, "on", "end"))
            body.append(_text(_LEFT - 8, y + _ROW + 11, "off", "end"))
    return _document(label, 8 + rows * (2 * _ROW + 22), body)


def _cell(x: float, y: float, kind: str) -> str:
    if not kind:
        return ""
    place = f'x="{x + 1:.1f}" y="{y + 1:.1f}" width="{_CELL - 2:.0f}" height="{_ROW - 3:.0f}"'
    cell = f'<rect class="cell {kind}" {place}/>'
    left, top, right, bottom = x + 3.5, y + 3.5, x + _CELL - 3.5, y + _ROW - 5.5
    if kind == "bad":
        cross = (
            f"M{left:.1f} {top:.1f}L{right:.1f} {bottom:.1f}M{right:.1f} {top:.1f}L{left:.1f} {bottom:.1f}"
        )
        return f'{cell}<path class="cross" d="{cross}"/>'
    if kind == "retried":
        return f'{cell}<circle class="again" cx="{x + _CELL / 2:.1f}" cy="{y + _ROW / 2 - 0.5:.1f}" r="2.2"/>'
    return cell
