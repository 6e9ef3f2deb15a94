"""The circuits as one SVG with the values in it, a title and a description for screen readers."""

from __future__ import annotations

from collections.abc import Callable
from html import escape

from profiles.wiring.design import CAUTIONS, Wiring
from profiles.wiring.figures import Part, Section
from profiles.wiring.quantities import quantity
from profiles.wiring.symbols import (
    MUTED,
    capacitor,
    diode,
    dot,
    ground,
    label,
    opto_isolator,
    resistor,
    terminal,
    wire,
)

__all__ = ["describe", "wiring_svg"]

_WIDTH = 760.0
_HEIGHT = {"trigger": 330.0, "divider": 236.0, "pull-up": 270.0}
_UNWORKED = 90.0
_TOP, _LEFT = 24.0, 40.0
_CAUTION = "#a94700"
_LONGEST = 100


def wiring_svg(wiring: Wiring) -> str:
    """Draw every circuit, one below the other.

    Returns:
        An SVG document on a light ground.
    """
    y, body = _TOP, []
    for section in wiring.sections:
        body.append(f'<g transform="translate({_LEFT:.0f} {y:.0f})">')
        body.append(label(0, 18, section.title, 17, bold=True))
        if section.problem or not section.parts:
            body += _lines(42, f"no value works: {section.problem}", _CAUTION)
            height = _UNWORKED + 18 * (len(section.problem) // _LONGEST)
        else:
            body += _DRAWN[section.kind](section)
            height = _HEIGHT[section.kind]
            for number, warning in enumerate(section.warnings):
                body += _lines(height - 6 + 18 * number, f"warning: {warning}", _CAUTION)
            height += 18 * len(section.warnings) + 14
        body.append("</g>")
        y += height
    for caution in CAUTIONS:
        for line in _folded(caution):
            body.append(label(_LEFT, y + 12, line, 11, ink=MUTED))
            y += 15
        y += 3
    return _document(wiring, y + 18, body)


def describe(wiring: Wiring) -> str:
    """The circuits in sentences, as a screen reader says them."""
    said = []
    for section in wiring.sections:
        if section.problem:
            said.append(f"{section.title}: no value works, because {section.problem}.")
            continue
        parts = "; ".join(f"{part.id}, {part.text}, {part.what}" for part in section.parts)
        said.append(f"{section.title}. {_COURSE[section.kind]} {parts}.")
        said += [f"Warning: {warning}." for warning in section.warnings]
    return " ".join(said)


_COURSE = {
    "trigger": "From the trigger line through R1 to the LED of U1 and back; D1 lies across the LED the other "
    "way round. The output's collector is pulled up by R2 and goes to the input; its emitter is on the box's "
    "ground.",
    "divider": "From the line through R3 to the input, and from there through R4 to ground.",
    "pull-up": "From the supply through R5 to the line; the cable's own capacitance is from line to ground.",
}


def _document(wiring: Wiring, height: float, body: list[str]) -> str:
    title = "; ".join(section.title for section in wiring.sections) or "Wiring"
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="wiring-title wiring-desc" '
        f'width="{_WIDTH:.0f}" height="{height:.0f}" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" '
        'font-family="sans-serif">\n'
        f'<title id="wiring-title">{escape(title)}</title>\n'
        f'<desc id="wiring-desc">{escape(describe(wiring))}</desc>\n'
        f'<rect width="{_WIDTH:.0f}" height="{height:.0f}" fill="white"/>\n' + "\n".join(body) + "\n</svg>\n"
    )


def _folded(text: str) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if len(line) + len(word) + 1 > _LONGEST and line:
            lines.append(line)
            line = ""
        line = f"{line} {word}".strip()
    return [*lines, line] if line else lines


def _lines(y: float, text: str, ink: str) -> list[str]:
    return [label(0, y + 18 * number, line, 13, ink=ink) for number, line in enumerate(_folded(text))]


def _named(part: Part | None, x: float, y: float, *, anchor: str = "start") -> list[str]:
    """A part's name, value and the rest of its text, below each other."""
    if part is None:
        return []
    if part.value is None:
        return [label(x, y, part.id, 13, bold=True, anchor=anchor)]
    value, _, rest = part.text.partition(", ")
    return [
        label(x, y, f"{part.id}  {value}", 13, bold=True, anchor=anchor),
        label(x, y + 15, rest, 11, anchor=anchor, ink=MUTED),
    ]


def _figure(section: Section, start: str) -> str:
    """The value of the first figure whose name begins so."""
    return next((each.text for each in section.figures if each.name.startswith(start)), "")


