"""A profile as it stands in its TOML file, checked for shape by pydantic.

What needs more than one key to be judged (a check that covers itself, a state that no action sets, two
observations that can't be told apart) is in profiles/checking.py; the byte templates are compiled in
profiles/template.py. Keys and their meaning: docs/profiles.md.
"""

from __future__ import annotations

import datetime as dt
import enum
import math
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag, field_validator

from profiles.frames import BitOrder, FrameFormat

__all__ = [
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
]

SCHEMA = 1
"""The version of the file format that this program writes and reads."""

Value = bool | int | float | str
"""What a state or a parameter can be."""

Name = Annotated[
    str,
    Field(pattern=r"^[a-z0-9]([a-z0-9-]*[a-z0-9])?$", max_length=64),
]
"""A Homie id: a-z, 0-9 and hyphens."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)


def _hex(text: str) -> str:
    try:
        data = bytes.fromhex(text)
    except ValueError:
        raise ValueError('is not written in hexadecimal digit pairs, such as "A5 01"') from None
    if not data:
        raise ValueError('is empty; write at least one byte, such as "A5"')
    return text


HexText = Annotated[str, AfterValidator(_hex)]


class HexItem(_Strict):
    """Constant bytes, in hexadecimal."""

    hex: HexText


class TextItem(_Strict):
    """Constant text, one byte a character (ISO 8859-1); TOML's escapes give control characters."""

    text: str = Field(min_length=1)

    @field_validator("text")
    @classmethod
    def _one_byte_each(cls, text: str) -> str:
        try:
            text.encode("latin-1")
        except UnicodeEncodeError as error:
            raise ValueError(f"has a character that is no single byte: {text[error.start]!r}") from None
        return text


class AddressItem(_Strict):
    """The unit's address, in so many bytes."""

    address: int = Field(ge=1, le=4)
    order: Literal["big", "little"] = "big"
    offset: int = 0
    """Added to the unit's address before it is sent (a bus that sends addresses as 80 hex and up)."""
    coding: Literal["binary", "bcd", "decimal-text", "hex-text"] = "binary"


class FieldItem(_Strict):
    """A parameter's or an observed field's value."""

    field: Name
    size: int = Field(default=1, ge=1, le=16)
    """Bytes on the wire."""
    order: Literal["big", "little"] = "big"
    coding: Literal["binary", "bcd", "decimal-text", "hex-text"] = "binary"
    signed: bool = False
    """Two's complement, for the binary coding."""
    scale: float = Field(default=1.0, gt=0)
    """The value is raw x scale + offset."""
    offset: float = 0.0
    table: dict[str, int] | list[int] | None = None
    """Raw numbers by the value's name; or by its number, counted from 0."""


class CounterItem(_Strict):
    """A number that goes up by one with each message, kept over restarts."""

    counter: Name
    size: int = Field(default=1, ge=1, le=4)
    order: Literal["big", "little"] = "big"
    start: int = Field(default=0, ge=0)
    wrap: int | None = Field(default=None, ge=2)
    """The counter is always less than this; by default 256 to the power of ``size``."""
    per: Literal["bus", "unit"] = "bus"


class CheckItem(_Strict):
    """A check over bytes of the same message."""

    check: str
    """``sum-8``, ``xor-8``, ... or a CRC's catalogue name."""
    from_: int = Field(default=0, ge=0, alias="from")
    """Index of the first byte covered, counted from 0."""
    to: int | None = Field(default=None, ge=0)
    """Index of the last byte covered; by default the byte before the check."""
    order: Literal["big", "little"] = "big"
    coding: Literal["binary", "hex-text"] = "binary"
    """``hex-text``: the check itself is sent as upper-case hexadecimal digits."""
    over: Literal["bytes", "hex-text"] = "bytes"
    """``hex-text``: the covered bytes are hexadecimal digits, and the check is over what they say."""


class AnyItem(_Strict):
    """So many bytes of any value; only in what is matched, never in what is sent."""

    any: int = Field(ge=1, le=255)


class PauseItem(_Strict):
    """Idle line before the next byte; only in what is sent."""

    pause_ms: float = Field(gt=0, le=60_000)


_ITEM_KEYS = ("hex", "text", "address", "field", "counter", "check", "any", "pause_ms")


def _item_kind(item: Any) -> str | None:
    keys = item if isinstance(item, dict) else item.__class__.model_fields
    return next((f"item:{key}" for key in _ITEM_KEYS if key in keys), None)


Item = Annotated[
    Annotated[HexItem, Tag("item:hex")]
    | Annotated[TextItem, Tag("item:text")]
    | Annotated[AddressItem, Tag("item:address")]
    | Annotated[FieldItem, Tag("item:field")]
    | Annotated[CounterItem, Tag("item:counter")]
    | Annotated[CheckItem, Tag("item:check")]
    | Annotated[AnyItem, Tag("item:any")]
    | Annotated[PauseItem, Tag("item:pause_ms")],
    Discriminator(
        _item_kind,
        custom_error_type="item_kind",
        custom_error_message=f"is no item of a template; give it one of {', '.join(_ITEM_KEYS)}",
    ),
]


