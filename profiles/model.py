"""A profile as it stands in its TOML file, checked for shape by pydantic.

What needs more than one key to be judged (a check that covers itself, a state that no action sets, two
observations that can't be told apart) is in profiles/checking.py; the byte templates are compiled in
profiles/template.py. Keys and their meaning: docs/profiles.md.
"""

from __future__ import annotations

import datetime as dt
import enum
import math
from typing import Annotated, Literal

from pydantic import Discriminator, Field, Tag, field_validator

from profiles.frames import BitOrder, FrameFormat
from profiles.items import (
    ITEM_KEYS,
    AddressItem,
    AnyItem,
    CheckItem,
    CounterItem,
    FieldItem,
    GivenValue,
    HexItem,
    HexText,
    Item,
    Name,
    PauseItem,
    Strict,
    TextItem,
    Value,
    kind_tag,
    written,
)

__all__ = [
    "ITEM_KEYS",
    "SCHEMA",
    "Action",
    "Address",
    "AddressItem",
    "AnyItem",
    "CheckItem",
    "Confirmation",
    "CounterItem",
    "Effect",
    "Evidence",
    "FieldItem",
    "GivenValue",
    "HexItem",
    "Item",
    "LineSettings",
    "Method",
    "Observation",
    "Parameter",
    "PauseItem",
    "Profile",
    "Reply",
    "StateSpec",
    "TextItem",
    "Value",
    "ValueType",
    "written",
]

SCHEMA = 1
"""The version of the file format that this program writes and reads."""


class LineSettings(Strict):
    """How a frame looks on this bus."""

    baud: float = Field(gt=0, le=50_000_000, examples=["9600"])
    """Bits a second; any rate, not only the usual ones."""
    frame: str = "8N1"
    bit_order: Literal["lsb", "msb"] = "lsb"
    idle: Literal["high", "low"] = "high"
    """The level at rest at the adapter's logic side; low means an inverted line."""
    dead_time_ms: float = Field(default=0.0, ge=0, le=10_000)
    """Least idle line between two frames that we send."""
    dead_time_bits: float = Field(default=0.0, ge=0, le=10_000)
    """The same in bit times; the longer one holds."""
    burst_gap_ms: float = Field(default=40.0, gt=0, le=60_000)
    """Longer idle line than this ends a burst: a hint, never the only one."""

    @field_validator("frame")
    @classmethod
    def _is_a_format(cls, frame: str) -> str:
        return str(FrameFormat.parse(frame))

    @property
    def format(self) -> FrameFormat:
        """The frame's format, read."""
        return FrameFormat.parse(self.frame)

    @property
    def order(self) -> BitOrder:
        """The bit order as the enum that frames take."""
        return BitOrder(self.bit_order)

    @property
    def frame_time(self) -> float:
        """T, the length of one frame in seconds."""
        return self.format.time(self.baud)

    @property
    def dead_time(self) -> float:
        """Least idle line between two frames that we send, in seconds."""
        return max(self.dead_time_ms / 1000, self.dead_time_bits / self.baud)

    @property
    def burst_gap(self) -> float:
        """Idle line that ends a burst, in seconds."""
        return self.burst_gap_ms / 1000


class Method(enum.StrEnum):
    """How a sender knows that its bytes arrived."""

    LOOP = "loop"
    """Each frame must come back round the ring before the next is sent."""
    LOCAL = "local"
    """The sender hears itself at once on a shared wire; a difference is a collision."""
    REPLY = "reply"
    """An answer must match a template."""
    NONE = "none"
    """Nothing comes back: sent, and no more is known."""


EndsAttempt = Literal["no-echo", "echo-wrong", "echo-late", "stray"]


class Confirmation(Strict):
    """How commands on this bus are confirmed."""

    method: Method = Field(strict=False, examples=['"loop"'])
    timeout_ms: float = Field(default=250.0, gt=0, le=60_000)
    """The longest wait for one frame's echo, or for a reply to begin."""
    retries: int = Field(default=2, ge=0, le=20)
    """Attempts after the first one."""
    retry_pause_ms: float = Field(default=100.0, ge=0, le=60_000)
    """The least quiet line before a retry; late echoes die in it."""
    busy_timeout_ms: float = Field(default=2000.0, gt=0, le=600_000)
    """The longest wait for a line that others keep busy."""
    ends_attempt: tuple[EndsAttempt, ...] = Field(
        default=("no-echo", "echo-wrong", "echo-late", "stray"), strict=False
    )
    """What ends an attempt; what is left out is waited over."""


class Address(Strict):
    """Which addresses units of this kind can have."""

    range: tuple[int, int] = Field(strict=False, examples=["[1, 15]"])
    all: int | None = None
    """The address that all units obey."""


class ValueType(enum.StrEnum):
    """What kind of value a state or a parameter has."""

    BOOLEAN = "boolean"
    INTEGER = "integer"
    FLOAT = "float"
    ENUM = "enum"
    TEXT = "text"
    DURATION = "duration"
    """Seconds, with or without a fraction; never negative."""

    @property
    def numeric(self) -> bool:
        """Whether its values are numbers, which a range can bound."""
        return self in (ValueType.INTEGER, ValueType.FLOAT, ValueType.DURATION)

    @property
    def fractional(self) -> bool:
        """Whether its values are numbers that can have a fraction."""
        return self in (ValueType.FLOAT, ValueType.DURATION)


