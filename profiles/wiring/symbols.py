"""Symbols of circuit diagrams as SVG, in the manner of IEC 60617, with their leads at known points."""

from __future__ import annotations

from html import escape

__all__ = [
    "INK",
    "MUTED",
    "capacitor",
    "diode",
    "dot",
    "ground",
    "label",
    "opto_isolator",
    "resistor",
    "terminal",
    "wire",
]

INK, MUTED, _LIGHT = "#1a1a1a", "#5d6157", "#0072B2"
_LINE = f'fill="none" stroke="{INK}" stroke-width="2" stroke-linejoin="round" stroke-linecap="round"'

Point = tuple[float, float]


def label(
    x: float,
    y: float,
    text: str,
    size: int = 13,
    *,
    bold: bool = False,
    anchor: str = "start",
    ink: str = INK,
) -> str:
    """A text; signs that no person can see become question marks."""
    plain = "".join(char if char.isprintable() else "?" for char in text)
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.0f}" y="{y:.0f}" font-size="{size}" fill="{ink}" text-anchor="{anchor}"{weight}>'
        f"{escape(plain)}</text>"
    )


def wire(*points: Point) -> str:
    """A wire through these points."""
    return f'<polyline points="{" ".join(f"{x:.0f},{y:.0f}" for x, y in points)}" {_LINE}/>'


def dot(x: float, y: float) -> str:
    """Where wires are joined."""
    return f'<circle cx="{x:.0f}" cy="{y:.0f}" r="4" fill="{INK}"/>'


def terminal(x: float, y: float) -> str:
    """Where something from outside is joined on."""
    return f'<circle cx="{x:.0f}" cy="{y:.0f}" r="5" fill="white" stroke="{INK}" stroke-width="2"/>'


def resistor(x: float, y: float, *, upright: bool = False) -> str:
    """A resistor 80 long; ``x``, ``y`` is its left or upper lead."""
    if upright:
        return (
            wire((x, y), (x, y + 18))
            + f'<rect x="{x - 9:.0f}" y="{y + 18:.0f}" width="18" height="44" {_LINE}/>'
            + wire((x, y + 62), (x, y + 80))
        )
    return (
        wire((x, y), (x + 18, y))
        + f'<rect x="{x + 18:.0f}" y="{y - 9:.0f}" width="44" height="18" {_LINE}/>'
        + wire((x + 62, y), (x + 80, y))
    )


def diode(x: float, y: float, *, up: bool = False) -> str:
    """A diode 60 long, upright; ``x``, ``y`` is its upper lead; ``up``: it conducts upwards."""
    tip, base = (y + 20, y + 40) if up else (y + 40, y + 20)
    body = f'<polygon points="{x - 11:.0f},{base:.0f} {x + 11:.0f},{base:.0f} {x:.0f},{tip:.0f}" {_LINE}/>'
    return (
        wire((x, y), (x, y + 20)) + body + wire((x - 11, tip), (x + 11, tip)) + wire((x, y + 40), (x, y + 60))
    )


def capacitor(x: float, y: float, *, dashed: bool = False) -> str:
    """A capacitor 60 long, upright; dashed: one that nobody put there."""
    dash = ' stroke-dasharray="4 3"' if dashed else ""
    return (
        f'<path d="M{x - 14:.0f} {y + 26:.0f}h28M{x - 14:.0f} {y + 34:.0f}h28'
        f'M{x:.0f} {y:.0f}v26M{x:.0f} {y + 34:.0f}v26" {_LINE}{dash}/>'
    )


def ground(x: float, y: float, name: str) -> str:
    """Ground, with the name of whose it is."""
    bars = (
        f"M{x:.0f} {y:.0f}v10M{x - 14:.0f} {y + 10:.0f}h28"
        f"M{x - 9:.0f} {y + 16:.0f}h18M{x - 4:.0f} {y + 22:.0f}h8"
    )
    return f'<path d="{bars}" {_LINE}/>' + label(x, y + 38, name, 11, anchor="middle", ink=MUTED)


def opto_isolator(x: float, y: float) -> str:
    """An opto-isolator 160 wide and 120 high around its upper left corner.

    Its leads: LED above at (x, y + 30) and below at (x, y + 90); collector at (x + 160, y + 30), emitter at
    (x + 160, y + 90).
    """
    left, right = x + 45, x + 112
    drawn = [f'<rect x="{x + 10:.0f}" y="{y:.0f}" width="140" height="120" rx="6" {_LINE}/>']
    drawn.append(wire((x, y + 30), (left, y + 30)))
    drawn.append(diode(left, y + 30))
    drawn.append(wire((left, y + 90), (x, y + 90)))
    arrows = "".join(
        f'<path d="M{left + 18:.0f} {y + at:.0f}h22m-6 -4l6 4l-6 4" fill="none" stroke="{_LIGHT}" '
        f'stroke-width="1.6"/>'
        for at in (54, 66)
    )
    drawn.append(arrows)
    drawn.append(
        f'<path d="M{right:.0f} {y + 42:.0f}v36M{right:.0f} {y + 52:.0f}l20 -14V{y + 30:.0f}H{x + 160:.0f}'
        f"M{right:.0f} {y + 68:.0f}l20 14V{y + 90:.0f}H{x + 160:.0f}"
        f'M{right + 11:.0f} {y + 81:.0f}l9 1l-4 -9" {_LINE}/>'
    )
    return "".join(drawn)
