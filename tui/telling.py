"""Records in words, for the command line. What came from the wire is shown as symbols, never as it is."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from controller.api import JournalEntry
from controller.records import (
    Command,
    Direction,
    Known,
    Origin,
    Outcome,
    Reason,
    Result,
    StateValue,
    Traffic,
    to_json,
)
from profiles.model import Value

__all__ = [
    "ARROWS",
    "KNOWN_SYMBOLS",
    "action_words",
    "as_json",
    "clock_time",
    "entry_lines",
    "exit_code",
    "hexadecimal",
    "origin_words",
    "outcome_document",
    "outcome_words",
    "plain",
    "sentence",
    "state_word",
    "table",
    "traffic_line",
    "value_word",
]

KNOWN_SYMBOLS = {
    Known.OBSERVED: "●",
    Known.CONFIRMED: "◉",
    Known.PRESUMED: "◌",
    Known.UNKNOWN: "?",
}


def plain(text: str, *, lines: bool = False) -> str:
    """Text in which nothing can steer a terminal: control and bidirectional characters become symbols.

    ``lines`` keeps the ends of lines, for texts of our own that have several.
    """
    if not lines and len(text) <= _SHORT:
        return _plain(text)
    return text.translate(_SYMBOLS_BETWEEN_LINES if lines else _SYMBOLS)


_SHORT = 256


@lru_cache(maxsize=4096)
def _plain(text: str) -> str:
    # Names and words are shown over and over.
    return text.translate(_SYMBOLS)


_INVISIBLE = (0x061C, 0x200E, 0x200F, *range(0x202A, 0x202F), *range(0x2066, 0x206A), 0xFEFF)
"""Marks that change the direction of text, and the byte-order mark (Unicode, UAX 9)."""
_NO_CHARACTERS = range(0xD800, 0xE000)
"""Halves of characters: JSON can have them, and no terminal or file can (Unicode, chapter 3.8)."""
_SYMBOLS = {
    **{code: chr(0x2400 + code) for code in range(0x20)},
    0x7F: "␡",
    **dict.fromkeys((*range(0x80, 0xA0), *_INVISIBLE, *_NO_CHARACTERS), "�"),
}
_SYMBOLS_BETWEEN_LINES = {code: symbol for code, symbol in _SYMBOLS.items() if code != ord("\n")}


def hexadecimal(data: bytes) -> str:
    """Bytes as digit pairs."""
    return data.hex(" ").upper()


def clock_time(at: float, *, date: bool = False) -> str:
    """A UTC instant in this machine's time zone; of one that no calendar has, question marks."""
    try:
        local = time.localtime(at)
        millis = min(int(at % 1 * 1000), 999)
    except (ValueError, OverflowError, OSError):
        return "????-??-?? ??:??:??.???" if date else "??:??:??.???"
    form = "%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S"
    return f"{time.strftime(form, local)}.{millis:03d}"


def value_word(value: Value | None) -> str:
    """A value as it is typed."""
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "true" if value else "false"
    return plain(str(value))


def state_word(name: str, state: StateValue) -> str:
    """A state with its value and how it is known: symbol and word."""
    if state.known is Known.UNKNOWN:
        was = f", last {value_word(state.last_known)}" if state.last_known is not None else ""
        return f"{name} ? (unknown{was})"
    return f"{name} {value_word(state.value)} {KNOWN_SYMBOLS[state.known]} {state.known.value}"


def action_words(command: Command) -> str:
    """A command as it would be typed."""
    if command.raw is not None:
        return f"{plain(command.unit)}: bytes {hexadecimal(command.raw)}"
    given = " ".join(f"{name}={value_word(value)}" for name, value in command.parameters.items())
    if command.by_hand:
        return plain(f"{command.unit} {given}")
    return plain(f"{command.unit} {command.action} {given}".rstrip())