class _Valued(Strict):
    type: ValueType = Field(strict=False, examples=['"boolean"'])
    title: str = ""
    range: tuple[float, float] | None = Field(default=None, strict=False)
    """Least and greatest value, both allowed."""
    values: tuple[str, ...] = Field(default=(), strict=False)
    """What an enum can be."""
    unit: str = ""

    @property
    def measured_in(self) -> str:
        """The unit that its numbers have, as a person reads it."""
        return "s" if self.type is ValueType.DURATION else self.unit

    def problem(self, value: Value) -> str | None:
        """Why ``value`` can't be one of these, or None where it can."""
        match self.type:
            case ValueType.BOOLEAN if not isinstance(value, bool):
                return "must be true or false"
            case ValueType.INTEGER if isinstance(value, bool) or not isinstance(value, int):
                return "must be a whole number"
            case ValueType.FLOAT if isinstance(value, bool) or not isinstance(value, int | float):
                return "must be a number"
            case ValueType.DURATION if isinstance(value, bool) or not isinstance(value, int | float):
                return "must be a number of seconds"
            case ValueType.FLOAT | ValueType.DURATION if not _finite(value):
                return "must be a finite number"
            case ValueType.DURATION if isinstance(value, int | float) and value < 0:
                return "must be 0 s or more"
            case ValueType.ENUM if value not in self.values:
                return f"must be one of {', '.join(self.values)}"
            case ValueType.TEXT if not isinstance(value, str):
                return "must be a text"
            case ValueType.TEXT | ValueType.ENUM | ValueType.BOOLEAN:
                return None
        if self.range and isinstance(value, int | float) and not self.range[0] <= value <= self.range[1]:
            unit = self.measured_in and f" {self.measured_in}"
            return f"must be from {self.range[0]:g} to {self.range[1]:g}{unit}"
        return None


def _finite(value: Value) -> bool:
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


class Parameter(_Valued):
    """A value that an action takes."""

    default: GivenValue | None = None


SettingAction = Annotated[
    Annotated[Name, Tag("is:str")] | Annotated[dict[str, Name], Tag("is:dict")],
    Discriminator(
        kind_tag,
        custom_error_type="setting_kind",
        custom_error_message='must be an action, or a table such as { true = "power-on", false = "standby" }',
    ),
]


class StateSpec(_Valued):
    """A named value of a unit."""

    set: SettingAction | None = None
    """The action that makes it so: one that takes the value, or one for each value."""


class Effect(enum.StrEnum):
    """What an action does to the energy in the gear; the gate goes by it."""

    ENERGISE = "energise"
    DE_ENERGISE = "de-energise"
    NEUTRAL = "neutral"
    UNKNOWN = "unknown"
    """Counts as energise."""


Sets = dict[Name, GivenValue]


class Reply(Strict):
    """One possible answer to an action."""

    expect: tuple[Item, ...] = Field(min_length=1, strict=False, examples=['[{ hex = "06" }]'])
    means: Literal["done", "refused"] = "done"
    why: str = ""
    """What a refusal says; ``{field}`` is replaced by the field's value."""
    sets: Sets = Field(default_factory=dict)
    to: tuple[Name, ...] = Field(default=(), strict=False, examples=['["power-on", "standby"]'])
    """Of an answer that stands by itself: the actions that can get it; without it, all of them."""

    def answers(self, action: str) -> bool:
        """Whether it can be an answer to the action of that name."""
        return not self.to or action in self.to


class Action(Strict):
    """A named thing that a unit can be told."""

    title: str = ""
    effect: Effect = Field(default=Effect.UNKNOWN, strict=False)
    parameters: dict[Name, Parameter] = Field(default_factory=dict)
    send: tuple[Item, ...] = Field(min_length=1, strict=False, examples=['[{ hex = "A5 01" }]'])
    repeat: int = Field(default=1, ge=1, le=20)
    """How many times the message is sent (gear that wants it twice)."""
    repeat_pause_ms: float = Field(default=0.0, ge=0, le=60_000)
    repeatable: bool = True
    """False for toggles and steps: no retry once the last frame is out."""
    reply: tuple[Reply, ...] = Field(default=(), strict=False)
    sets: Sets = Field(default_factory=dict)
    unsettles: tuple[Name, ...] = Field(default=(), strict=False, examples=['["volume"]'])
    """States that it may change, nobody can say to what: steps, moves that are stopped half way."""
    hold_off_ms: float = Field(default=0.0, ge=0, le=600_000)
    """The least time before the next action to the same unit."""
    only_if: Sets = Field(default_factory=dict)


class Observation(Strict):
    """A byte pattern seen on the bus, and what it tells."""

    name: Name | None = None
    title: str = ""
    match: tuple[Item, ...] = Field(min_length=1, strict=False, examples=['[{ hex = "A6 01" }]'])
    sets: Sets = Field(default_factory=dict)
    event: Name | None = None
    """An event to raise when it is seen."""


class Evidence(Strict):
    """Where an action came from."""

    action: Name = Field(examples=['"power-on"'])
    capture: str = ""
    """The capture's file, relative to the profile."""
    channel: str = ""
    bytes: HexText = Field(examples=['"A5 01"'])
    parameters: Sets = Field(default_factory=dict)
    address: int | None = None
    """The address that the bytes were sent to, where the action has one."""
    taken: dt.date | None = None
    note: str = ""


class Profile(Strict):
    """What is known of one kind of bus."""

    schema_: int = Field(alias="schema", ge=1, examples=["1"])
    name: Name = Field(examples=['"my-amp"'])
    title: str = ""
    notes: str = ""
    line: LineSettings
    confirm: Confirmation
    address: Address | None = None
    states: dict[Name, StateSpec] = Field(default_factory=dict)
    actions: dict[Name, Action] = Field(default_factory=dict)
    reply: tuple[Reply, ...] = Field(default=(), strict=False)
    """Answers that any action can get, such as a refusal that says why."""
    observations: tuple[Observation, ...] = Field(default=(), strict=False)
    evidence: tuple[Evidence, ...] = Field(default=(), strict=False)
    probe: Name | None = None
    """A harmless action to find out with who answers."""
