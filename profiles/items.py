"""The items that byte templates are written with, as they stand in a profile's file."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    PlainValidator,
    Tag,
    field_validator,
)
from pydantic_core import PydanticCustomError

__all__ = [
    "ITEM_KEYS",
    "AddressItem",
    "AnyItem",
    "CheckItem",
    "CounterItem",
    "FieldItem",
    "GivenValue",
    "HexItem",
    "HexText",
    "Item",
    "Name",
    "PauseItem",
    "Strict",
    "TextItem",
    "Value",
    "kind_tag",
    "written",
]

Value = bool | int | float | str
"""What a state or a parameter can be."""


def written(value: Value | None) -> str:
    """A value as it is written in a file, a text without its quotes: ``true``, ``31``, ``cd``."""
    return str(value).lower() if isinstance(value, bool) else str(value)


Name = Annotated[
    str,
    Field(pattern=r"^[a-z0-9]([a-z0-9-]*[a-z0-9])?$", max_length=64),
]
"""A Homie id: a-z, 0-9 and hyphens."""


class Strict(BaseModel):
    """A table of a file: no unknown keys, no guessing at types, no nan, never changed once read."""

    # Built when first used: most tables are only ever read inside a larger one, which builds them anyway.
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True, defer_build=True)


def _plain_value(value: Any) -> Value:
    if not isinstance(value, bool | int | float | str) or (
        isinstance(value, float) and not math.isfinite(value)
    ):
        raise PydanticCustomError("value_kind", "must be true, false, a finite number or a text")
    return value


GivenValue = Annotated[Value, PlainValidator(_plain_value)]
"""A value as it stands in a file: of which of the kinds is the state's or parameter's business."""


def kind_tag(value: Any) -> str | None:
    """Which of the kinds that a key can have a value is: they share a prefix with an item's."""
    return next((f"is:{kind.__name__}" for kind in (str, dict, list) if isinstance(value, kind)), None)


def _hex(text: str) -> str:
    try:
        data = bytes.fromhex(text)
    except ValueError:
        raise ValueError('is not written in hexadecimal digit pairs, such as "A5 01"') from None
    if not data:
        raise ValueError('is empty; write at least one byte, such as "A5"')
    return text


HexText = Annotated[str, AfterValidator(_hex)]


class HexItem(Strict):
    """Constant bytes, in hexadecimal."""

    hex: HexText


class TextItem(Strict):
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


class AddressItem(Strict):
    """The unit's address, in so many bytes."""

    address: int = Field(ge=1, le=4)
    order: Literal["big", "little"] = "big"
    offset: int = Field(default=0, ge=-(2**32), le=2**32)
    """Added to the unit's address before it is sent (a bus that sends addresses as 80 hex and up)."""
    coding: Literal["binary", "bcd", "decimal-text", "hex-text"] = "binary"


RawTable = Annotated[
    Annotated[dict[str, int], Tag("is:dict")] | Annotated[list[int], Tag("is:list")],
    Discriminator(
        kind_tag,
        custom_error_type="table_kind",
        custom_error_message="must be a table such as { one = 1, two = 2 }, or a list of numbers",
    ),
]


class FieldItem(Strict):
    """A parameter's or an observed field's value."""

    field: Name
    size: int = Field(default=1, ge=1, le=16)
    """Bytes on the wire."""
    order: Literal["big", "little"] = "big"
    coding: Literal["binary", "bcd", "decimal-text", "hex-text"] = "binary"
    signed: bool = False
    """Two's complement, for the binary coding."""
    scale: float = Field(default=1.0, ge=1e-9, le=1e9)
    """The value is raw x scale + offset."""
    offset: float = Field(default=0.0, ge=-1e12, le=1e12)
    table: RawTable | None = None
    """Raw numbers by the value's name; or by its number, counted from 0."""


class CounterItem(Strict):
    """A number that goes up by one with each message, kept over restarts."""

    counter: Name
    size: int = Field(default=1, ge=1, le=4)
    order: Literal["big", "little"] = "big"
    start: int = Field(default=0, ge=0)
    wrap: int | None = Field(default=None, ge=2)
    """The counter is always less than this; by default 256 to the power of ``size``."""
    per: Literal["bus", "unit"] = "bus"


class CheckItem(Strict):
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


class AnyItem(Strict):
    """So many bytes of any value; only in what is matched, never in what is sent."""

    any: int = Field(ge=1, le=255)


class PauseItem(Strict):
    """Idle line before the next byte; only in what is sent."""

    pause_ms: float = Field(gt=0, le=60_000)


ITEM_KEYS = ("hex", "text", "address", "field", "counter", "check", "any", "pause_ms")


def _item_kind(item: Any) -> str | None:
    keys = item if isinstance(item, dict) else getattr(type(item), "model_fields", ())
    return next((f"is:{key}" for key in ITEM_KEYS if key in keys), None)


Item = Annotated[
    Annotated[HexItem, Tag("is:hex")]
    | Annotated[TextItem, Tag("is:text")]
    | Annotated[AddressItem, Tag("is:address")]
    | Annotated[FieldItem, Tag("is:field")]
    | Annotated[CounterItem, Tag("is:counter")]
    | Annotated[CheckItem, Tag("is:check")]
    | Annotated[AnyItem, Tag("is:any")]
    | Annotated[PauseItem, Tag("is:pause_ms")],
    Discriminator(
        _item_kind,
        custom_error_type="item_kind",
        custom_error_message=f"is no item of a template; give it one of {', '.join(ITEM_KEYS)}",
    ),
]