def _trigger(section: Section) -> list[str]:
    top, bottom = 110.0, 170.0
    led = [each for each in section.figures if each.name.startswith("LED current at")]
    drawn = [
        terminal(6, top),
        label(0, top - 34, "trigger line", 12, ink=MUTED),
        label(0, top - 16, section.labels["in"], 13, bold=True),
        wire((11, top), (100, top)),
        resistor(100, top),
        *_named(section.part("R1"), 140, top - 34, anchor="middle"),
        wire((180, top), (260, top)),
        dot(220, top),
        diode(220, top, up=True),
        *_named(section.part("D1"), 190, top + 35, anchor="end"),
        dot(220, bottom),
        opto_isolator(260, top - 30),
        *_named(section.part("U1"), 340, top - 38, anchor="middle"),
        wire((11, bottom), (260, bottom)),
        terminal(6, bottom),
        label(0, bottom + 24, "trigger ground: keep it apart from the box's", 11, ink=MUTED),
        f'<path d="M340 {top + 98:.0f}v86" stroke="{_CAUTION}" stroke-width="1.6" stroke-dasharray="6 4"/>',
        label(348, top + 180, "isolation: nothing crosses here", 11, ink=_CAUTION),
        wire((420, top), (500, top), (640, top)),
        dot(500, top),
        resistor(500, top - 80, upright=True),
        *_named(section.part("R2"), 516, top - 44),
        label(500, top - 86, f"supply {section.labels['supply']}", 12, anchor="middle"),
        terminal(646, top),
        label(640, top - 16, "input, low = on", 12, anchor="middle"),
        wire((420, bottom), (500, bottom)),
        ground(500, bottom, "box ground"),
    ]
    drawn += [label(0, 240 + 18 * number, f"{each.name}: {each.text}", 12) for number, each in enumerate(led)]
    drawn.append(label(0, 276, f"certainly on from {_figure(section, 'certainly on from')}", 12))
    drawn.append(label(0, 294, f"power in R1: {_figure(section, 'power in R1')}", 12))
    return drawn


def _divider(section: Section) -> list[str]:
    top = 90.0
    highest = _figure(section, "input when the line is highest")
    least = _figure(section, "input when the line is high at least")
    return [
        terminal(6, top),
        label(0, top - 34, "line of the bus", 12, ink=MUTED),
        label(0, top - 16, section.labels["line"], 13, bold=True),
        wire((11, top), (120, top)),
        resistor(120, top),
        *_named(section.part("R3"), 160, top - 34, anchor="middle"),
        wire((200, top), (420, top)),
        dot(280, top),
        terminal(426, top),
        label(420, top - 16, f"input, {section.labels['logic']} logic", 12, anchor="middle"),
        resistor(280, top, upright=True),
        *_named(section.part("R4"), 298, top + 38),
        ground(280, top + 80, "common ground"),
        label(440, top + 30, f"high: {least} to {highest}", 12),
        label(440, top + 48, f"rise: {_figure(section, 'rise time')}", 12),
        label(440, top + 66, f"drawn: {_figure(section, 'drawn from the line')}", 12),
        label(440, top + 84, f"idle: {_figure(section, 'idle current')}", 12),
    ]


def _pull_up(section: Section) -> list[str]:
    top = 150.0
    cable = section.part("C")
    return [
        terminal(6, top),
        label(0, top + 26, "outputs that pull low", 12, ink=MUTED),
        wire((11, top), (460, top)),
        dot(140, top),
        resistor(140, top - 80, upright=True),
        *_named(section.part("R5"), 158, top - 46),
        label(140, top - 88, f"supply {section.labels['supply']}", 12, anchor="middle"),
        dot(300, top),
        capacitor(300, top, dashed=True),
        label(322, top + 34, f"cable {quantity(cable.value or 0.0, 'F') if cable else ''}", 12),
        ground(300, top + 60, "common ground"),
        terminal(466, top),
        label(460, top - 16, "line of the bus", 12, anchor="middle"),
        label(440, top + 34, f"rise: {_figure(section, 'rise time')}", 12),
        label(440, top + 52, f"held low: {_figure(section, 'current while')}", 12),
        label(440, top + 70, f"idle: {_figure(section, 'idle current')}", 12),
    ]


_DRAWN: dict[str, Callable[[Section], list[str]]] = {
    "trigger": _trigger,
    "divider": _divider,
    "pull-up": _pull_up,
}
