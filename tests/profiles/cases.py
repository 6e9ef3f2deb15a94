"""Random byte templates with values that they take, for the tests of templates and streams."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

from hypothesis import strategies as st

from profiles.coding import NumberCoding
from profiles.model import (
    Address,
    AddressItem,
    CheckItem,
    CounterItem,
    FieldItem,
    HexItem,
    Parameter,
    PauseItem,
    TextItem,
    Value,
    ValueType,
)
from profiles.template import ByteTemplate, Message

CHECKS = [
    "sum-8",
    "xor-8",
    "sum-8-twos",
    "fletcher-16",
    "CRC-8/SMBUS",
    "CRC-16/MODBUS",
    "CRC-5/USB",
    "crc-32",
]
_ORDERS: list[Literal["big", "little"]] = ["big", "little"]
_CODINGS: list[Literal["binary", "bcd", "decimal-text", "hex-text"]] = [
    "binary",
    "bcd",
    "decimal-text",
    "hex-text",
]


@dataclass
class Case:
    """A template, and one set of values that it can carry."""

    items: list[Any] = field(default_factory=list)
    types: dict[str, Parameter] = field(default_factory=dict)
    values: dict[str, Value] = field(default_factory=dict)
    address_range: tuple[int, int] = (1, 15)
    address: int | None = None
    counters: dict[str, int] = field(default_factory=dict)

    @property
    def template(self) -> ByteTemplate:
        return ByteTemplate.compile(
            self.items, types=self.types, address=Address(range=self.address_range, all=0), sending=True
        )

    def message(self) -> Message:
        return self.template.build(self.values, address=self.address, counters=self.counters)


@st.composite
def _field(draw: st.DrawFn, case: Case) -> FieldItem:
    name = f"f{len(case.types)}"
    coding = draw(st.sampled_from(_CODINGS))
    size = draw(st.integers(1, 3))
    signed = coding == "binary" and draw(st.booleans())
    number = NumberCoding(size, coding, "big", signed)
    order = draw(st.sampled_from(_ORDERS))
    raws = st.integers(number.least, number.greatest)
    kind = draw(st.sampled_from(["boolean", "integer", "float", "enum", "table"]))
    if kind in ("enum", "table"):
        numbers = draw(st.lists(raws, min_size=1, max_size=4, unique=True))
        names = [f"v{index}" if kind == "enum" else str(index * 3) for index in range(len(numbers))]
        case.types[name] = (
            Parameter(type=ValueType.ENUM, values=tuple(names))
            if kind == "enum"
            else Parameter(type=ValueType.INTEGER)
        )
        chosen = draw(st.sampled_from(names))
        case.values[name] = chosen if kind == "enum" else int(chosen)
        return FieldItem(
            field=name,
            size=size,
            order=order,
            coding=coding,
            signed=signed,
            table=dict(zip(names, numbers, strict=True)),
        )
    if kind == "boolean":
        case.types[name] = Parameter(type=ValueType.BOOLEAN)
        case.values[name] = draw(st.booleans())
        return FieldItem(field=name, size=size, order=order, coding=coding, signed=signed)
    scale = draw(st.sampled_from([1.0, 2.0, 3.0] if kind == "integer" else [1.0, 0.5, 0.1, 0.25, 7.0, 1e-3]))
    offset = float(draw(st.integers(-100, 100)))
    raw = draw(raws)
    value: float = round(raw * scale + offset, 9)
    ends = sorted([value, round(draw(raws) * scale + offset, 9)])
    limits = (ends[0], ends[1]) if draw(st.booleans()) else None
    case.types[name] = Parameter(type=ValueType(kind), range=limits)
    case.values[name] = int(value) if kind == "integer" else value
    return FieldItem(
        field=name, size=size, order=order, coding=coding, signed=signed, scale=scale, offset=offset
    )


def _size(item: Any) -> int:
    alone = Case([item]) if not isinstance(item, FieldItem) else None
    return alone.template.size if alone else int(item.size)


@st.composite
def cases(draw: st.DrawFn, *, sync: bytes = b"") -> Case:
    """A template of a few items. ``sync`` begins it, where one is given."""
    case = Case([HexItem(hex=sync.hex())] if sync else [])
    low = draw(st.integers(0, 200))
    case.address_range = (low, low + draw(st.integers(0, 50)))
    size = len(sync)
    for _ in range(draw(st.integers(0 if sync else 1, 5))):
        kind = draw(st.sampled_from(["hex", "text", "address", "field", "counter", "pause", "again"]))
        item: Any
        if kind == "hex":
            item = HexItem(hex=draw(st.binary(min_size=1, max_size=3)).hex())
        elif kind == "text":
            item = TextItem(text=draw(st.binary(min_size=1, max_size=3)).decode("latin-1"))
        elif kind == "address":
            item = AddressItem(address=draw(st.integers(1, 3)), order=draw(st.sampled_from(_ORDERS)))
            case.address = draw(st.integers(*case.address_range))
        elif kind == "field":
            item = draw(_field(case))
        elif kind == "counter":
            name = f"c{len(case.counters)}"
            wrap = draw(st.one_of(st.none(), st.integers(2, 256)))
            case.counters[name] = draw(st.integers(0, (wrap or 256) - 1))
            item = CounterItem(counter=name, wrap=wrap)
        elif kind == "pause":
            case.items.append(PauseItem(pause_ms=draw(st.floats(0.1, 100))))
            continue
        else:  # an item that stands twice
            standing = [other for other in case.items if not isinstance(other, PauseItem)]
            if not standing:
                continue
            item = draw(st.sampled_from(standing))
        case.items.append(item)
        size += _size(item)
    if not size:
        case.items.append(HexItem(hex="A5"))
        size = 1
    if draw(st.booleans()):
        first = draw(st.integers(0, size - 1))
        to = draw(st.one_of(st.none(), st.integers(first, size - 1)))
        case.items.append(
            CheckItem.model_validate(
                {
                    "check": draw(st.sampled_from(CHECKS)),
                    "from": first,
                    "to": to,
                    "order": draw(st.sampled_from(_ORDERS)),
                    "coding": draw(st.sampled_from(["binary", "hex-text"])),
                }
            )
        )
    return case