def outcome_words(command: Command, outcome: Outcome) -> str:
    """What became of a command, in one line."""
    head = f"{action_words(command)}: {outcome.result.value}"
    if not outcome.result.good:
        reason = f" ({outcome.reason.value})" if outcome.reason else ""
        look = ""
        if outcome.look_at:
            look = f"; {'look at ' if outcome.result is Result.FAILED else ''}{plain(outcome.look_at)}"
        return f"{head}{reason}: {plain(outcome.text)}{look}"
    parts = [plain(outcome.text)]
    if outcome.values:
        parts.append(", ".join(f"{name} {value_word(value)}" for name, value in outcome.values.items()))
    if outcome.units_answering is not None:
        parts.append(f"{outcome.units_answering} unit{'s' * (outcome.units_answering != 1)} answered")
    if outcome.took_ms is not None:
        parts.append(f"{outcome.took_ms:.1f} ms, {outcome.wire_ms or 0:.1f} of them on the wire")
    if outcome.attempts > 1:
        parts.append(f"at attempt {outcome.attempts}")
    return f"{head}: {'; '.join(parts)}"


def outcome_document(command: Command, outcome: Outcome) -> dict[str, Any]:
    """An outcome as ``act --json`` gives it."""
    told = to_json(outcome)
    return {
        "id": command.id,
        "unit": command.unit,
        "action": command.action,
        "parameters": command.parameters,
        "outcome": told["result"],
        **{
            key: told[key]
            for key in (
                "reason",
                "text",
                "look_at",
                "failed_at",
                "expected",
                "got",
                "attempts",
                "frames",
                "echoed",
                "took_ms",
                "wire_ms",
                "lag_ms",
                "units_answering",
                "values",
            )
        },
    }


def sentence(text: str) -> str:
    """Words of ours, which begin small and end without a full stop, as a sentence by itself."""
    return f"{text[:1].upper()}{text[1:]}."


ARROWS = {
    Direction.SENT: "→",
    Direction.ECHOED: "↺",
    Direction.HEARD: "←",
    Direction.PASSED_ON: "⇢",
}
"""Which way bytes went."""


def traffic_line(record: Traffic) -> str:
    """Traffic in one line: meaning first, then the bytes."""
    if record.meaning:
        meaning = plain(record.meaning)
    else:
        meaning = "? not in the profile" if record.unexplained else "..."
    line = f"{clock_time(record.at)} {ARROWS[record.direction]} {meaning}  [{hexadecimal(record.data)}]"
    lags = [lag for lag in record.lags or () if lag is not None]
    if record.direction is Direction.ECHOED and lags:
        line += f"  {'✓' * min(len(lags), 20)} lag {min(lags) * 1000:.1f} ms"
    return f"{line}  ✗ {plain(record.fault)}" if record.fault else line


def origin_words(origin: Origin) -> str:
    """By which road a command came and who asked; whom nobody can vouch for is marked as claimed."""
    words = f"{origin.kind.value.replace('_', ' ')} {origin.name}".rstrip()
    return f"{words} (claimed)" if origin.claimed else words


def entry_lines(entry: JournalEntry) -> list[str]:
    """A journal entry in one line, and the traffic that was kept with it."""
    command = entry.command
    by = plain(origin_words(command.origin))
    at = clock_time(command.at, date=True)
    if entry.outcome is None:
        return [f"{at}  {action_words(command)}: under way  by {by}"]
    lines = [f"{at}  {outcome_words(command, entry.outcome)}  by {by}"]
    lines += [f"    {traffic_line(record)}" for record in entry.traffic]
    return lines


def table(rows: Sequence[Sequence[str]], heads: Sequence[str]) -> list[str]:
    """Columns of text, as wide as they need to be."""
    widths = [max(len(row[n]) for row in (heads, *rows)) for n in range(len(heads))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (heads, *rows)
    ]


def as_json(document: Mapping[str, Any] | Sequence[Any]) -> str:
    """One JSON document in one line."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":"))


def exit_code(outcomes: Sequence[Outcome]) -> int:
    """0 where all that was asked came about; 2 where a call was wrong in itself; else 1."""
    if all(outcome.result.good for outcome in outcomes):
        return 0
    wrong_call = (Reason.NOT_KNOWN, Reason.OUT_OF_RANGE)
    return 2 if any(outcome.reason in wrong_call for outcome in outcomes) else 1
