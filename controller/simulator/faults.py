"""What can go wrong on a simulated line, each fault one line of text.

A fault is a frozen description; which of them stand, and what they do to a frame, is in fault_set.py.
Frames are counted from 1, from the moment at which the fault is set, at the place where it acts: ``at K``
counts the frames that unit K sends (0: that the adapter sends); without it, those that come back to the
adapter (on a shared wire: all frames; on an open line: those that the adapter sends).
"""

from __future__ import annotations

import enum
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

from controller.simulator.words import Words, time_text

__all__ = [
    "FAULT_KINDS",
    "Cut",
    "Fault",
    "FrameFault",
    "Harm",
    "LoopBack",
    "NoMains",
    "Noise",
    "Refuse",
    "Saturate",
    "Slow",
    "Talker",
    "Unplug",
]


@dataclass(frozen=True, slots=True)
class Cut:
    """The line is cut behind a unit; 0 is between the adapter and the first unit."""

    USAGE: ClassVar[str] = "cut K"
    HELP: ClassVar[str] = "the line is cut behind unit K (0: right behind the adapter)"
    unit: int

    @classmethod
    def parse(cls, words: Words) -> Cut:
        """Read what follows the word."""
        return cls(words.number("the unit"))

    def __str__(self) -> str:
        return f"cut {self.unit}"


@dataclass(frozen=True, slots=True)
class NoMains:
    """A unit has no mains: it neither hears nor speaks, and a ring is cut there too."""

    USAGE: ClassVar[str] = "no-mains K"
    HELP: ClassVar[str] = "unit K is without mains; a ring is then cut there too"
    unit: int

    @classmethod
    def parse(cls, words: Words) -> NoMains:
        """Read what follows the word."""
        return cls(words.number("the unit", least=1))

    def __str__(self) -> str:
        return f"no-mains {self.unit}"


@dataclass(frozen=True, slots=True)
class LoopBack:
    """Somebody has joined the adapter's input to another output than the last unit's."""

    USAGE: ClassVar[str] = "loop-back K"
    HELP: ClassVar[str] = "in a ring: the adapter's input is joined to unit K's output (0: to its own)"
    unit: int

    @classmethod
    def parse(cls, words: Words) -> LoopBack:
        """Read what follows the word."""
        return cls(words.number("the unit"))

    def __str__(self) -> str:
        return f"loop-back {self.unit}"


class Harm(enum.StrEnum):
    """What is done to a single frame."""

    CORRUPT = "corrupt"
    """Some of its bits are turned over."""
    DROP = "drop"
    """It vanishes."""
    DOUBLE = "double"
    """It is sent twice, one right behind the other."""
    DELAY = "delay"
    """It waits, and what comes behind it too."""


@dataclass(frozen=True, slots=True)
class FrameFault:
    """One frame is harmed, or every so many."""

    harm: Harm
    nth: int
    """Which frame, counted from 1; with ``every`` the distance from one to the next."""
    every: bool = False
    at: int | None = None
    """Whose frames are counted: a unit's, 0 for the adapter's; None for the usual place."""
    mask: int = 1
    """The bits that ``corrupt`` turns over."""
    microseconds: int = 0
    """How long ``delay`` holds it."""

    @classmethod
    def parser(cls, harm: Harm) -> Callable[[Words], FrameFault]:
        """A reader for what follows the word of one harm."""

        def parse(words: Words) -> FrameFault:
            nth = words.number("the frame", least=1)
            hold = words.microseconds("the delay") if harm is Harm.DELAY else 0
            every = words.flag("every")
            at = words.number("the unit") if words.flag("at") else None
            mask = 1
            if harm is Harm.CORRUPT and words.flag("xor"):
                mask = words.hex_bytes("the bits")[0]
                if not mask:
                    raise words.error("xor 00 changes nothing")
            return cls(harm, nth, every, at, mask, hold)

        return parse

    def __str__(self) -> str:
        text = f"{self.harm} {self.nth}"
        if self.harm is Harm.DELAY:
            text += f" {time_text(self.microseconds)}"
        text += " every" if self.every else ""
        text += "" if self.at is None else f" at {self.at}"
        return text + (f" xor {self.mask:02X}" if self.mask != 1 else "")


@dataclass(frozen=True, slots=True)
class Noise:
    """Each frame has one of its bits turned over with some probability."""

    USAGE: ClassVar[str] = "noise PROBABILITY [at K] [seed N]"
    HELP: ClassVar[str] = "each frame is spoilt with this probability (0 to 1)"
    probability: float
    at: int | None = None
    seed: int = 0

    @classmethod
    def parse(cls, words: Words) -> Noise:
        """Read what follows the word."""
        probability = words.probability("the probability")
        at = words.number("the unit") if words.flag("at") else None
        return cls(probability, at, words.number("the seed") if words.flag("seed") else 0)

    def __str__(self) -> str:
        text = f"noise {self.probability!r}" + ("" if self.at is None else f" at {self.at}")
        return text + (f" seed {self.seed}" if self.seed else "")