class LineSettings(_Strict):
    """How a frame looks on this bus."""

    baud: float = Field(gt=0, le=50_000_000)
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


class Confirmation(_Strict):
    """How commands on this bus are confirmed."""

    method: Method = Field(strict=False)
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


class Address(_Strict):
    """Which addresses units of this kind can have."""

    range: tuple[int, int] = Field(strict=False)
    all: int | None = None
    """The address that all units obey."""


class ValueType(enum.StrEnum):
    """What kind of value a state or a parameter has."""

    BOOLEAN = "boolean"
    INTEGER = "integer"
    FLOAT = "float"
    ENUM = "enum"
    TEXT = "text"


class _Valued(_Strict):
    type: ValueType = Field(strict=False)
    title: str = ""
    range: tuple[float, float] | None = Field(default=None, strict=False)
    """Least and greatest value, both allowed."""
    values: tuple[str, ...] = Field(default=(), strict=False)
    """What an enum can be."""
    unit: str = ""

    def problem(self, value: Value) -> str | None:
        """Why ``value`` can't be one of these, or None where it can."""
        match self.type:
            case ValueType.BOOLEAN if not isinstance(value, bool):
                return "must be true or false"
            case ValueType.INTEGER if isinstance(value, bool) or not isinstance(value, int):
                return "must be a whole number"
            case ValueType.FLOAT if isinstance(value, bool) or not isinstance(value, int | float):
                return "must be a number"
            case ValueType.FLOAT if isinstance(value, float) and not math.isfinite(value):
                return "must be a finite number"
            case ValueType.ENUM if value not in self.values:
                return f"must be one of {', '.join(self.values)}"
            case ValueType.TEXT if not isinstance(value, str):
                return "must be a text"
            case ValueType.TEXT | ValueType.ENUM | ValueType.BOOLEAN:
                return None
        if self.range and isinstance(value, int | float) and not self.range[0] <= value <= self.range[1]:
            return f"must be from {self.range[0]:g} to {self.range[1]:g}{self.unit and ' ' + self.unit}"
        return None


class Parameter(_Valued):
    """A value that an action takes."""

    default: Value | None = None


class StateSpec(_Valued):
    """A named value of a unit."""

    set: str | dict[str, Name] | None = None
    """The action that makes it so: one that takes the value, or one for each value."""


class Effect(enum.StrEnum):
    """What an action does to the energy in the gear; the gate goes by it."""

    ENERGISE = "energise"
    DE_ENERGISE = "de-energise"
    NEUTRAL = "neutral"
    UNKNOWN = "unknown"
    """Counts as energise."""


Sets = dict[Name, Value]


class Reply(_Strict):
    """One possible answer to an action."""

    expect: tuple[Item, ...] = Field(min_length=1, strict=False)
    means: Literal["done", "refused"] = "done"
    why: str = ""
    """What a refusal says; ``{field}`` is replaced by the field's value."""
    sets: Sets = {}


class Action(_Strict):
    """A named thing that a unit can be told."""

    title: str = ""
    effect: Effect = Field(default=Effect.UNKNOWN, strict=False)
    parameters: dict[Name, Parameter] = {}
    send: tuple[Item, ...] = Field(min_length=1, strict=False)
    repeat: int = Field(default=1, ge=1, le=20)
    """How many times the message is sent (gear that wants it twice)."""
    repeat_pause_ms: float = Field(default=0.0, ge=0, le=60_000)
    repeatable: bool = True
    """False for toggles and steps: no retry once the last frame is out."""
    reply: tuple[Reply, ...] = Field(default=(), strict=False)
    sets: Sets = {}
    hold_off_ms: float = Field(default=0.0, ge=0, le=600_000)
    """The least time before the next action to the same unit."""
    only_if: Sets = {}


class Observation(_Strict):
    """A byte pattern seen on the bus, and what it tells."""

    name: Name | None = None
    title: str = ""
    match: tuple[Item, ...] = Field(min_length=1, strict=False)
    sets: Sets = {}
    event: Name | None = None
    """An event to raise when it is seen."""


class Evidence(_Strict):
    """Where an action came from."""

    action: Name
    capture: str = ""
    """The capture's file, relative to the profile."""
    channel: str = ""
    bytes: HexText
    parameters: dict[Name, Value] = {}
    address: int | None = None
    """The address that the bytes were sent to, where the action has one."""
    taken: dt.date | None = None
    note: str = ""


class Profile(_Strict):
    """What is known of one kind of bus."""

    schema_: int = Field(alias="schema")
    name: Name
    title: str = ""
    notes: str = ""
    line: LineSettings
    confirm: Confirmation
    address: Address | None = None
    states: dict[Name, StateSpec] = {}
    actions: dict[Name, Action] = {}
    observations: tuple[Observation, ...] = Field(default=(), strict=False)
    evidence: tuple[Evidence, ...] = Field(default=(), strict=False)
    probe: Name | None = None
    """A harmless action to find out with who answers."""
