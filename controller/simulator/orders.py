"""Orders to a simulated line, one line of text each: faults, the front panel, a lead unit, control lines."""

from __future__ import annotations

import difflib
import textwrap
from dataclasses import dataclass
from typing import ClassVar

from controller.control_lines import CONTROL_LINES
from controller.simulator.faults import FAULT_KINDS, Fault
from controller.simulator.words import Words
from profiles.errors import BadValue, InputError
from profiles.model import Parameter, Value, ValueType

__all__ = [
    "HELP",
    "Clear",
    "Help",
    "Lead",
    "Order",
    "Press",
    "SetControlLine",
    "Show",
    "parse_order",
    "read_value",
]


@dataclass(frozen=True, slots=True)
class Press:
    """Somebody presses a key on a unit's front panel."""

    USAGE: ClassVar[str] = "press K ACTION [name=value ...]"
    unit: int
    action: str
    values: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        return _joined("press", self.unit, self.action, self.values)


@dataclass(frozen=True, slots=True)
class Lead:
    """A unit sends an action as lead unit, each frame only when the one before has come back."""

    USAGE: ClassVar[str] = "lead K ACTION [to ADDRESS] [name=value ...]"
    unit: int
    action: str
    to: int | None = None
    values: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        action = self.action if self.to is None else f"{self.action} to {self.to}"
        return _joined("lead", self.unit, action, self.values)


@dataclass(frozen=True, slots=True)
class Clear:
    """Faults are taken away: one, all of a kind, or all."""

    USAGE: ClassVar[str] = "clear [FAULT or its first word or all]"
    what: Fault | str
    """A fault, or the first word of all those meant, or ``all``."""

    def __str__(self) -> str:
        return f"clear {self.what}"


@dataclass(frozen=True, slots=True)
class SetControlLine:
    """A modem control line of the adapter is switched."""

    USAGE: ClassVar[str] = "line cts|dsr|dcd|ri on|off"
    name: str
    on: bool

    def __str__(self) -> str:
        return f"line {self.name} {'on' if self.on else 'off'}"


@dataclass(frozen=True, slots=True)
class Show:
    """What stands: faults and the units' states."""

    def __str__(self) -> str:
        return "show"


@dataclass(frozen=True, slots=True)
class Help:
    """How orders are written."""

    def __str__(self) -> str:
        return "help"


Order = Fault | Press | Lead | Clear | SetControlLine | Show | Help


def _joined(word: str, unit: int, action: str, values: tuple[tuple[str, str], ...]) -> str:
    return " ".join((word, str(unit), action, *(f"{name}={text}" for name, text in values)))


_USAGES: dict[str, tuple[str, str]] = {
    **{word: (usage, text) for word, (usage, text, _) in FAULT_KINDS.items()},
    "plug": ("plug", "the adapter is put back"),
    "clear": (Clear.USAGE, "takes faults away, such as `clear cut 2`, `clear noise`, `clear all`"),
    "press": (Press.USAGE, "a key on unit K's front panel"),
    "lead": (Lead.USAGE, "unit K sends an action as lead unit, in lockstep with what comes back"),
    "line": (SetControlLine.USAGE, "a modem control line of the adapter"),
    "show": ("show", "the faults that stand and each unit's states"),
    "help": ("help", "this list"),
}

_WIDE = 74
"""Columns: as many as the simulator's screen has in a terminal of 80."""
_HOW_TO_COUNT = (
    "Times are written 8ms, 250us, 2s. Frames are counted from 1, the next one, at the place where the fault "
    "acts: `at K` means those that unit K sends (0: the adapter); without it those that come back to the "
    "adapter (shared wire: all; open line: those that the adapter sends)."
)


def _told(usage: str, text: str) -> str:
    """How one order is written, and below it what it does."""
    return f"{usage}\n{textwrap.fill(text, _WIDE, initial_indent='    ', subsequent_indent='    ')}"


HELP = "\n".join([*(_told(*each) for each in _USAGES.values()), textwrap.fill(_HOW_TO_COUNT, _WIDE)])
"""How every order is written, for a person."""


def parse_order(text: str) -> Order:
    """Read one line.

    Raises:
        InputError: it is no order; the message says how it is written.
    """
    word = text.split(maxsplit=1)[0] if text.split() else ""
    if word not in _USAGES:
        near = difflib.get_close_matches(word, _USAGES, n=1)
        raise InputError(
            f"{word!r} is no order to a simulated line" if word else "the order is empty",
            todo=f"did you mean `{_USAGES[near[0]][0]}`?" if near else "`help` lists all orders",
        )
    words = Words(text, _USAGES[word][0])
    words.next("the order")
    order = _parse(word, words)
    words.end()
    return order


def _parse(word: str, words: Words) -> Order:
    if word in FAULT_KINDS:
        return FAULT_KINDS[word][2](words)
    match word:
        case "press":
            return Press(words.number("the unit", least=1), words.next("the action"), words.values())
        case "lead":
            unit, action = words.number("the unit", least=1), words.next("the action")
            to = words.number("the address") if words.flag("to") else None
            return Lead(unit, action, to, words.values())
        case "plug":
            return Clear("unplug")
        case "clear":
            return _parse_clear(words)
        case "line":
            name = words.choice("the control line", CONTROL_LINES)
            return SetControlLine(name, words.choice("its level", ("on", "off")) == "on")
        case "show":
            return Show()
        case _:
            return Help()


def _parse_clear(words: Words) -> Clear:
    rest = words.rest()
    if not rest or rest == "all" or rest in FAULT_KINDS:
        return Clear(rest or "all")
    if rest.split()[0] not in FAULT_KINDS:
        raise words.error(f"{rest!r} is no fault")
    fault = parse_order(rest)
    assert isinstance(fault, Fault)  # noqa: S101 -- its first word is a fault's
    return Clear(fault)


def read_value(name: str, text: str, spec: Parameter) -> Value:
    """A parameter's value as it is typed in an order.

    Raises:
        BadValue: it is none that the parameter can have.
    """
    value: Value = text
    try:
        match spec.type:
            case ValueType.BOOLEAN:
                value = {"true": True, "false": False}[text]
            case ValueType.INTEGER:
                value = int(text)
            case ValueType.FLOAT | ValueType.DURATION:
                value = float(text)
            case ValueType.ENUM | ValueType.TEXT:
                pass
    except (KeyError, ValueError):
        pass  # it stays a text, and the parameter says what is wrong with it
    problem = spec.problem(value)
    if problem:
        raise BadValue(f"{name} {problem}, not {text!r}")
    return value