@dataclass(frozen=True, slots=True)
class Unplug:
    """The adapter is pulled out of the computer: its port vanishes."""

    USAGE: ClassVar[str] = "unplug"
    HELP: ClassVar[str] = "the adapter is pulled out of the computer; `plug` puts it back"

    @classmethod
    def parse(cls, words: Words) -> Unplug:
        """Nothing follows the word."""
        words.end()
        return cls()

    def __str__(self) -> str:
        return "unplug"


@dataclass(frozen=True, slots=True)
class Slow:
    """A unit waits before it repeats each frame."""

    USAGE: ClassVar[str] = "slow K TIME"
    HELP: ClassVar[str] = "unit K takes so much longer to repeat each frame, and to answer"
    unit: int
    microseconds: int

    @classmethod
    def parse(cls, words: Words) -> Slow:
        """Read what follows the word."""
        return cls(words.number("the unit", least=1), words.microseconds("the time"))

    def __str__(self) -> str:
        return f"slow {self.unit} {time_text(self.microseconds)}"


@dataclass(frozen=True, slots=True)
class Talker:
    """Whenever the adapter sends a frame, a unit sends one as well: two talkers."""

    USAGE: ClassVar[str] = "talker K [HEX] [late TIME]"
    HELP: ClassVar[str] = "two talkers: unit K sends a frame (55, or HEX) with each of the adapter's"
    unit: int
    data: bytes = b"\x55"
    microseconds: int = 0
    """How long after the start of the adapter's frame its own starts."""

    @classmethod
    def parse(cls, words: Words) -> Talker:
        """Read what follows the word."""
        unit = words.number("the unit", least=1)
        data = words.hex_bytes("the frame") if words.peek() not in (None, "late") else b"\x55"
        if len(data) != 1:
            raise words.error("a talker sends one frame at a time")
        return cls(unit, data, words.microseconds("the time") if words.flag("late") else 0)

    def __str__(self) -> str:
        text = f"talker {self.unit} {self.data.hex().upper()}"
        return text + (f" late {time_text(self.microseconds)}" if self.microseconds else "")


@dataclass(frozen=True, slots=True)
class Refuse:
    """A unit does not obey, and says so where the profile has a reply that refuses."""

    USAGE: ClassVar[str] = "refuse K [ACTION] [name=value ...]"
    HELP: ClassVar[str] = "unit K refuses ACTION, or all; name=value fills the fields of its refusal"
    unit: int
    action: str | None = None
    values: tuple[tuple[str, str], ...] = ()

    @classmethod
    def parse(cls, words: Words) -> Refuse:
        """Read what follows the word."""
        unit = words.number("the unit", least=1)
        following = words.peek()
        action = words.next("the action") if following and "=" not in following else None
        return cls(unit, action, words.values())

    def __str__(self) -> str:
        parts = [f"refuse {self.unit}", self.action or "", *(f"{name}={text}" for name, text in self.values)]
        return " ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Saturate:
    """A unit says all that it can say, without a pause: the line is full."""

    USAGE: ClassVar[str] = "saturate K"
    HELP: ClassVar[str] = "unit K fills the line with what the profile can observe (in a ring: the last unit)"
    unit: int

    @classmethod
    def parse(cls, words: Words) -> Saturate:
        """Read what follows the word."""
        return cls(words.number("the unit", least=1))

    def __str__(self) -> str:
        return f"saturate {self.unit}"


Fault = Cut | NoMains | LoopBack | FrameFault | Noise | Unplug | Slow | Talker | Refuse | Saturate

_FRAME_HELP = {
    Harm.CORRUPT: ("corrupt N [every] [at K] [xor HEX]", "frame N (1: the next) comes through changed"),
    Harm.DROP: ("drop N [every] [at K]", "frame N is lost; `every`: each Nth one"),
    Harm.DOUBLE: ("double N [every] [at K]", "frame N is sent twice"),
    Harm.DELAY: ("delay N TIME [every] [at K]", "frame N, and what follows it, comes so much later"),
}

FAULT_KINDS: dict[str, tuple[str, str, Callable[[Words], Fault]]] = {
    "cut": (Cut.USAGE, Cut.HELP, Cut.parse),
    "no-mains": (NoMains.USAGE, NoMains.HELP, NoMains.parse),
    "loop-back": (LoopBack.USAGE, LoopBack.HELP, LoopBack.parse),
    **{harm.value: (*_FRAME_HELP[harm], FrameFault.parser(harm)) for harm in Harm},
    "noise": (Noise.USAGE, Noise.HELP, Noise.parse),
    "slow": (Slow.USAGE, Slow.HELP, Slow.parse),
    "talker": (Talker.USAGE, Talker.HELP, Talker.parse),
    "refuse": (Refuse.USAGE, Refuse.HELP, Refuse.parse),
    "saturate": (Saturate.USAGE, Saturate.HELP, Saturate.parse),
    "unplug": (Unplug.USAGE, Unplug.HELP, Unplug.parse),
}
"""By the fault's word: how it is written, what it does, and its reader."""
