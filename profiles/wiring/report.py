"""What was worked out, as text and as JSON."""

from __future__ import annotations

import math
from typing import Any

from profiles.wiring.design import CAUTIONS, Wiring
from profiles.wiring.figures import Figure, Section
from profiles.wiring.quantities import quantity

__all__ = ["wiring_json", "wiring_text"]


def wiring_text(wiring: Wiring) -> str:
    """Each circuit with its parts, figures, their working, margins and sources; the cautions last."""
    blocks = [_section(section) for section in wiring.sections]
    idle = f"Idle current of all this, trigger off: {quantity(wiring.idle, 'A')}"
    cautions = ["Before anything is joined:", *(f"  - {caution}" for caution in CAUTIONS)]
    return "\n\n".join([*("\n".join(block) for block in blocks), idle, "\n".join(cautions)]) + "\n"


def _section(section: Section) -> list[str]:
    lines = [section.title, "=" * len(section.title)]
    lines += [f"  {name}: {text}" for name, text in section.given]
    if section.problem:
        lines += ["", f"  NO VALUE WORKS: {section.problem}"]
    lines += [""] * bool(section.parts)
    lines += [f"  {part.id:<3} {part.text}: {part.what}" for part in section.parts]
    for figure in section.figures:
        lines += ["", *_figure(figure)]
    lines += [""] * bool(section.warnings or section.notes)
    lines += [f"  WARNING: {warning}" for warning in section.warnings]
    lines += [f"  {note}" for note in section.notes]
    return lines


def _figure(figure: Figure) -> list[str]:
    head = f"  {figure.name}: {figure.text}"
    if figure.limit is not None:
        margin = "any" if figure.margin is None or math.isinf(figure.margin) else f"{figure.margin:.2f} x"
        word = "margin" if figure.ok else "PAST ITS LIMIT, margin"
        head += f"  ({word} {margin}; limit {quantity(figure.limit, figure.unit)}, {figure.limit_words})"
    return [head, f"      = {figure.working}", f"      source: {figure.source}"]


def wiring_json(wiring: Wiring) -> dict[str, Any]:
    """The same as plain JSON values: ohms, farads, volts, amperes, watts, seconds."""
    return {
        "works": wiring.works,
        "idle_a": wiring.idle,
        "circuits": [_section_json(section) for section in wiring.sections],
        "cautions": list(CAUTIONS),
    }


def _section_json(section: Section) -> dict[str, Any]:
    return {
        "kind": section.kind,
        "title": section.title,
        "works": section.works,
        "problem": section.problem or None,
        "warnings": list(section.warnings),
        "given": dict(section.given),
        "parts": [
            {"id": part.id, "what": part.what, "value": part.value, "text": part.text}
            for part in section.parts
        ],
        "figures": [
            {
                "name": figure.name,
                "value": figure.value,
                "unit": figure.unit,
                "limit": figure.limit,
                "limit_words": figure.limit_words or None,
                "margin": None if figure.margin is None or math.isinf(figure.margin) else figure.margin,
                "ok": figure.ok,
                "working": figure.working,
                "source": figure.source,
            }
            for figure in section.figures
        ],
        "notes": list(section.notes),
        "idle_a": section.idle,
    }
